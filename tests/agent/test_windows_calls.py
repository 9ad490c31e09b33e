"""The calls to Windows themselves, made to stand-ins that fill structures as documented.

No real Windows is here: this shows that the calls are put together, ended and refused as they
should be, not that Windows answers so. That is for `capture` on a real PC.
"""

import ctypes
import importlib
import sys
import types

import pytest

from flashworthy_agent.probes.windows import structures as layout
from support import windows_machine as build


class Function:
    """One function of a library: `does` is called with what was passed, out of its wrappers."""

    restype = ctypes.c_int

    def __init__(self, does):
        self._does = does

    def __call__(self, *arguments):
        return self._does(*(getattr(one, "_obj", one) for one in arguments))


class Library:
    """A library of functions, by name; what is asked for and not there fails the test."""

    def __init__(self, **functions):
        for name, does in functions.items():
            setattr(self, name, Function(does))


class Windows:
    """What stands for Windows: its libraries, its registry, and the last error."""

    def __init__(self):
        self.libraries, self.values, self.keys = {}, {}, {}
        self.error, self.closed = 0, []

    def has(self, library, **functions):
        known = self.libraries.setdefault(library, Library())
        for name, does in functions.items():
            setattr(known, name, Function(does))

    def fails(self, number):
        self.error = number
        return 0


def open_key(system):
    class Key:
        def __init__(self, _, name, *rest):
            self.name = name
            if name not in system.keys:
                raise FileNotFoundError(2, "not there")

        def __enter__(self):
            return self

        def __exit__(self, *error):
            pass

    return Key


@pytest.fixture
def windows(monkeypatch):
    """Windows' stand-in, and below `live` the module that calls it."""
    system = Windows()
    system.has("kernel32", CloseHandle=lambda handle: system.closed.append(handle.value) or 1)
    registry = types.SimpleNamespace(
        KEY_READ=1,
        KEY_WOW64_64KEY=2,
        HKEY_LOCAL_MACHINE=3,
        OpenKey=open_key(system),
        QueryValueEx=lambda key, name: system.values[key.name, name],
        QueryInfoKey=lambda key: (len(system.keys[key.name]), 0, 0),
        EnumKey=lambda key, number: system.keys[key.name][number],
    )
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "winreg", registry)
    monkeypatch.setattr(
        ctypes, "WinDLL", lambda name, use_last_error: system.libraries[name], raising=False
    )
    monkeypatch.setattr(ctypes, "get_last_error", lambda: system.error, raising=False)
    monkeypatch.setattr(
        ctypes, "WinError", lambda number: OSError(number, f"error {number}"), raising=False
    )
    name = "flashworthy_agent.probes.windows.live"
    monkeypatch.delitem(sys.modules, name, raising=False)
    system.live = importlib.import_module(name)
    yield system
    sys.modules.pop(name, None)


def fill(structure, octets):
    ctypes.memmove(ctypes.byref(structure), octets, len(octets))
    return 1


def test_the_registry_is_read_by_value_and_by_key(windows):
    windows.keys["A"], windows.values["A", "x"] = ["B", "C"], ("text", 1)

    assert windows.live.registry_value("A", "x") == [1, "text"]
    assert windows.live.registry_keys("A") == ["B", "C"]
    with pytest.raises(FileNotFoundError):
        windows.live.registry_value("Z", "x")


def test_the_firmware_table_is_asked_for_by_its_signature_and_its_size(windows):
    table, asked = build.wrapped(build.TABLE), []

    def get(signature, number, buffer, size):
        asked.append((signature.value, number.value, size.value))
        if buffer is not None:
            ctypes.memmove(buffer, table, len(table))
        return len(table)

    windows.has("kernel32", GetSystemFirmwareTable=get)

    assert windows.live.firmware_table("RSMB") == table
    # "GetSystemFirmwareTable function": 'RSMB', a constant of four characters
    assert asked == [(0x52534D42, 0, 0), (0x52534D42, 0, len(table))]


def test_a_table_that_windows_does_not_give_is_its_error(windows):
    windows.has("kernel32", GetSystemFirmwareTable=lambda *_: windows.fails(1))

    with pytest.raises(OSError, match="error 1"):
        windows.live.firmware_table("RSMB")


