"""Power, as pmset tells it, and of the battery what the I/O Registry holds.

- Sources of power as "pmset(1)" and IOPowerSources name them: AC, battery, UPS. Only the first is
  mains.
- Of a battery the Registry holds charge, wear and current in mAh and mA; names *from memory*.
  `MaxCapacity` is a percentage on newer machines, so that only the raw values are capacities.
- A UPS that is attached to the machine itself is told with its charge, but not in the words of
  RFC 9271, so that its readiness stays unknown.
"""

import re
from collections.abc import Iterator
from typing import NamedTuple

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import (
    PROGRAM_SECONDS,
    Item,
    first_of_plist,
    number_in,
)
from flashworthy_agent.probes.ups import look_at_ups
from flashworthy_common.report import Battery, PowerSection, Ups
from flashworthy_common.values import Maybe, Unknown

SOURCES = ("pmset", "-g", "batt")
REGISTRY = ("ioreg", "-a", "-r", "-d", "1", "-c", "AppleSmartBattery")
_MAINS = {"AC Power": True, "Battery Power": False, "UPS Power": False}
_FROM = re.compile(r"Now drawing from '([^']*)'")
# -InternalBattery-0 (id=4653155)	62%; discharging; 3:41 remaining present: true
_UNIT = re.compile(
    r"""\s*-(?P<name>[^\t(]+?) \s* (?:\(id=[0-9]+\))? \s+
        (?P<percent>[0-9]{1,3})%; \s* (?P<state>[^;]+?) ; (?P<rest>.*)""",
    re.VERBOSE,
)
_REMAINING = re.compile(r"([0-9]{1,3}):([0-5][0-9]) remaining")
_BATTERY = "InternalBattery"
_STATES = {
    "charging": "charging",
    "finishing charge": "charging",
    "discharging": "discharging",
    "charged": "full",
    "AC attached": "not charging",
}
_GREATEST_MA = 1_000_000  # beyond any battery of a PC; what is above it is no current
_NO_WEAR = "the I/O Registry tells no battery"
_NOT_TOLD = Unknown("macOS does not tell it")
_NO_WORDS = Unknown("macOS tells its state in other words than RFC 9271")


class Unit(NamedTuple):
    """One line of pmset: a battery or a UPS."""

    name: str
    percent: Maybe[float]
    state: Maybe[str]
    runtime_seconds: Maybe[int]

    @property
    def is_battery(self) -> bool:
        return self.name.startswith(_BATTERY)


def look_at_power(access: Access) -> PowerSection:
    told = access.programs.said(list(SOURCES), PROGRAM_SECONDS)
    return PowerSection(
        seen_at=access.now(),
        source="pmset -g batt; ioreg: AppleSmartBattery",
        mains=told if isinstance(told, Unknown) else _mains(told),
        batteries=told if isinstance(told, Unknown) else _batteries(access, told),
        ups=told if isinstance(told, Unknown) else _attached(told),
        supplies=Unknown("this platform has no SMBIOS type 39"),
    )


def look_at_all_ups(access: Access) -> PowerSection:
    """The section with nothing but the UPS: those that are configured, else those attached."""
    if access.ups:
        return look_at_ups(access, lambda address: _NOT_TOLD)
    told = access.programs.said(list(SOURCES), PROGRAM_SECONDS)
    attached = told if isinstance(told, Unknown) else _attached(told)
    return PowerSection(ups=attached or Unknown("no UPS is configured, and none attached"))


def _mains(told: str) -> Maybe[bool]:
    match = _FROM.search(told)
    name = match[1] if match else ""
    return _MAINS.get(name, Unknown(f"expected a source of power, got {name or told[:40]!r}"))


def units(told: str) -> Iterator[Unit]:
    """The batteries and UPSes that pmset lists as present."""
    for line in told.splitlines():
        match = _UNIT.match(line)
        if match is None or "present: false" in line:
            continue
        percent, state = int(match["percent"]), match["state"].strip()
        left = _REMAINING.search(match["rest"])
        seconds = 3600 * int(left[1]) + 60 * int(left[2]) if left else 0
        yield Unit(
            name=match["name"].strip(),
            percent=float(percent) if percent <= 100 else Unknown(f"not a percentage: {percent}"),
            state=_STATES.get(state, Unknown(f"a state that is not known here: {state[:40]!r}")),
            # zero stands there too while it is full or charging
            runtime_seconds=seconds if seconds and state == "discharging"
            else Unknown("macOS gives no estimate"),
        )  # fmt: skip


def _attached(told: str) -> tuple[Ups, ...]:
    return tuple(
        Ups(
            name=unit.name,
            status_text=_NO_WORDS,
            charge_percent=unit.percent,
            runtime_seconds=unit.runtime_seconds,
            load_percent=_NOT_TOLD,
            shuts_this_down=_NOT_TOLD,
        )
        for unit in units(told)
        if not unit.is_battery
    )


def _batteries(access: Access, told: str) -> Maybe[tuple[Battery, ...]]:
    found = [unit for unit in units(told) if unit.is_battery]
    if not found and _BATTERY in told and "present: false" not in told:
        return Unknown("expected a line for each battery of pmset, got another form")
    wear = first_of_plist(access, REGISTRY, _NO_WEAR) if len(found) == 1 else Unknown(_NO_WEAR)
    return tuple(_battery(unit, wear) for unit in found)


def _battery(unit: Unit, wear: Maybe[Item]) -> Battery:
    return Battery(
        name=unit.name,
        state=unit.state,
        percent=unit.percent,
        energy_mwh=_NOT_TOLD,
        full_mwh=_NOT_TOLD,
        design_mwh=_NOT_TOLD,
        charge_mah=_capacity(wear, "AppleRawCurrentCapacity"),
        full_mah=_capacity(wear, "AppleRawMaxCapacity"),
        design_mah=_capacity(wear, "DesignCapacity"),
        draw_mw=_NOT_TOLD,
        draw_ma=_current(wear),
        cycles=_capacity(wear, "CycleCount"),
        runtime_seconds=unit.runtime_seconds,
    )


def _capacity(wear: Maybe[Item], name: str) -> Maybe[int]:
    number = number_in(wear, name, "the I/O Registry")
    if isinstance(number, Unknown) or 0 < number <= _GREATEST_MA:
        return number
    return Unknown(f"expected a positive {name}, got {number}")


def _current(wear: Maybe[Item]) -> Maybe[float]:
    """Negative while discharging, and then at times told as an unsigned number of 64 bits."""
    current = number_in(wear, "Amperage", "the I/O Registry")
    if isinstance(current, Unknown):
        return current
    signed = current - 2**64 if current >= 2**63 else current
    return abs(signed) if abs(signed) <= _GREATEST_MA else Unknown(f"no current: {current}")
