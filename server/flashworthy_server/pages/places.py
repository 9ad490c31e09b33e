"""Where machines stand: the site's rules, and lists of hostnames, each with a preview."""

from typing import Any

from flask import render_template

from flashworthy_common.values import to_json
from flashworthy_server.errors import BadRow, BadRowsError
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import or_back_to, text, to_page
from flashworthy_server.services import placing as service
from flashworthy_server.services.placing import Placing
from flashworthy_server.web.context import current_site, current_who

_PREVIEW = "preview"
_BETWEEN = "|"  # the cells of a rule


@blueprint.get("/places")
def places(rules: Placing | None = None, listed: Placing | None = None) -> str:
    lines = "\n".join(map(_line, service.rules_of(current_site())))
    return render_template("pages/places.html", lines=lines, rules=rules, listed=listed)


@blueprint.post("/places/rules")
@or_back_to(places)
def set_place_rules() -> Any:
    site, data = current_site(), _rules(text("rules"))
    if text("do") == _PREVIEW:
        return places(rules=service.preview_rules(site, data))
    service.set_rules(site, current_who(), data)
    return to_page("places")


@blueprint.post("/places/list")
@or_back_to(places)
def import_places() -> Any:
    site = current_site()
    if text("do") == _PREVIEW:
        return places(listed=service.preview_list(site, text("list")))
    service.import_list(site, current_who(), text("list"))
    return to_page("places")


def _line(rule: Any) -> str:
    told: dict[str, str] = to_json(rule)
    return f" {_BETWEEN} ".join((told["place"], told["hostname"], told["addresses"]))


def _rules(typed: str) -> list[dict[str, str]]:
    """Rules, one on a line: place | hostname | addresses."""
    bad: list[BadRow] = []
    rules = []
    for number, line in enumerate(typed.splitlines(), 1):
        cells = [cell.strip() for cell in line.split(_BETWEEN)]
        if not any(cells):
            continue
        if len(cells) not in (2, 3):
            expected = f"expected place {_BETWEEN} hostname {_BETWEEN} addresses, got {line!r:.80}"
            bad.append(BadRow(f"line {number}", expected, "rules", number))
            continue
        rules.append(dict(zip(("place", "hostname", "addresses"), cells, strict=False)))
    if bad:
        raise BadRowsError(bad)
    return rules
