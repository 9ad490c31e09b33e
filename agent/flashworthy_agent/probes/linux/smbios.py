"""What SMBIOS says on Linux: the kernel's files by name first, the raw table for the rest.

The kernel gives the usual names to everyone under ``/sys/class/dmi/id``; serials, the UUID and the
raw table only to root. A kernel that was handed no table has neither folder; the program
`dmidecode`, where there is one, is then asked for the table.
"""

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.table_facts import Find
from flashworthy_common.errors import SmbiosError
from flashworthy_common.values import Maybe, Unknown

if TYPE_CHECKING:  # importing it costs more than most probes: see `_parsed`
    from flashworthy_common.smbios import ReleaseNumber, Table

NAMES_FOLDER = "/sys/class/dmi/id"
TABLES_FOLDER = "/sys/firmware/dmi/tables"
NO_TABLE = Unknown("this kernel shows no SMBIOS table")


class Smbios:
    """The SMBIOS facts of one machine, each a value or the reason why it is missing."""

    def __init__(self, access: Access) -> None:
        self._files = access.files
        # why there is no SMBIOS at all; None: there is some
        self.nothing = _why_nothing(access.files)
        self._table_source = "raw SMBIOS table"
        self._table: Maybe[Table] = self.nothing or _read_table(access.files)
        if self.nothing is NO_TABLE and _can_be_searched_for(access):
            self._table_source = "dmidecode"
            self._table = _dumped_table(access)
            self.nothing = self._table if isinstance(self._table, Unknown) else None

    @property
    def source(self) -> str:
        """Where the facts come from, and what is corrupt there."""
        if self.nothing:
            return "SMBIOS"
        if isinstance(self._table, Unknown):
            return NAMES_FOLDER
        problems = self._table.problems
        corrupt = f" (corrupt: {'; '.join(problems[:3])})" if problems else ""
        named = [NAMES_FOLDER] if self._table_source != "dmidecode" else []
        return ", ".join([*named, self._table_source + corrupt])

    def text(self, name: str, in_table: Find) -> Maybe[str]:
        """The text under the kernel's `name`, else what `in_table` finds in the raw table."""
        named = self.nothing or self._files.text(f"{NAMES_FOLDER}/{name}")
        found = self.fact(in_table) if isinstance(named, Unknown) else named
        return self._better_reason(named, found) if isinstance(found, Unknown) else str(found)

    def number(self, name: str, in_table: Find) -> Maybe[int]:
        """The same for a whole number."""
        named = self.nothing or self._files.number(f"{NAMES_FOLDER}/{name}")
        found = self.fact(in_table) if isinstance(named, Unknown) else named
        return self._better_reason(named, found) if isinstance(found, Unknown) else int(found)

    def fact(self, in_table: Find) -> Any:
        """What only the raw table holds."""
        return self._table if isinstance(self._table, Unknown) else in_table(self._table)

    def _better_reason(self, named: Any, found: Unknown) -> Unknown:
        """Of the table where it could be read, for it knows why the kernel shows no name."""
        was_read = not isinstance(self._table, Unknown)
        return found if was_read or not isinstance(named, Unknown) else named


@lru_cache(maxsize=1)
def smbios_of(access: Access) -> Smbios:
    """Read once for all probes of one look, each of which has the same access."""
    return Smbios(access)


def _why_nothing(files: Files) -> Unknown | None:
    if not (files.is_absent(NAMES_FOLDER) and files.is_absent(f"{TABLES_FOLDER}/DMI")):
        return None
    shown = files.names("/sys")
    is_running = files.is_live or (not isinstance(shown, Unknown) and shown)
    return NO_TABLE if is_running else ANOTHER_ROOT  # the /sys of an offline disk is empty


def _read_table(files: Files) -> "Maybe[Table]":
    entry = files.content(f"{TABLES_FOLDER}/smbios_entry_point")
    table = files.content(f"{TABLES_FOLDER}/DMI")
    if isinstance(table, Unknown):
        return table
    from flashworthy_common.smbios import parse_entry_point

    try:
        version = entry if isinstance(entry, Unknown) else parse_entry_point(entry).version
    except SmbiosError as error:
        version = Unknown(str(error))
    return _parsed(table, version)


def _can_be_searched_for(access: Access) -> bool:
    """The program finds what the kernel does not show in the machine's memory alone."""
    return access.files.is_there("/dev/mem") and access.programs.has("dmidecode")


def _dumped_table(access: Access) -> "Maybe[Table]":
    from flashworthy_agent.probes.linux.dmidecode import dumped_table  # late: the last source

    found = dumped_table(access.programs)
    if isinstance(found, Unknown):
        return Unknown(f"{NO_TABLE.because}; {found.because}")
    version, table = found
    return _parsed(table, version)


def _parsed(table: bytes, version: "Maybe[ReleaseNumber]") -> "Maybe[Table]":
    from flashworthy_common.smbios import parse_table  # late: many may not read a table

    try:
        return parse_table(table, version)
    except SmbiosError as error:
        return Unknown(str(error))
