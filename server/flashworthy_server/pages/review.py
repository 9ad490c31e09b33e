"""Review: what nobody has compared with its maker's page, and the form that says what it offers."""

from typing import Any

from flask import g, render_template

from flashworthy_common.reasons import ReasonKind
from flashworthy_common.values import write_time
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import lines_of, or_back_to, text, to_page
from flashworthy_server.pages.reading import read_as
from flashworthy_server.services import overview
from flashworthy_server.services import reviews as service
from flashworthy_server.services.reviews import ToReview
from flashworthy_server.web.context import current_site, current_who

_REVIEWS_SHOWN = 10


@blueprint.get("/review")
def review() -> str:
    site = current_site()
    newest, _ = service.list_reviews(site, maker=None, before=None, count=_REVIEWS_SHOWN)
    return render_template(
        "pages/review.html", items=overview.worklist(site, site.config.page_rows), newest=newest
    )


@blueprint.get("/review/<int:combination_id>")
def new_review(combination_id: int) -> str:
    site = current_site()
    found = service.to_review(site, combination_id)
    maker, *_, runs = found.combination.key
    version = text("newest_version_text") if "faults" in g else ""
    return render_template(
        "pages/review_form.html",
        found=found,
        maker=maker,
        runs=runs,
        kinds=[("", "none is stated"), *((each.value, each.value) for each in ReasonKind)],
        source=_last_source(found),
        opened_at=write_time(site.clock()),
        reading=read_as(text("machine_maker") or maker, version, runs),
    )


@blueprint.post("/review/<int:combination_id>")
@or_back_to(new_review)
def record_review(combination_id: int) -> Any:
    if text("do") == "read":
        g.faults = ()
        return new_review(combination_id)
    service.record_reading(current_site(), current_who(), _typed())
    return to_page("review")


def _typed() -> dict[str, Any]:
    """The reading as it stands in the form; read when the form was opened, so that sending it
    twice says the same thing twice.
    """
    says, kind = text("reason").strip(), text("kind")
    stated = {
        "kind": kind or "security",
        "says": says,
        "source": text("source").strip(),
        "advisories": lines_of("advisories"),
        "symptoms": lines_of("symptoms"),
    }
    return {
        "machine_maker": text("machine_maker").strip(),
        "models": lines_of("models"),
        "source": text("source").strip(),
        "newest_version_text": text("newest_version_text").strip(),
        "released_on": text("released_on").strip() or None,
        "reason": stated if says or kind else None,
        "reviewed_at": text("reviewed_at"),
    }


def _last_source(found: ToReview) -> str:
    """Where somebody looked last, for this combination or another of its model."""
    if found.need.review:
        return found.need.review.source
    return next((each.release.notes_url for each in found.releases if each.release.notes_url), "")
