"""Structures, script and system calls of Windows, held against parsers and compilers from outside.

Sizes and offsets: by hand from the documentation's C, by C's rules; and, where they are installed,
by two compilers for Windows from their own headers (mingw-w64), for 32 and for 64 bits.
"""

import ctypes
import re
import shutil
import subprocess

import pytest
import tree_sitter
import tree_sitter_powershell

from flashworthy_agent.probes.windows import structures as layout
from flashworthy_agent.probes.windows.script import SCRIPTS

POINTERS = {32: ctypes.c_uint32, 64: ctypes.c_uint64}

# Ours, theirs, and the size for 32 and for 64 bits: by hand, at natural alignment.
STRUCTURES = {
    "SYSTEM_POWER_STATUS": (lambda _: layout.SystemPowerStatus, 12, 12),
    "BATTERY_QUERY_INFORMATION": (lambda _: layout.BatteryQueryInformation, 12, 12),
    "BATTERY_INFORMATION": (lambda _: layout.BatteryInformation, 36, 36),
    "BATTERY_WAIT_STATUS": (lambda _: layout.BatteryWaitStatus, 20, 20),
    "BATTERY_STATUS": (lambda _: layout.BatteryStatus, 16, 16),
    # 8 * 4 + 2 * (32 + 17 + 21) = 172, then 4 to a multiple of 8, and 5 * 8
    "WTSINFOW": (lambda _: layout.SessionInformation, 216, 216),
    "GUID": (lambda _: layout.Guid, 16, 16),
    "TOKEN_PRIVILEGES": (lambda _: layout.TokenPrivilege, 16, 16),
    "SP_DEVICE_INTERFACE_DATA": (layout.device_interface_data, 28, 32),
    "PROCESSENTRY32W": (layout.process_entry, 556, 568),
    "WTS_SESSION_INFOW": (layout.session_entry, 12, 24),
}
# Where our name of a field is not the documentation's in small letters with bars between words.
THEIR_NAMES = {
    "ac_line_status": "ACLineStatus",
    "system_status_flag": "Reserved1",  # so called before Windows 10, says its page
    "sz_exe_file": "szExeFile",
    "th32_process_id": "th32ProcessID",
    "th32_default_heap_id": "th32DefaultHeapID",
    "th32_module_id": "th32ModuleID",
    "th32_parent_process_id": "th32ParentProcessID",
    "win_station_name": {"WTSINFOW": "WinStationName", "WTS_SESSION_INFOW": "pWinStationName"},
    "luid_low_part": "Privileges[0].Luid.LowPart",
    "luid_high_part": "Privileges[0].Luid.HighPart",
    "attributes": "Privileges[0].Attributes",
    "default_alert_1": "DefaultAlert1",
    "default_alert_2": "DefaultAlert2",
    "data_1": "Data1", "data_2": "Data2", "data_3": "Data3", "data_4": "Data4",
}  # fmt: skip
PREFIXES = ("dw", "cnt", "pc", "cb")  # small where the documentation has them


def their_name(structure, ours):
    named = THEIR_NAMES.get(ours)
    if named:
        return named[structure] if isinstance(named, dict) else named
    first, *rest = ours.split("_")
    start = first if first in PREFIXES else first.capitalize()
    if structure == "SP_DEVICE_INTERFACE_DATA" and ours in ("flags", "reserved"):
        return ours.capitalize()
    return start + "".join("Id" if word == "id" else word.capitalize() for word in rest)


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("name", STRUCTURES)
def test_a_structure_has_its_documented_size(name, bits):
    make, *sizes = STRUCTURES[name]

    assert ctypes.sizeof(make(POINTERS[bits])) == sizes[bits == 64]


COMPILERS = {32: "i686-w64-mingw32-gcc", 64: "x86_64-w64-mingw32-gcc"}
HEADERS = ("windows.h", "winioctl.h", "initguid.h", "poclass.h", "setupapi.h", "tlhelp32.h",
           "wtsapi32.h")  # fmt: skip


