"""The versions of the drivers and programs that somebody asks for by name.

A driver is known by the description that the device manager shows, a program by the name under
which it can be uninstalled; capital letters make no difference, and a part of a name is no match.
"""

from collections.abc import Iterator

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.windows.system import CURRENT_CONTROL, System
from flashworthy_common.report import InstalledVersion, SoftwareSection
from flashworthy_common.values import Maybe, Unknown

# "Overview of Registry Trees and Keys" (drivers): a key for each class, and below it each driver
DRIVERS_KEY = rf"{CURRENT_CONTROL}\Class"
# "Uninstall Registry Key", for programs of 64 and of 32 bits
PROGRAM_KEYS = (
    r"SOFTWARE\Microsoft\Windows\CurrentVersion\Uninstall",
    r"SOFTWARE\WOW6432Node\Microsoft\Windows\CurrentVersion\Uninstall",
)
_NONE = Unknown("there is neither a driver nor a program of that name")


def look_for_versions(access: Access) -> SoftwareSection:
    """The section with nothing but these versions."""
    found: dict[str, Maybe[str]] = {}
    if access.look_for:
        system = System(access.inputs)
        found = {name.casefold(): version for name, version in (*_programs(system),
                                                                *_drivers(system))}  # fmt: skip
    return SoftwareSection(
        installed=tuple(
            InstalledVersion(name=name, version_text=found.get(name.casefold(), _NONE))
            for name in access.look_for
        )
    )


def _drivers(system: System) -> Iterator[tuple[str, Maybe[str]]]:
    for kind in _below(system, DRIVERS_KEY):
        for number in _below(system, rf"{DRIVERS_KEY}\{kind}"):
            key = rf"{DRIVERS_KEY}\{kind}\{number}"
            name = system.text(key, "DriverDesc") if number.isdecimal() else _NONE
            if isinstance(name, str):
                yield name, system.text(key, "DriverVersion")


def _programs(system: System) -> Iterator[tuple[str, Maybe[str]]]:
    for place in PROGRAM_KEYS:
        for name in _below(system, place):
            shown = system.text(rf"{place}\{name}", "DisplayName")
            if isinstance(shown, str):
                yield shown, system.text(rf"{place}\{name}", "DisplayVersion")


def _below(system: System, key: str) -> list[str]:
    keys = system.keys(key)
    return [] if isinstance(keys, Unknown) else keys
