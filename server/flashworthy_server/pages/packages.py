"""Packages: firmware files that are kept for the way back, in and out whole."""

import os
from typing import Any

from flask import Response, render_template, request, url_for
from werkzeug.http import dump_options_header

from flashworthy_server.errors import InvalidInputError
from flashworthy_server.package_folder import pieces_of
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import (
    lines_of,
    named_machine,
    number_asked,
    or_back_to,
    text,
    to_page,
)
from flashworthy_server.services import long_work
from flashworthy_server.services import packages as service
from flashworthy_server.services.packages import Offered
from flashworthy_server.web.context import current_site, current_who

_MISSING_SHOWN = 20
_LONGEST_FILTER = 200  # characters


@blueprint.get("/packages")
def packages() -> str:
    site = current_site()
    maker = request.args.get("maker", "").strip()[:_LONGEST_FILTER]
    after = number_asked("after") or 0
    found, last = service.list_packages(
        site, maker=maker or None, after=after, count=site.config.page_rows
    )
    more = url_for("pages.packages", maker=maker or None, after=last) if last else None
    return render_template(
        "pages/packages.html",
        packages=found,
        maker=maker,
        more=more,
        missing=service.without_package(site, _MISSING_SHOWN),
    )


@blueprint.get("/packages/<int:package_id>")
def package(package_id: int) -> str:
    site = current_site()
    found = service.view_package(site, package_id)
    return render_template(
        "pages/package.html", package=found, resting=service.resting_on(site, found)
    )


@blueprint.get("/packages/<int:package_id>/file")
def fetch_package(package_id: int) -> Response:
    """The file, found intact just now."""
    found, file = service.open_package(current_site(), package_id)
    response = Response(pieces_of(file), content_type="application/octet-stream")
    response.call_on_close(file.close)
    response.content_length = found.size_bytes
    response.headers["Content-Disposition"] = dump_options_header(
        "attachment", {"filename": found.file_name}
    )
    return response


@blueprint.get("/packages/new")
def new_package() -> str:
    most_mib = current_site().config.package_bytes // 2**20
    given = {name: request.args.get(name, "") for name in ("maker", "model", "version")}
    return render_template("pages/package_form.html", most_mib=most_mib, given=given)


@blueprint.post("/packages/new")
@or_back_to(new_package)
def keep_package() -> Response:
    file = request.files.get("file")
    if file is None or not file.filename:
        raise InvalidInputError("file", "file: expected the maker's file, got none")
    size = file.stream.seek(0, os.SEEK_END)
    file.stream.seek(0)
    kept = service.keep(
        current_site(),
        current_who(),
        _offered(file.filename),
        pieces_of(file.stream),  # type: ignore[arg-type]
        expected_bytes=size,
    )
    return to_page("package", package_id=kept.id)


@blueprint.post("/packages/<int:package_id>/remove")
@or_back_to(package)
def remove_package(package_id: int) -> Response:
    anyway = text("anyway") == "yes"
    service.remove(current_site(), current_who(), package_id, text("reason"), anyway=anyway)
    return to_page("packages")


@blueprint.post("/packages/verify")
def verify_packages() -> Response:
    return to_page("job", job_id=long_work.verify_packages(current_site(), current_who()))


def _offered(file_name: str) -> Offered:
    said: dict[str, Any] = {
        "machine_maker": text("machine_maker").strip(),
        "models": lines_of("models"),
        "version_text": text("version_text").strip(),
        "board_versions": lines_of("board_versions"),
    }
    return Offered(
        package=said,
        file_name=file_name,
        source=text("source"),
        published_digest=text("published_digest").strip(),
        machine_id=named_machine("machine"),
    )
