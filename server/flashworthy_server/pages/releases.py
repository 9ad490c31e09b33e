"""Releases: what makers published, which machines each is about, and how they get here."""

from datetime import UTC, datetime
from typing import Any

from flask import Response, g, render_template, request, url_for

from flashworthy_common.releases import ReleaseState
from flashworthy_server.errors import BadRowsError, InvalidInputError
from flashworthy_server.pages import release_form
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, number_asked, or_back_to, text, to_page
from flashworthy_server.pages.reading import read_as
from flashworthy_server.services import jobs, judgement, long_work, touch
from flashworthy_server.services import releases as service
from flashworthy_server.services.releases import ReleaseFilters, StoredRelease
from flashworthy_server.web.context import current_site, current_who

_FILTERS = ("maker", "state", "advisory", "text")
_LONGEST_FILTER = 200  # characters
_COMBINATIONS_SHOWN = 50
_MOST_NAME = 200  # characters of a file's name


@blueprint.get("/releases")
def releases() -> str:
    site, asked = current_site(), _asked()
    after = number_asked("after") or 0
    found, last = service.list_releases(
        site, ReleaseFilters(**asked), after=after, count=site.config.page_rows
    )
    more = url_for("pages.releases", **asked, after=last) if last else None
    return render_template(
        "pages/releases.html",
        releases=found,
        asked=asked,
        states=[each.value for each in ReleaseState],
        more=more,
    )


def _asked() -> dict[str, Any]:
    given = {name: request.args.get(name, "").strip()[:_LONGEST_FILTER] for name in _FILTERS}
    states = [each.value for each in ReleaseState]
    if given["state"] and given["state"] not in states:
        raise InvalidInputError("state", f"state: expected one of {', '.join(states)}")
    return {name: value for name, value in given.items() if value}


# ---- one release ------------------------------------------------------------------------------


@blueprint.get("/releases/<int:release_id>")
def release(release_id: int) -> str:
    site = current_site()
    stored = service.view_release(site, release_id)
    reach = touch.reach_of(site, stored.release)
    return render_template(
        "pages/release.html",
        stored=stored,
        release=stored.release,
        reach=reach,
        shown=reach.touched[:_COMBINATIONS_SHOWN],
        resting=service.resting_on(site, stored),
        judging=judgement.judging(site),
        reading=read_as(stored.release.machine_maker, stored.release.version_text),
        states=[each.value for each in ReleaseState],
        groups=release_form.GROUPS,
        values=release_form.values_of(stored.release),
    )


@blueprint.post("/releases/<int:release_id>/state")
@or_back_to(release)
def change_state(release_id: int) -> Response:
    state, reason = choice("state", ReleaseState), text("state_reason").strip()
    service.change_state(current_site(), current_who(), release_id, state, reason)
    return to_page("release", release_id=release_id)


@blueprint.post("/releases/<int:release_id>/remove")
@or_back_to(release)
def remove_release(release_id: int) -> Response:
    anyway = text("anyway") == "yes"
    service.remove_release(current_site(), current_who(), release_id, text("reason"), anyway=anyway)
    return to_page("releases")


# ---- its form ---------------------------------------------------------------------------------


@blueprint.get("/releases/new")
def new_release() -> str:
    return _form_page(None)


@blueprint.post("/releases/new")
@or_back_to(new_release)
def record_release() -> Any:
    if _only_reads():
        return new_release()
    typed = release_form.read_typed()
    try:
        stored = service.record_one(current_site(), current_who(), typed.data)
    except BadRowsError as error:
        raise release_form.faults_of_form(error, typed) from error
    return to_page("release", release_id=stored.id)


@blueprint.get("/releases/<int:release_id>/change")
def edit_release(release_id: int) -> str:
    return _form_page(service.view_release(current_site(), release_id))


@blueprint.post("/releases/<int:release_id>/change")
@or_back_to(edit_release)
def change_release(release_id: int) -> Any:
    if _only_reads():
        return edit_release(release_id)
    typed = release_form.read_typed()
    try:
        service.change_release(
            current_site(), current_who(), release_id, typed.data, based_on=_based_on()
        )
    except BadRowsError as error:
        raise release_form.faults_of_form(error, typed) from error
    return to_page("release", release_id=release_id)


def _form_page(stored: StoredRelease | None) -> str:
    known = stored.release if stored else None
    maker, version = (known.machine_maker, known.version_text) if known else ("", "")
    if "faults" in g:
        maker, version = text("machine_maker"), text("version_text")
    return render_template(
        "pages/release_form.html",
        stored=stored,
        based_on=stored.recorded_at.isoformat() if stored else "",
        groups=release_form.GROUPS,
        reason_fields=release_form.REASON_FIELDS,
        reason_places=release_form.reason_places(known),
        values=release_form.values_of(known),
        reading=read_as(maker, version),
    )


def _only_reads() -> bool:
    """Whether the version is only to be read; what was typed stands there again then."""
    if text("do") != "read":
        return False
    g.faults = ()
    return True


def _based_on() -> datetime:
    try:
        return datetime.fromisoformat(text("based_on")).astimezone(UTC)
    except (ValueError, OverflowError):
        raise InvalidInputError("based_on", "open the form again: it is not whole") from None


# ---- many releases ----------------------------------------------------------------------------


@blueprint.get("/releases/import")
def import_document() -> str:
    most_mib = current_site().config.import_body_bytes // 2**20
    return render_template("pages/import.html", most_mib=most_mib)


@blueprint.post("/releases/import")
@or_back_to(import_document)
def compare_document() -> Response:
    name, content = handed_in("releases.json")
    job_id = long_work.compare_document(current_site(), current_who(), name, content)
    return to_page("job", job_id=job_id)


@blueprint.post("/jobs/<int:job_id>/record")
def record_document(job_id: int) -> Response:
    site, who = current_site(), current_who()
    compared = jobs.view(site, who, job_id)
    return to_page("job", job_id=long_work.record_document(site, who, compared))


@blueprint.post("/releases/export")
@or_back_to(releases)
def export_releases() -> Response:
    format_ = text("format")
    if format_ not in long_work.FORMATS:
        known = ", ".join(long_work.FORMATS)
        raise InvalidInputError("format", f"format: expected one of {known}, got {format_!r:.20}")
    job_id = long_work.export_releases(current_site(), current_who(), format_)
    return to_page("job", job_id=job_id)


def handed_in(name_of_text: str) -> tuple[str, bytes]:
    """Name and content of the file that came with a form, or of the text in its place.

    Raises:
        InvalidInputError: there is neither.
    """
    file = request.files.get("file")
    if file is not None and file.filename:
        return file.filename[-_MOST_NAME:], file.read()
    if typed := text("text"):
        is_json = typed.lstrip().startswith(("{", "["))
        return name_of_text if is_json else "releases.csv", typed.encode()
    raise InvalidInputError("file", "file: expected a file, or its text below, got neither")
