"""Asking Windows itself. The one module that loads what only Windows has; nothing is parsed here.

Every function answers a kind of question of `flashworthy_agent.probes.inputs`, and raises the
`OSError` that Windows gives as the reason. The registry is read in its 64-bit view, whatever this
program is. All of it only reads; the one thing that is changed is this process's own privilege to
read variables of the firmware.
"""

import ctypes
import errno
import sys
import winreg
from collections.abc import Iterator
from contextlib import contextmanager
from ctypes import (
    byref,
    c_int,
    c_uint16,
    c_uint32,
    c_uint64,
    c_void_p,
    create_string_buffer,
    sizeof,
)
from typing import Any

from flashworthy_agent.probes.windows import structures as layout

assert sys.platform == "win32"  # noqa: S101  (for the type checker: so it is read as there)

_kernel = ctypes.WinDLL("kernel32", use_last_error=True)
_VIEW = winreg.KEY_READ | winreg.KEY_WOW64_64KEY
_INVALID_HANDLE = c_void_p(-1).value

# "System Error Codes"
_FILE_NOT_FOUND, _ACCESS_DENIED, _NO_MORE_ITEMS, _VARIABLE_NOT_FOUND = 2, 5, 259, 203


def _error(number: int | None = None) -> OSError:
    number = ctypes.get_last_error() if number is None else number
    if number == _VARIABLE_NOT_FOUND:
        return FileNotFoundError(errno.ENOENT, "the firmware has no such variable")
    return ctypes.WinError(number)


def _handle(function: Any) -> Any:
    """A function that returns a handle: wider than the default, and -1 or 0 where it fails."""
    function.restype = c_void_p
    return function


@contextmanager
def _closing(handle: int | None) -> Iterator[c_void_p]:
    if handle in (None, 0, _INVALID_HANDLE):
        raise _error()
    try:
        yield c_void_p(handle)
    finally:
        _kernel.CloseHandle(c_void_p(handle))


# ---- registry ---------------------------------------------------------------------------------


def registry_value(key: str, name: str) -> list[Any]:
    """Below HKEY_LOCAL_MACHINE: the type by its number, and the value."""
    with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, key, 0, _VIEW) as opened:
        value, kind = winreg.QueryValueEx(opened, name)
    return [kind, value]


def registry_keys(key: str) -> list[str]:
    """The names of the keys below a key."""
    with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, key, 0, _VIEW) as opened:
        count, _, _ = winreg.QueryInfoKey(opened)
        return [winreg.EnumKey(opened, number) for number in range(count)]


# ---- firmware ---------------------------------------------------------------------------------


def firmware_table(provider: str) -> bytes:
    """`GetSystemFirmwareTable function (sysinfoapi.h)`; table 0 of a provider such as RSMB."""
    signature = c_uint32(int.from_bytes(provider.encode("ascii"), "big"))
    size = _kernel.GetSystemFirmwareTable(signature, c_uint32(0), None, c_uint32(0))
    table = create_string_buffer(max(size, 1))
    written = _kernel.GetSystemFirmwareTable(signature, c_uint32(0), table, c_uint32(size))
    if not written or written > size:
        raise _error()
    return table.raw[:written]


def firmware_type() -> int:
    """`GetFirmwareType function (winbase.h)`: a number of FIRMWARE_TYPE."""
    kind = c_uint32()
    if not _kernel.GetFirmwareType(byref(kind)):
        raise _error()
    return kind.value


def firmware_variable(name: str, guid: str) -> bytes:
    """`GetFirmwareEnvironmentVariableW function (winbase.h)`; its value without attributes."""
    _may_read_variables()
    value = create_string_buffer(1024)
    length = _kernel.GetFirmwareEnvironmentVariableW(
        name, f"{{{guid}}}", value, c_uint32(sizeof(value))
    )
    if not length:
        raise _error()
    return value.raw[:length]


