"""Machines without an agent: a person's word, as a report like any other.

- What the person did not say is unknown, with that as its reason; nothing is filled in.
- It is judged like a report that was carried by hand and tells the same.
- Whoever says what kind of machine it is stood before it: it is a real one.
"""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from flashworthy_common.chassis import Kind
from flashworthy_common.report import (
    SECTIONS,
    Battery,
    Report,
    Section,
    Source,
    Why,
    unknown_section,
)
from flashworthy_common.values import Percent, Unknown

# The plainest chassis type of each kind. DSP0134 §7.4.1
_CHASSIS_TYPES = {Kind.PORTABLE: 8, Kind.DESKTOP: 3, Kind.SERVER: 17}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What a person read off one machine; none stands for *not said*."""

    name: str  # what people call the machine
    maker: str
    product: str
    version_text: str | None = None
    date_text: str | None = None  # of the firmware, as it stands on the screen
    kind: Kind | None = None
    board: str | None = None
    sku: str | None = None
    system_serial: str | None = None
    place: str | None = None
    mains: bool | None = None
    has_battery: bool | None = None
    battery_percent: Percent | None = None


def report_of_entry(
    entry: Entry, *, by: str, seen_at: datetime, report_id: str, agent_id: str, sequence: int
) -> Report:
    """The report that says what the person said, and nothing else.

    Args:
        by: who said it; the source of every section.
        agent_id: stands for the person where a report names its agent.
    """
    source = f"the word of {by}"
    missing = f"{by} did not say"
    sections: dict[str, Any] = {
        name: unknown_section(kind, missing, source=source) for name, kind in SECTIONS.items()
    }
    said: dict[str, dict[str, Any]] = {
        "identity": {
            "hostname": entry.name,
            "place": entry.place,
            "system_serial": entry.system_serial,
        },
        "machine": {
            "maker": entry.maker,
            "product": entry.product,
            "board": entry.board,
            "sku": entry.sku,
            "chassis_type": _CHASSIS_TYPES[entry.kind] if entry.kind else None,
            "virtual": False if entry.kind else None,
        },
        "firmware": {"version_text": entry.version_text, "date_text": entry.date_text},
        "power": {"mains": entry.mains, "batteries": _batteries(entry, missing)},
    }
    for name, values in said.items():
        sections[name] = _said(sections[name], values, seen_at)
    return Report(
        report_id=report_id,
        agent_id=agent_id,
        sequence=sequence,
        taken_at=seen_at,
        source=Source.PERSON,
        why=Why.BY_HAND,
        uptime_seconds=Unknown(missing),
        **sections,
    )


def _said(section: Section, values: dict[str, Any], seen_at: datetime) -> Section:
    """The section with what was said; seen only if anything was."""
    known = {name: value for name, value in values.items() if value is not None}
    return replace(section, seen_at=seen_at, **known) if known else section


def _batteries(entry: Entry, missing: str) -> tuple[Battery, ...] | None:
    if entry.has_battery is False:
        return ()
    if entry.has_battery is None and entry.battery_percent is None:
        return None
    percent = entry.battery_percent
    return (Battery(name="battery", percent=Unknown(missing) if percent is None else percent),)
