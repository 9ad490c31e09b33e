"""How a version is read: on the forms where one is typed, and while it is typed."""

from flask import Response, request

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.values import Unknown
from flashworthy_common.versions import describe, explain, is_release, parse_version
from flashworthy_server.pages.blueprint import blueprint

_LONGEST = 200  # characters


@blueprint.get("/reading")
def reading() -> Response:
    """In plain text, for the script of a page."""
    maker, version, running = (
        request.args.get(name, "")[:_LONGEST] for name in ("maker", "version", "runs")
    )
    return Response(read_as(maker, version, running), content_type="text/plain; charset=utf-8")


def read_as(maker_text: str, version_text: str, running: str = "") -> str:
    """How a version is read, and how it stands to the one that runs; empty without a version."""
    version_text = version_text.strip()
    if not version_text:
        return ""
    found = canonical_machine_maker(maker_text)
    maker = "" if isinstance(found, Unknown) else str(found)
    version = parse_version(version_text, maker=maker)
    if not is_release(version, model=""):
        return f"{describe(version)}: it could not be ordered, and is not recorded"
    told = describe(version)
    return f"{told}; {explain(version_text, running, maker=maker, model='')}" if running else told