def _may_read_variables() -> None:
    """Switch on SE_SYSTEM_ENVIRONMENT_NAME ("Privilege Constants"), which administrators have."""
    advapi = ctypes.WinDLL("advapi32", use_last_error=True)
    token = c_void_p()
    process = c_void_p(_handle(_kernel.GetCurrentProcess)())
    adjust_and_query = 0x20 | 0x8  # "Access Rights for Access-Token Objects"
    if not advapi.OpenProcessToken(process, c_uint32(adjust_and_query), byref(token)):
        raise _error()
    with _closing(token.value):
        enabled = 2  # SE_PRIVILEGE_ENABLED
        privilege = layout.TokenPrivilege(1, 0, 0, enabled)
        found = advapi.LookupPrivilegeValueW(
            None, "SeSystemEnvironmentPrivilege", byref(privilege, 4)
        )
        # it succeeds too where the privilege is not held: the last error alone says so
        if not found or not advapi.AdjustTokenPrivileges(
            token, 0, byref(privilege), 0, None, None
        ) or ctypes.get_last_error():  # fmt: skip
            raise _error()


# ---- power ------------------------------------------------------------------------------------

_BATTERY_CLASS = "72631e54-78a4-11d0-bcf7-00aa00b7b32a"  # GUID_DEVCLASS_BATTERY, Batclass.h
_PRESENT_INTERFACES = 0x2 | 0x10  # DIGCF_PRESENT, DIGCF_DEVICEINTERFACE
# IOCTL_BATTERY_QUERY_TAG, _INFORMATION, _STATUS (Poclass.h)
_TAG, _INFORMATION, _STATUS = 0x294040, 0x294044, 0x29404C
_READ_AND_WRITE, _SHARED, _EXISTING = 0xC0000000, 0x3, 3  # as "Enumerating Battery Devices" opens
_MOST_BATTERIES = 100  # as that page has it


def power_status() -> bytes:
    """`GetSystemPowerStatus function (winbase.h)`: SYSTEM_POWER_STATUS."""
    status = layout.SystemPowerStatus()
    if not _kernel.GetSystemPowerStatus(byref(status)):
        raise _error()
    return bytes(status)


def batteries() -> list[list[bytes]]:
    """Of each battery BATTERY_INFORMATION and BATTERY_STATUS, as "Enumerating Battery Devices"."""
    return [answer for path in _battery_paths() if (answer := _battery(path))]


def _battery_paths() -> list[str]:
    setup = ctypes.WinDLL("setupapi", use_last_error=True)
    kind = layout.Guid.from_buffer_copy(_guid_bytes(_BATTERY_CLASS))
    found = _handle(setup.SetupDiGetClassDevsW)(byref(kind), None, None, _PRESENT_INTERFACES)
    if found in (None, _INVALID_HANDLE):
        raise _error()
    devices = c_void_p(found)
    try:
        return list(_interface_paths(setup, devices, kind))
    finally:
        setup.SetupDiDestroyDeviceInfoList(devices)


def _interface_paths(setup: Any, devices: c_void_p, kind: layout.Guid) -> Iterator[str]:
    for number in range(_MOST_BATTERIES):
        interface = layout.device_interface_data(c_void_p)()
        interface.cb_size = sizeof(interface)
        if not setup.SetupDiEnumDeviceInterfaces(
            devices, None, byref(kind), c_uint32(number), byref(interface)
        ):
            if ctypes.get_last_error() == _NO_MORE_ITEMS:
                return
            raise _error()
        yield _interface_path(setup, devices, interface)


def _interface_path(setup: Any, devices: c_void_p, interface: ctypes.Structure) -> str:
    """SP_DEVICE_INTERFACE_DETAIL_DATA_W: its size without the path behind it, and the path."""
    size = c_uint32()
    setup.SetupDiGetDeviceInterfaceDetailW(devices, byref(interface), None, 0, byref(size), None)
    detail = create_string_buffer(max(size.value, 8))
    fixed_bytes = 8 if sizeof(c_void_p) == 8 else 6  # the header packs it for 32 bits
    ctypes.memmove(detail, fixed_bytes.to_bytes(4, "little"), 4)
    if not setup.SetupDiGetDeviceInterfaceDetailW(
        devices, byref(interface), detail, size, None, None
    ):
        raise _error()
    return layout.text(detail.raw[4:])


def _guid_bytes(text: str) -> bytes:
    first, second, third, *rest = text.split("-")
    swapped = (bytes.fromhex(part)[::-1] for part in (first, second, third))
    return b"".join(swapped) + bytes.fromhex("".join(rest))


