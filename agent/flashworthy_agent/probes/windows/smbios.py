"""What SMBIOS says on Windows: the raw table, behind a header of eight bytes."""

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.table_facts import Find
from flashworthy_agent.probes.windows.system import System
from flashworthy_common.errors import SmbiosError
from flashworthy_common.values import Maybe, Unknown

if TYPE_CHECKING:
    from flashworthy_common.smbios import Table

SOURCE = "raw SMBIOS table (GetSystemFirmwareTable)"


@lru_cache(maxsize=1)
def table_of(access: Access) -> "Maybe[Table]":
    """Read once for all probes of one look."""
    octets = System(access.inputs).answer("firmware table", "RSMB")
    if isinstance(octets, Unknown):
        return octets
    from flashworthy_common.smbios import parse_table, unwrap_firmware_table

    try:
        version, table = unwrap_firmware_table(octets)
        return parse_table(table, version)
    except SmbiosError as error:
        return Unknown(str(error))


def fact(access: Access, find: Find) -> Any:
    table = table_of(access)
    return table if isinstance(table, Unknown) else find(table)


def text(access: Access, find: Find) -> Maybe[str]:
    """A fact as text; release numbers are more than texts in the table."""
    found = fact(access, find)
    return found if isinstance(found, Unknown) else str(found)


def source(access: Access) -> str:
    """Where the facts come from, and what is corrupt there."""
    table = table_of(access)
    problems = () if isinstance(table, Unknown) else table.problems
    return SOURCE + (f" (corrupt: {'; '.join(problems[:3])})" if problems else "")