def test_the_firmware_type_is_a_number(windows):
    windows.has("kernel32", GetFirmwareType=lambda kind: setattr(kind, "value", 2) or 1)

    assert windows.live.firmware_type() == 2


@pytest.mark.parametrize(
    ("number", "kind"), [(203, FileNotFoundError), (5, OSError), (1314, OSError)]
)
def test_a_variable_is_asked_for_with_the_privilege_that_it_needs(windows, number, kind):
    given = []

    def adjust(token, all_off, privilege, *rest):
        privilege = layout.TokenPrivilege.from_address(ctypes.addressof(privilege))
        given.append((token.value, privilege.luid_low_part, privilege.attributes))
        windows.error = 0
        return 1

    def look_up(system, name, luid):
        # the second argument of `byref` moves past the count, to the LUID
        given.append(name)
        return 1

    def get(name, guid, value, size):
        if name == "SetupMode":
            ctypes.memmove(value, b"\1", 1)
            return 1
        return windows.fails(number)

    windows.has(
        "kernel32", GetCurrentProcess=lambda: 2**64 - 1, GetFirmwareEnvironmentVariableW=get
    )
    windows.has(
        "advapi32",
        LookupPrivilegeValueW=look_up,
        AdjustTokenPrivileges=adjust,
        OpenProcessToken=lambda process, rights, token: setattr(token, "value", 70) or 1,
    )

    assert windows.live.firmware_variable("SetupMode", "g") == b"\1"
    assert given == ["SeSystemEnvironmentPrivilege", (70, 0, 2)]
    assert windows.closed == [70]
    with pytest.raises(kind):
        windows.live.firmware_variable("OsIndications", "g")


def test_whoever_lacks_the_privilege_is_told_by_the_last_error(windows):
    windows.has("kernel32", GetCurrentProcess=lambda: 1)
    # "AdjustTokenPrivileges function": it succeeds, and the last error is ERROR_NOT_ALL_ASSIGNED
    windows.has(
        "advapi32",
        LookupPrivilegeValueW=lambda *_: 1,
        AdjustTokenPrivileges=lambda *_: windows.fails(1300) or 1,
        OpenProcessToken=lambda process, rights, token: setattr(token, "value", 70) or 1,
    )

    with pytest.raises(OSError, match="error 1300"):
        windows.live.firmware_variable("OsIndications", "g")
    assert windows.closed == [70]


def test_the_power_status_is_handed_on_as_it_is(windows):
    told = build.power_status(0, 8, 62, 5400)
    windows.has("kernel32", GetSystemPowerStatus=lambda status: fill(status, told))

    assert windows.live.power_status() == told


@pytest.fixture
def with_batteries(windows):
    """Two slots, the second of them empty."""
    paths = ["\\\\?\\acpi#pnp0c0a#1", "\\\\?\\acpi#pnp0c0a#2"]
    information, status = build.battery(state=2, rate=-9000)
    windows.handles, windows.destroyed = {}, []

    def enumerate_interfaces(devices, device, kind, number, interface):
        assert interface.cb_size == ctypes.sizeof(interface)
        interface.reserved = number.value
        return 1 if number.value < len(paths) else windows.fails(259)

    def detail(devices, interface, told, size, needed, device):
        path = f"{paths[interface.reserved or 0]}\0".encode("utf-16-le")
        if told is None:
            needed.value = 4 + len(path)
            return windows.fails(122)
        assert told.raw[:4] == (8).to_bytes(4, "little")  # the size for 64 bits
        ctypes.memmove(ctypes.addressof(told) + 4, path, len(path))
        return 1

    def create(path, *rest):
        windows.handles[40 + len(windows.handles)] = path
        return 39 + len(windows.handles)

    def control(device, code, given, given_size, answer, answer_size, written, overlapped):
        if code.value == 0x294040:
            is_there = windows.handles[device.value].endswith("1")
            return fill(answer, b"\7\0\0\0") if is_there else windows.fails(2)
        assert given.battery_tag == 7
        return fill(answer, {0x294044: information, 0x29404C: status}[code.value])

    windows.has(
        "setupapi",
        SetupDiGetClassDevsW=lambda *_: 2**33,
        SetupDiEnumDeviceInterfaces=enumerate_interfaces,
        SetupDiGetDeviceInterfaceDetailW=detail,
        SetupDiDestroyDeviceInfoList=lambda devices: windows.destroyed.append(devices.value),
    )
    windows.has("kernel32", CreateFileW=create, DeviceIoControl=control)
    return windows, [information, status]