@pytest.mark.system
@pytest.mark.skipif(not shutil.which(COMPILERS[32]), reason="no compiler for Windows is there")
@pytest.mark.parametrize("bits", [32, 64])
def test_two_compilers_for_windows_lay_every_field_out_as_we_do(tmp_path, bits):
    lines = [f"#include <{header}>" for header in HEADERS]
    for name, (make, *_) in STRUCTURES.items():
        kind = make(POINTERS[bits])
        lines.append(f'_Static_assert(sizeof({name}) == {ctypes.sizeof(kind)}, "{name}");')
        for field, *_ in kind._fields_:
            theirs, at = their_name(name, field), getattr(kind, field).offset
            lines.append(f"_Static_assert(__builtin_offsetof({name}, {theirs}) == {at}, "
                         f'"{name}.{theirs}");')  # fmt: skip
    lines += [f"_Static_assert({constant} == {number}, \"{constant}\");"
              for constant, number in CONSTANTS.items()]  # fmt: skip
    source = tmp_path / "layout.c"
    source.write_text("\n".join(lines) + "\n")

    done = subprocess.run(
        [COMPILERS[bits], "-D_WIN32_WINNT=0x0A00", "-fsyntax-only", source],
        capture_output=True, text=True,
    )  # fmt: skip

    assert done.stderr == ""


# The numbers that `live` and the parsers go by, by the headers' names.
CONSTANTS = {
    "IOCTL_BATTERY_QUERY_TAG": 0x294040,
    "IOCTL_BATTERY_QUERY_INFORMATION": 0x294044,
    "IOCTL_BATTERY_QUERY_STATUS": 0x29404C,
    "BATTERY_SYSTEM_BATTERY": 0x80000000,
    "BATTERY_CAPACITY_RELATIVE": 0x40000000,
    "BATTERY_IS_SHORT_TERM": 0x20000000,
    "BATTERY_POWER_ON_LINE": 1,
    "BATTERY_DISCHARGING": 2,
    "BATTERY_CHARGING": 4,
    "(ULONG) BATTERY_UNKNOWN_CAPACITY": 0xFFFFFFFF,
    "(LONG) BATTERY_UNKNOWN_RATE": -0x80000000,
    "DIGCF_PRESENT | DIGCF_DEVICEINTERFACE": 0x12,
    "GENERIC_READ | GENERIC_WRITE": 0xC0000000,
    "WTSSessionInfo": 24,
    "WTSClientProtocolType": 16,
    "WTSListen": 6,
    "TH32CS_SNAPPROCESS": 2,
    "TOKEN_ADJUST_PRIVILEGES | TOKEN_QUERY": 0x28,
    "SE_PRIVILEGE_ENABLED": 2,
    "ERROR_ENVVAR_NOT_FOUND": 203,
    "ERROR_NO_MORE_ITEMS": 259,
    "FirmwareTypeBios": 1,
    "FirmwareTypeUefi": 2,
    "REG_SZ": 1, "REG_EXPAND_SZ": 2, "REG_BINARY": 3, "REG_DWORD": 4, "REG_MULTI_SZ": 7,
    "REG_QWORD": 11,
    "SYNCHRONIZE": 0x00100000,
    "sizeof(SP_DEVICE_INTERFACE_DETAIL_DATA_W)": "(sizeof(void *) == 8 ? 8 : 6)",
}  # fmt: skip


# ---- the script -------------------------------------------------------------------------------


def nodes(tree, *kinds):
    found, waiting = [], [tree]
    while waiting:
        node = waiting.pop()
        waiting += node.children
        if node.type in kinds or "any" in kinds:
            found.append(node)
    return found


@pytest.fixture(params=SCRIPTS)
def tree(request):
    """The script as a parser of its language reads it."""
    language = tree_sitter.Language(tree_sitter_powershell.language())
    return tree_sitter.Parser(language).parse(SCRIPTS[request.param].encode()).root_node


def test_the_script_is_powershell(tree):
    wrong = [node.text for node in nodes(tree, "any") if node.type == "ERROR" or node.is_missing]

    assert wrong == []
    assert not tree.has_error


def test_the_script_only_reads(tree):
    commands = {node.text.decode() for node in nodes(tree, "command_name")}
    calls = [node.text.decode() for node in nodes(tree, "invokation_expression")]
    methods = {re.search(r"\.(\w+)\([^.]*\)$", call)[1] for call in calls}
    asked = set(re.findall(r"Ask \$volume '(\w+)'", tree.text.decode()))

    assert commands == {"Tell", "Ask", "ConvertTo-Json", "New-Object", "Get-CimInstance",
                        "Invoke-CimMethod", "ForEach-Object", "Where-Object"}  # fmt: skip
    assert methods <= {"CreateUpdateSearcher", "Search", "ToString"}
    assert asked == {"GetKeyProtectors", "GetKeyProtectorType", "GetConversionStatus",
                     "GetProtectionStatus", "GetSuspendCount"}  # fmt: skip
    assert "NumericalPassword" not in tree.text.decode()  # the recovery key itself