def _battery(path: str) -> list[bytes]:
    """Nothing where the slot is empty."""
    create = _handle(_kernel.CreateFileW)
    opened = create(path, c_uint32(_READ_AND_WRITE), _SHARED, None, _EXISTING, 0, None)
    with _closing(opened) as battery:
        wait, tag = c_uint32(0), c_uint32()
        if not _control(battery, _TAG, wait, tag) or not tag.value:
            return []
        query = layout.BatteryQueryInformation(tag.value, 0, 0)  # level 0: BatteryInformation
        information, status = layout.BatteryInformation(), layout.BatteryStatus()
        waiting = layout.BatteryWaitStatus(tag.value, 0, 0, 0, 0)
        if not _control(battery, _INFORMATION, query, information):
            raise _error()
        if not _control(battery, _STATUS, waiting, status):
            raise _error()
    return [bytes(information), bytes(status)]


def _control(device: c_void_p, code: int, given: Any, answer: Any) -> bool:
    """`DeviceIoControl function (ioapiset.h)`."""
    written = c_uint32()
    return bool(_kernel.DeviceIoControl(
        device, c_uint32(code), byref(given), c_uint32(sizeof(given)),
        byref(answer), c_uint32(sizeof(answer)), byref(written), None,
    ))  # fmt: skip


# ---- people and programs ----------------------------------------------------------------------

_LISTENS = 6  # WTS_CONNECTSTATE_CLASS: WTSListen, which waits for others to connect
_SESSION_INFORMATION, _CLIENT_PROTOCOL = 24, 16  # WTS_INFO_CLASS: WTSSessionInfo, ...ProtocolType


def sessions() -> list[list[Any]]:
    """Of each session its protocol (WTSClientProtocolType) and WTSINFOW."""
    wts = ctypes.WinDLL("wtsapi32", use_last_error=True)
    first, count = c_void_p(), c_uint32()
    if not wts.WTSEnumerateSessionsW(None, 0, 1, byref(first), byref(count)):
        raise _error()
    try:
        entry = layout.session_entry(c_void_p)
        entries = (entry * count.value).from_address(first.value or 0) if count.value else ()
        ids = [one.session_id for one in entries if one.state != _LISTENS]
    finally:
        wts.WTSFreeMemory(first)
    return [_session(wts, one) for one in ids]


def _session(wts: Any, session_id: int) -> list[Any]:
    protocol = _session_answer(wts, session_id, _CLIENT_PROTOCOL)
    return [
        c_uint16.from_buffer_copy(protocol).value,
        _session_answer(wts, session_id, _SESSION_INFORMATION),
    ]


def _session_answer(wts: Any, session_id: int, what: int) -> bytes:
    """`WTSQuerySessionInformationW function (wtsapi32.h)`."""
    answer, size = c_void_p(), c_uint32()
    if not wts.WTSQuerySessionInformationW(
        None, c_uint32(session_id), c_int(what), byref(answer), byref(size)
    ):
        raise _error()
    try:
        return ctypes.string_at(answer, size.value)
    finally:
        wts.WTSFreeMemory(answer)


def own_session() -> int:
    """The number of the session in which this program runs."""
    number = c_uint32()
    if not _kernel.ProcessIdToSessionId(_kernel.GetCurrentProcessId(), byref(number)):
        raise _error()
    return number.value


def process_names() -> list[str]:
    """The names of the programs that run, as "Taking a Snapshot and Viewing Processes" has it."""
    snapshot = _handle(_kernel.CreateToolhelp32Snapshot)
    processes = 2  # TH32CS_SNAPPROCESS
    entry = layout.process_entry(c_void_p)()
    entry.dw_size = sizeof(entry)
    names = []
    with _closing(snapshot(c_uint32(processes), c_uint32(0))) as taken:
        more = _kernel.Process32FirstW(taken, byref(entry))
        while more:
            names.append(layout.text(entry.sz_exe_file))
            more = _kernel.Process32NextW(taken, byref(entry))
    return names


def has_mutex(name: str) -> bool:
    """Whether a mutex of that name is there, also where it may not be opened."""
    synchronize = 0x00100000  # "Synchronization Object Security and Access Rights"
    opened = _handle(_kernel.OpenMutexW)(c_uint32(synchronize), 0, name)
    if opened:
        _kernel.CloseHandle(c_void_p(opened))
        return True
    number = ctypes.get_last_error()
    if number in (_FILE_NOT_FOUND, _ACCESS_DENIED):
        return number == _ACCESS_DENIED
    raise _error(number)


def uptime_ms() -> int:
    """`GetTickCount64 function (sysinfoapi.h)`."""
    ticks = _kernel.GetTickCount64
    ticks.restype = c_uint64
    return int(ticks())
