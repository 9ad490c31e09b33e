"""Machines: the list with its filters, the same as CSV, and one that has no agent.

Every filter stands in the address, so that a list can be kept, sent, and come back to.
"""

from dataclasses import replace
from datetime import date
from typing import Any

from flask import Response, render_template, request, url_for

from flashworthy_common.attention import AttentionCode
from flashworthy_common.chassis import Kind
from flashworthy_common.entered import Entry
from flashworthy_common.need import Standing
from flashworthy_common.readiness import Outcome
from flashworthy_common.reasons import Priority
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import or_back_to, text, to_page
from flashworthy_server.services import machines as service
from flashworthy_server.services.entry import enter_machine
from flashworthy_server.services.machines import Filters
from flashworthy_server.spreadsheets import CSV_TYPE, csv_of_machines
from flashworthy_server.web.context import current_site, current_who

_LONGEST_FILTER = 200  # characters
_OLDEST_YEARS = 10  # of firmware that can be asked for
_CHOICES = {
    "outcome": [each.value for each in Outcome],
    "priority": [each.value for each in Priority],
    "standing": [each.value for each in Standing],
    "attention": [each.value for each in AttentionCode],
    "older": [str(years) for years in range(1, _OLDEST_YEARS + 1)],  # years, at least
}
_TEXTS = ("text", "place", "maker", "model")
_LABELS = {"older": "Firmware older than years"}
_KINDS = (("", "not said"), *((each.value, each.value) for each in Kind))
_YES_OR_NO = (("", "not said"), ("yes", "yes"), ("no", "no"))


@blueprint.get("/machines")
def machines() -> str:
    site, asked = current_site(), _asked()
    page = service.page_of_machines(
        site, _filters(asked), after=_after(), count=site.config.page_rows
    )
    return render_template(
        "pages/machines.html",
        rows=page.rows,
        judging=page.judging,
        asked=asked,
        choices=_CHOICES,
        labels=_LABELS,
        texts=_TEXTS,
        is_out="out" in request.args,
        more=_more(page.after),
    )


@blueprint.get("/machines.csv")
def machines_csv() -> Response:
    """All that the filters let through, also what stands on the pages that follow."""
    written = csv_of_machines(current_site(), _filters(_asked()))
    answer = Response(written, content_type=f"{CSV_TYPE}; charset=utf-8")
    answer.headers["Content-Disposition"] = 'attachment; filename="machines.csv"'
    return answer


@blueprint.get("/machines/enter")
def show_enter() -> str:
    return render_template("pages/enter.html", kinds=_KINDS, yes_or_no=_YES_OR_NO)


@blueprint.post("/machines/enter")
@or_back_to(show_enter)
def enter() -> Response:
    receipt = enter_machine(current_site(), current_who(), _entry())
    return to_page("machine", machine_id=receipt.machine_id)


def _entry() -> Entry:
    """What a person said of a machine; what they left empty is not said."""
    said = {name: " ".join(text(name).split())[:_LONGEST_FILTER] or None for name in _ENTRY_TEXTS}
    for name in ("name", "maker", "product"):
        if said[name] is None:
            raise InvalidInputError(name, f"{name}: expected a text, got none")
    percent = _percent()
    has_battery = True if percent is not None else _flag("has_battery")
    kind = Kind(text("kind")) if text("kind") in {each.value for each in Kind} else None
    return Entry(
        **said,  # type: ignore[arg-type]
        kind=kind,
        mains=_flag("mains"),
        has_battery=has_battery,
        battery_percent=percent,
    )


_ENTRY_TEXTS = (
    "name",
    "maker",
    "product",
    "version_text",
    "date_text",
    "board",
    "sku",
    "system_serial",
    "place",
)


def _flag(name: str) -> bool | None:
    return {"yes": True, "no": False}.get(text(name))


def _percent() -> float | None:
    given = text("battery_percent").strip().removesuffix("%").strip()
    if not given:
        return None
    if not (given.isascii() and given.isdecimal() and int(given[:4]) <= 100):
        raise InvalidInputError(
            "battery_percent", f"battery_percent: expected 0 to 100, got {given[:20]!r}"
        )
    return float(given)


def _filters(asked: dict[str, str]) -> Filters:
    given: dict[str, Any] = dict(asked)
    years = given.pop("older", None)
    if years:
        given["firmware_before"] = _years_before(current_site().clock().date(), int(years))
    return replace(Filters(**given), out_of_service="out" in request.args)


def _years_before(day: date, years: int) -> date:
    """The same day of an earlier year; of 29 February the 28th where that year has none."""
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        return day.replace(year=day.year - years, day=28)


def _asked() -> dict[str, str]:
    """The filters of the address, as far as they are known."""
    given = {name: request.args.get(name, "").strip() for name in (*_TEXTS, *_CHOICES)}
    for name, choices in _CHOICES.items():
        if given[name] and given[name] not in choices:
            raise InvalidInputError(name, f"{name}: expected one of {', '.join(choices)}")
    return {name: value[:_LONGEST_FILTER] for name, value in given.items() if value}


def _after() -> tuple[str, int] | None:
    """After which name and number the page begins."""
    name, number = request.args.get("after"), request.args.get("after_id", "")
    if name is None or not (number.isascii() and number.isdecimal() and len(number) < 19):
        return None
    return name, int(number)


def _more(after: tuple[str, int] | None) -> str | None:
    """The address of the next page."""
    if after is None:
        return None
    asked: dict[str, Any] = {name: value for name, value in request.args.items() if value}
    return url_for("pages.machines", **asked | {"after": after[0], "after_id": str(after[1])})
