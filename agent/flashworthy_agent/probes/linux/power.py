"""Power, as the Linux power_supply class shows it.

Rules, by the kernel's ABI (Documentation/ABI/testing/sysfs-class-power):

- ``scope`` Device is a peripheral's own battery, such as a mouse's: not this machine's.
- Supplies from outside are told by ``type``, not by name; ``online`` 1 (fixed) and 2
  (programmable) both mean that power comes in.
- ``energy_*`` is in µWh and ``charge_*`` in µAh: a share is computed from a pair of the same kind.
- Every attribute may be missing or fail on reading; that is a reason, not zero.
- USB sockets that deliver nothing say little about a machine without a battery, for a socket may
  only give power: mains is then unknown.
"""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.smbios import smbios_of
from flashworthy_agent.probes.table_facts import supplies_of
from flashworthy_agent.probes.ups import look_at_ups
from flashworthy_common.report import Battery, PowerSection
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown

CLASS_FOLDER = "/sys/class/power_supply"
_OUTSIDE_TYPES = {"Mains", "USB", "Wireless"}


def look_at_power(access: Access) -> PowerSection:
    files = access.files
    names = files.names(CLASS_FOLDER)
    batteries: Maybe[tuple[Battery, ...]]
    mains: Maybe[bool]
    if isinstance(names, Unknown):
        batteries = mains = names
    else:
        types = {name: files.text(f"{CLASS_FOLDER}/{name}/type") for name in names}
        own = {name: kind for name, kind in types.items() if not _is_peripheral(files, name)}
        batteries = _batteries(files, own)
        mains = _mains(files, own, has_battery=batteries != ())
    return PowerSection(
        seen_at=access.now(),
        source=f"{CLASS_FOLDER}, SMBIOS type 39",
        mains=mains,
        batteries=batteries,
        ups=NOT_REPORTED,  # `look_at_configured_ups` asks
        supplies=smbios_of(access).fact(supplies_of),
    )


def look_at_configured_ups(access: Access) -> PowerSection:
    """The section with nothing but the UPS."""
    from flashworthy_agent.probes.linux.ups import shuts_this_down  # late: few machines have one

    return look_at_ups(access, lambda address: shuts_this_down(access.files, address))


def _is_peripheral(files: Files, name: str) -> bool:
    return files.text(f"{CLASS_FOLDER}/{name}/scope") == "Device"


def _mains(files: Files, types: dict[str, Maybe[str]], *, has_battery: bool) -> Maybe[bool]:
    outside = {name: kind for name, kind in types.items() if kind in _OUTSIDE_TYPES}
    online = [files.number(f"{CLASS_FOLDER}/{name}/online") for name in outside]
    if any(isinstance(value, int) and value > 0 for value in online):
        return True
    unread = [value for value in (*types.values(), *online) if isinstance(value, Unknown)]
    if unread:
        return unread[0]
    if not outside:
        return Unknown("no mains supply is shown")
    if "Mains" not in outside.values() and not has_battery:
        return Unknown("only sockets that deliver nothing are shown, and no battery")
    return False


def _batteries(files: Files, types: dict[str, Maybe[str]]) -> Maybe[tuple[Battery, ...]]:
    unread = [kind for kind in types.values() if isinstance(kind, Unknown)]
    if unread:
        return unread[0]
    return tuple(
        _battery(files, name)
        for name, kind in types.items()
        if kind == "Battery" and files.number(f"{CLASS_FOLDER}/{name}/present") != 0
    )


def _battery(files: Files, name: str) -> Battery:
    folder = f"{CLASS_FOLDER}/{name}"

    def thousandth(attribute: str) -> Maybe[float]:
        value = files.number(f"{folder}/{attribute}")
        return value if isinstance(value, Unknown) else abs(value) / 1000

    return Battery(
        name=name,
        state=_state(files, folder),
        percent=_percent(files, folder),
        energy_mwh=thousandth("energy_now"),
        full_mwh=thousandth("energy_full"),
        design_mwh=thousandth("energy_full_design"),
        charge_mah=thousandth("charge_now"),
        full_mah=thousandth("charge_full"),
        design_mah=thousandth("charge_full_design"),
        draw_mw=thousandth("power_now"),
        draw_ma=thousandth("current_now"),
        cycles=files.number(f"{folder}/cycle_count"),
        runtime_seconds=_runtime_seconds(files, folder),
    )


def _state(files: Files, folder: str) -> Maybe[str]:
    word = files.text(f"{folder}/status")
    if isinstance(word, Unknown):
        return word
    if word == "Unknown":
        return Unknown("the kernel says that it does not know")
    return word.lower()


def _runtime_seconds(files: Files, folder: str) -> Maybe[int]:
    """How long it would last at today's draw: told, or computed from a pair of one kind."""
    state = _state(files, folder)
    if state != "discharging":
        return state if isinstance(state, Unknown) else Unknown("it does not discharge")
    told = files.number(f"{folder}/time_to_empty_now")
    if isinstance(told, int) and told > 0:
        return told
    for level, draw in (("energy_now", "power_now"), ("charge_now", "current_now")):
        left, per_hour = files.number(f"{folder}/{level}"), files.number(f"{folder}/{draw}")
        if isinstance(left, int) and isinstance(per_hour, int) and per_hour and left >= 0:
            return 3600 * left // abs(per_hour)
    return Unknown("its level and its draw are not told in one kind of unit")


def _percent(files: Files, folder: str) -> Maybe[float]:
    told = files.number(f"{folder}/capacity")
    if isinstance(told, Unknown):
        return _computed_percent(files, folder, because=told)
    if not 0 <= told <= 100:
        return Unknown(f"expected 0 to 100 in {folder}/capacity, got {told}")
    if files.number(f"{folder}/capacity_error_margin") == 100:
        return Unknown("the kernel says that its value means nothing: error margin 100 percent")
    return told


def _computed_percent(files: Files, folder: str, because: Unknown) -> Maybe[float]:
    for kind in ("energy", "charge"):
        now = files.number(f"{folder}/{kind}_now")
        full = files.number(f"{folder}/{kind}_full")
        if isinstance(now, int) and isinstance(full, int) and full > 0 and now >= 0:
            # a little above the last full charge is common in a new battery
            return min(100.0, round(100 * now / full, 1))
    return because
