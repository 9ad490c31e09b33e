"""Power over the last weeks: what the last report of each day said of mains, batteries and UPS."""

import json
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import cast

from flashworthy_common.report import PowerSection, section_from_json
from flashworthy_common.values import Maybe, Unknown
from flashworthy_server.services.machines import load_machine
from flashworthy_server.site import Site
from flashworthy_server.store import history as store

DAYS = 28


@dataclass(frozen=True, slots=True)
class PowerDay:
    """One day's last word; none in `percent` and `ups`: there is none, or it is not known."""

    on: date  # in UTC
    received_at: datetime
    mains: Maybe[bool]
    percent: float | None  # of the battery that holds least
    ups: str | None  # its status words


def power_of_late(site: Site, machine_id: int) -> list[PowerDay]:
    """The days of the last weeks on which a report came, newest first.

    Raises:
        NotFoundError: there is no such machine.
    """
    since = site.clock() - timedelta(days=DAYS)
    found = []
    with site.database.reading() as connection:
        load_machine(connection, machine_id)
        for number, received_at in store.last_of_each_day(connection, machine_id, since):
            body = store.load_body(connection, machine_id, number)
            if body is not None:
                found.append(_day(received_at, body))
    return found


def _day(received_at: datetime, body: bytes) -> PowerDay:
    power = cast(PowerSection, section_from_json("power", json.loads(body).get("power"), []))
    batteries = () if isinstance(power.batteries, Unknown) else power.batteries
    percents = [each.percent for each in batteries if not isinstance(each.percent, Unknown)]
    units = () if isinstance(power.ups, Unknown) else power.ups
    words = [each.status_text for each in units if not isinstance(each.status_text, Unknown)]
    return PowerDay(
        on=received_at.date(),
        received_at=received_at,
        mains=power.mains,
        percent=min(percents, default=None),
        ups="; ".join(words) or None,
    )
