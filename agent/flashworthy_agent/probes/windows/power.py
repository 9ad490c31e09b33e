"""Power, as Windows tells it: the status of the system, and each battery by its own word.

- 255 in the status, and -1 for seconds, mean *not known*, never a number.
- A battery that says that its capacities are relative gives a share, but no energy.
- One for short times only is a UPS, and one that cannot run the system is none of its batteries.
"""

from typing import Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.table_facts import supplies_of
from flashworthy_agent.probes.ups import look_at_ups
from flashworthy_agent.probes.windows.smbios import fact
from flashworthy_agent.probes.windows.structures import (
    BatteryInformation,
    BatteryStatus,
    SystemPowerStatus,
    read,
)
from flashworthy_agent.probes.windows.system import System
from flashworthy_common.report import Battery, PowerSection
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown

# "SYSTEM_POWER_STATUS structure"
_OFFLINE, _ONLINE, _BACKUP = 0, 1, 2
_NO_BATTERY, _UNREADABLE, _CHARGING_FLAG = 128, 255, 8
_NO_PERCENT, _NO_SECONDS = 255, 0xFFFFFFFF
# "BATTERY_INFORMATION structure", "BATTERY_STATUS structure"
_SYSTEM_BATTERY, _RELATIVE, _SHORT_TERM = 0x80000000, 0x40000000, 0x20000000
_ON_LINE, _DISCHARGING, _CHARGING = 1, 2, 4
_NO_CAPACITY, _NO_RATE = 0xFFFFFFFF, -0x80000000  # BATTERY_UNKNOWN_CAPACITY, _RATE (Poclass.h)
_WHO_OBEYS = Unknown("which program here obeys a UPS is not known")
_CUT_SHORT = Unknown("the answer is shorter than its structure")


def look_at_power(access: Access) -> PowerSection:
    system = System(access.inputs)
    told = system.answer("power status")
    status = told if isinstance(told, Unknown) else read(SystemPowerStatus, told) or _CUT_SHORT
    return PowerSection(
        seen_at=access.now(),
        source="GetSystemPowerStatus, batteries, SMBIOS type 39",
        mains=_mains(status),
        batteries=_batteries(system.answer("batteries"), status),
        ups=NOT_REPORTED,  # `look_at_configured_ups` asks
        supplies=fact(access, supplies_of),
    )


def look_at_configured_ups(access: Access) -> PowerSection:
    """The section with nothing but the UPS."""
    return look_at_ups(access, lambda address: _WHO_OBEYS)


def _mains(status: Maybe[SystemPowerStatus]) -> Maybe[bool]:
    if isinstance(status, Unknown):
        return status
    line = status.ac_line_status
    if line in (_OFFLINE, _BACKUP):
        return False
    return True if line == _ONLINE else Unknown(f"Windows does not know about mains: {line}")


def _batteries(told: Any, status: Maybe[SystemPowerStatus]) -> Maybe[tuple[Battery, ...]]:
    if isinstance(told, Unknown):
        return _by_status(status, because=told)
    found = [(read(BatteryInformation, one[0]), read(BatteryStatus, one[1])) for one in told]
    if any(part is None for one in found for part in one):
        return _CUT_SHORT
    return tuple(
        _battery(f"battery {number}", information, now)
        for number, (information, now) in enumerate(found, start=1)
        if information and now and _runs_the_system(information)
    )


def _runs_the_system(information: BatteryInformation) -> bool:
    kind = information.capabilities & (_SYSTEM_BATTERY | _SHORT_TERM)
    return bool(kind == _SYSTEM_BATTERY)


def _battery(name: str, information: BatteryInformation, now: BatteryStatus) -> Battery:
    relative = Unknown("the battery tells its capacity in no unit")
    is_relative = information.capabilities & _RELATIVE
    capacity = _known(now.capacity, _NO_CAPACITY, "its charge")
    full = _stated(information.full_charged_capacity, "what it holds when full")
    return Battery(
        name=name,
        state=_state(now, capacity, full),
        percent=_percent(capacity, full),
        energy_mwh=relative if is_relative else capacity,
        full_mwh=relative if is_relative else full,
        design_mwh=relative if is_relative
        else _stated(information.designed_capacity, "what it was made to hold"),
        draw_mw=relative if is_relative else _draw(now),
        cycles=information.cycle_count or Unknown("the battery does not count its cycles"),
        runtime_seconds=_runtime_seconds(now, capacity),
    )  # fmt: skip


def _known(number: int, unknown: int, what: str) -> Maybe[int]:
    return Unknown(f"the battery does not know {what}") if number == unknown else number


def _stated(number: int, what: str) -> Maybe[int]:
    """A capacity; zero is none."""
    return _known(number, _NO_CAPACITY, what) if number else Unknown(f"the battery tells no {what}")


def _state(now: BatteryStatus, capacity: Maybe[int], full: Maybe[int]) -> Maybe[str]:
    if now.power_state & _CHARGING:
        return "charging"
    if now.power_state & _DISCHARGING:
        return "discharging"
    if isinstance(capacity, int) and isinstance(full, int) and capacity >= full:
        return "full"
    return "not charging"


def _percent(capacity: Maybe[int], full: Maybe[int]) -> Maybe[float]:
    if isinstance(capacity, Unknown):
        return capacity
    # a little above the last full charge is common in a new battery
    return full if isinstance(full, Unknown) else min(100.0, round(100 * capacity / full, 1))


def _draw(now: BatteryStatus) -> Maybe[float]:
    rate = _known(now.rate, _NO_RATE, "its rate")
    return rate if isinstance(rate, Unknown) else abs(rate)


def _runtime_seconds(now: BatteryStatus, capacity: Maybe[int]) -> Maybe[int]:
    """At its rate of the moment; both are in the same unit, whichever that is."""
    if not now.power_state & _DISCHARGING:
        return Unknown("it does not discharge")
    rate = _known(now.rate, _NO_RATE, "its rate")
    if isinstance(capacity, Unknown) or isinstance(rate, Unknown) or rate >= 0:
        return Unknown("its charge and its rate are not both known")
    return 3600 * capacity // -rate


def _by_status(status: Maybe[SystemPowerStatus], because: Unknown) -> Maybe[tuple[Battery, ...]]:
    """Where no battery speaks for itself: what the system says of all of them together."""
    if isinstance(status, Unknown) or status.battery_flag == _UNREADABLE:
        return because
    if status.battery_flag & _NO_BATTERY:
        return ()
    percent, seconds = status.battery_life_percent, status.battery_life_time
    is_percent = percent != _NO_PERCENT and percent <= 100
    state = "charging" if status.battery_flag & _CHARGING_FLAG else because
    return (
        Battery(
            name="all batteries",
            state="discharging" if status.ac_line_status == _OFFLINE else state,
            percent=float(percent) if is_percent else Unknown("Windows does not know its charge"),
            energy_mwh=because,
            full_mwh=because,
            design_mwh=because,
            draw_mw=because,
            cycles=because,
            runtime_seconds=seconds if seconds != _NO_SECONDS
            else Unknown("Windows does not know how long it lasts"),
        ),
    )  # fmt: skip
