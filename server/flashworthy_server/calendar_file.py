"""Visits as a calendar (iCalendar, RFC 5545).

- Times are written in UTC (§3.3.5, form 2), so that no reader has to know the site's time zone.
- A visit keeps its UID; what changes counts up SEQUENCE (§3.8.7.4). One that is called off stays
  as cancelled, so that calendars take it out.
"""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from icalendar import Calendar, Event, vText

from flashworthy_server.store.visits import StoredVisit

CONTENT_TYPE = "text/calendar"
_PRODUCT = "-//Flashworthy//Visits//EN"
_NAMESPACE = uuid.UUID("0f5b7d5e-5a5f-4a86-8b53-2a3f9d6c7e41")  # made once, for this purpose
REFRESH = timedelta(hours=1)  # RFC 7986 §5.7


@dataclass(frozen=True, slots=True)
class Entry:
    """A visit with what a calendar tells of it."""

    visit: StoredVisit
    machines: tuple[str, ...]
    url: str  # of its page; empty: not known


def calendar_of(entries: Iterable[Entry], name: str, now: datetime) -> bytes:
    """
    Args:
        name: of the calendar as a whole, for people.
    """
    calendar = Calendar()
    calendar.add("prodid", _PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("name", name)  # RFC 7986 §5.1
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for entry in entries:
        calendar.add_component(_event(entry, now))
    return bytes(calendar.to_ical())


def _event(entry: Entry, now: datetime) -> Event:
    visit, event = entry.visit, Event()
    event.add("uid", str(uuid.uuid5(_NAMESPACE, f"{visit.id} {visit.planned_at.isoformat()}")))
    event.add("dtstamp", now)
    event.add("dtstart", visit.begins_at)
    event.add("dtend", visit.ends_at)
    event.add("last-modified", visit.changed_at)
    event.add("sequence", visit.revision)
    event.add("status", "CANCELLED" if visit.called_off else "CONFIRMED")
    event.add("summary", _summary(entry))
    if visit.place:
        event.add("location", vText(visit.place))
    event.add("description", _description(entry))
    if entry.url:
        event.add("url", entry.url)
    return event


def _summary(entry: Entry) -> str:
    count = len(entry.machines)
    machines = "1 machine" if count == 1 else f"{count} machines"
    return f"Firmware visit, {machines}" + (f": {entry.visit.place}" if entry.visit.place else "")


def _description(entry: Entry) -> str:
    visit = entry.visit
    lines = [
        f"{visit.technician}, about {visit.minutes} minutes with margin",
        *(f"- {name}" for name in entry.machines),
        visit.remark,
        visit.ended_because or "",
    ]
    return "\n".join(filter(None, lines))