def test_each_battery_that_is_there_is_asked(with_batteries):
    windows, battery = with_batteries

    assert windows.live.batteries() == [battery]
    assert windows.closed == [40, 41]
    assert windows.destroyed == [2**33]


def test_the_guid_of_the_class_is_laid_out_as_windows_does(with_batteries):
    live = with_batteries[0].live

    kind = layout.Guid.from_buffer_copy(live._guid_bytes(live._BATTERY_CLASS))

    # Batclass.h: 0x72631e54, 0x78A4, 0x11d0, 0xbc, 0xf7, 0x00, 0xaa, 0x00, 0xb7, 0xb3, 0x2a
    assert (kind.data_1, kind.data_2, kind.data_3) == (0x72631E54, 0x78A4, 0x11D0)
    assert bytes(kind.data_4).hex() == "bcf700aa00b7b32a"


def test_each_session_but_the_listening_ones_is_asked_and_every_answer_freed(windows):
    entry, freed = layout.session_entry(ctypes.c_void_p), []
    entries = (entry * 3)(entry(1, None, 0), entry(65536, None, 6), entry(2, None, 4))
    _, information = build.session()
    kept = {16: ctypes.create_string_buffer(b"\2\0", 2),
            24: ctypes.create_string_buffer(information, len(information))}  # fmt: skip
    asked = []

    def enumerate_sessions(server, reserved, version, first, count):
        first.value, count.value = ctypes.addressof(entries), 3
        return 1

    def query(server, number, what, answer, size):
        asked.append((number.value, what.value))
        answer.value, size.value = ctypes.addressof(kept[what.value]), len(kept[what.value].raw)
        return 1

    windows.has(
        "wtsapi32",
        WTSEnumerateSessionsW=enumerate_sessions,
        WTSQuerySessionInformationW=query,
        WTSFreeMemory=lambda memory: freed.append(memory),
    )

    assert windows.live.sessions() == [[2, information], [2, information]]
    assert asked == [(1, 16), (1, 24), (2, 16), (2, 24)]
    assert len(freed) == 5


def test_programs_are_listed_from_a_snapshot(windows):
    names = iter(["System", "explorer.exe"])

    def step(snapshot, entry):
        assert entry.dw_size == 568
        name = next(names, None)
        if name is None:
            return windows.fails(18)
        entry.sz_exe_file = build.letters(name, 260)
        return 1

    windows.has(
        "kernel32",
        CreateToolhelp32Snapshot=lambda kind, process: 90,
        Process32FirstW=step,
        Process32NextW=step,
    )

    assert windows.live.process_names() == ["System", "explorer.exe"]
    assert windows.closed == [90]


def test_a_snapshot_that_fails_is_an_error_not_an_empty_list(windows):
    invalid = ctypes.c_void_p(-1).value  # INVALID_HANDLE_VALUE
    windows.error = 24
    windows.has("kernel32", CreateToolhelp32Snapshot=lambda kind, process: invalid)

    with pytest.raises(OSError, match="error 24"):
        windows.live.process_names()


@pytest.mark.parametrize(
    ("handle", "number", "expected"), [(30, 0, True), (0, 5, True), (0, 2, False)]
)
def test_a_mutex_is_there_also_where_it_may_not_be_opened(windows, handle, number, expected):
    windows.has("kernel32", OpenMutexW=lambda *_: handle or windows.fails(number))

    assert windows.live.has_mutex("Global\\_MSIExecute") is expected


def test_the_rest_is_a_number_each(windows):
    windows.has(
        "kernel32",
        GetTickCount64=lambda: 566_930,
        GetCurrentProcessId=lambda: 7,
        ProcessIdToSessionId=lambda process, number: setattr(number, "value", 3) or 1,
    )

    assert windows.live.uptime_ms() == 566_930
    assert windows.live.own_session() == 3
