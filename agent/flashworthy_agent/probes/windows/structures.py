"""The structures that Windows fills, as its documentation has them; the page is beside each.

They are laid out as its compilers do, whatever system this is, so that answers that were written
down are read anywhere. What Windows calls ULONG and DWORD has 32 bits, WCHAR 16. Structures with
a pointer in them are made for either width of pointer; those only matter while asking.
"""

import ctypes
from ctypes import c_int32, c_int64, c_uint8, c_uint16, c_uint32
from typing import Any, TypeVar

S = TypeVar("S", bound=ctypes.LittleEndianStructure)


class SystemPowerStatus(ctypes.LittleEndianStructure):
    """`SYSTEM_POWER_STATUS (winbase.h)`."""

    _fields_ = (
        ("ac_line_status", c_uint8),
        ("battery_flag", c_uint8),
        ("battery_life_percent", c_uint8),
        ("system_status_flag", c_uint8),
        ("battery_life_time", c_uint32),  # seconds; -1: not known
        ("battery_full_life_time", c_uint32),
    )


class BatteryQueryInformation(ctypes.LittleEndianStructure):
    """`BATTERY_QUERY_INFORMATION (Poclass.h)`."""

    _fields_ = (
        ("battery_tag", c_uint32),
        ("information_level", c_uint32),
        ("at_rate", c_int32),
    )


class BatteryInformation(ctypes.LittleEndianStructure):
    """`BATTERY_INFORMATION (Poclass.h)`; capacities in mWh, unless `capabilities` say relative."""

    _fields_ = (
        ("capabilities", c_uint32),
        ("technology", c_uint8),
        ("reserved", c_uint8 * 3),
        ("chemistry", c_uint8 * 4),
        ("designed_capacity", c_uint32),
        ("full_charged_capacity", c_uint32),
        ("default_alert_1", c_uint32),
        ("default_alert_2", c_uint32),
        ("critical_bias", c_uint32),
        ("cycle_count", c_uint32),
    )


class BatteryWaitStatus(ctypes.LittleEndianStructure):
    """`BATTERY_WAIT_STATUS (Poclass.h)`."""

    _fields_ = (
        ("battery_tag", c_uint32),
        ("timeout", c_uint32),
        ("power_state", c_uint32),
        ("low_capacity", c_uint32),
        ("high_capacity", c_uint32),
    )


class BatteryStatus(ctypes.LittleEndianStructure):
    """`BATTERY_STATUS (Poclass.h)`; capacity in mWh, rate in mW, negative while discharging."""

    _fields_ = (
        ("power_state", c_uint32),
        ("capacity", c_uint32),
        ("voltage", c_uint32),
        ("rate", c_int32),
    )


class SessionInformation(ctypes.LittleEndianStructure):
    """`WTSINFOW (wtsapi32.h)`; times in 100 ns since 1601."""

    _fields_ = (
        ("state", c_uint32),
        ("session_id", c_uint32),
        ("incoming_bytes", c_uint32),
        ("outgoing_bytes", c_uint32),
        ("incoming_frames", c_uint32),
        ("outgoing_frames", c_uint32),
        ("incoming_compressed_bytes", c_uint32),
        ("outgoing_compressed_bytes", c_uint32),
        ("win_station_name", c_uint16 * 32),
        ("domain", c_uint16 * 17),
        ("user_name", c_uint16 * 21),
        ("connect_time", c_int64),
        ("disconnect_time", c_int64),
        ("last_input_time", c_int64),
        ("logon_time", c_int64),
        ("current_time", c_int64),
    )


class Guid(ctypes.LittleEndianStructure):
    """`GUID (guiddef.h)`."""

    _fields_ = (
        ("data_1", c_uint32),
        ("data_2", c_uint16),
        ("data_3", c_uint16),
        ("data_4", c_uint8 * 8),
    )


class TokenPrivilege(ctypes.LittleEndianStructure):
    """`TOKEN_PRIVILEGES (winnt.h)` with one LUID_AND_ATTRIBUTES."""

    _fields_ = (
        ("privilege_count", c_uint32),
        ("luid_low_part", c_uint32),
        ("luid_high_part", c_int32),
        ("attributes", c_uint32),
    )


def device_interface_data(pointer: type) -> type[ctypes.Structure]:
    """`SP_DEVICE_INTERFACE_DATA (setupapi.h)`, for pointers (ULONG_PTR) of a type."""
    fields = (
        ("cb_size", c_uint32),
        ("interface_class_guid", Guid),
        ("flags", c_uint32),
        ("reserved", pointer),
    )
    return type("DeviceInterfaceData", (ctypes.Structure,), {"_fields_": fields})


def process_entry(pointer: type) -> type[ctypes.Structure]:
    """`PROCESSENTRY32W (tlhelp32.h)`; MAX_PATH is 260."""
    fields = (
        ("dw_size", c_uint32),
        ("cnt_usage", c_uint32),
        ("th32_process_id", c_uint32),
        ("th32_default_heap_id", pointer),
        ("th32_module_id", c_uint32),
        ("cnt_threads", c_uint32),
        ("th32_parent_process_id", c_uint32),
        ("pc_pri_class_base", c_int32),
        ("dw_flags", c_uint32),
        ("sz_exe_file", c_uint16 * 260),
    )
    return type("ProcessEntry", (ctypes.Structure,), {"_fields_": fields})


def session_entry(pointer: type) -> type[ctypes.Structure]:
    """`WTS_SESSION_INFOW (wtsapi32.h)`."""
    fields = (("session_id", c_uint32), ("win_station_name", pointer), ("state", c_uint32))
    return type("SessionEntry", (ctypes.Structure,), {"_fields_": fields})


def read(kind: type[S], octets: bytes) -> S | None:
    """The structure that `octets` begin with; none where they are too few."""
    return kind.from_buffer_copy(octets) if len(octets) >= ctypes.sizeof(kind) else None


def text(letters: Any) -> str:
    """The text of an array of WCHAR, up to its zero."""
    return bytes(letters).decode("utf-16-le", "replace").partition("\0")[0]
