"""The raw SMBIOS table of any platform (bytes) -> facts, after DMTF DSP0134.

Pure: whoever reads the bytes from the machine passes them in. Rules:

- Types 0, 1, 2, 3, 22, 39 and 45 are decoded; inactive (126) and makers' own types (128 to 255) are
  skipped, and reading stops at the end marker (127). [§6.2, §7]
- A field beyond a structure's formatted length is unknown, never "no" or zero: an older table is
  shorter. A longer structure than known is read as far as known. [§6.1.2]
- String 0 is *no string*; an index past the set is corrupt; only blanks are missing. [§6.1.3]
- Bytes outside UTF-8 survive as U+FFFD, and the table's `problems` say so.
- A length that cannot be true ends the reading: what came before is kept, and `problems` say why.
- A code that its table does not list, or that stands for *unknown*, is unknown.
- Placeholders are kept as text; `flashworthy_common.makers` knows them.

Names of codes: DSP0134 3.8; the clause stands beside each field.
"""

import struct
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from itertools import takewhile
from typing import Any, NamedTuple, TypeVar

from flashworthy_common.errors import SmbiosError
from flashworthy_common.ids import uuid_text
from flashworthy_common.records import record
from flashworthy_common.values import Unknown

T = TypeVar("T")

_NO_STRING = Unknown("no string is given")
_BLANK = Unknown("only blanks are given")
_TOO_SHORT = Unknown("the structure ends before this field")
_NOT_SUPPORTED = Unknown("the firmware does not support this field")


class ReleaseNumber(NamedTuple):
    """A pair of numbers, compared as numbers: 1.9 is before 1.10."""

    major: int
    minor: int

    def __str__(self) -> str:
        return f"{self.major}.{self.minor}"


@record
class EntryPoint:
    """Where a table says what it is. [§5.2]"""

    version: ReleaseNumber  # of the SMBIOS standard that the table follows
    table_bytes: int  # its length; of a 64-bit entry point the greatest it may be


@record
class FirmwareInformation:
    """Type 0. [§7.1]"""

    vendor: str | Unknown  # 04h
    version_text: str | Unknown  # 05h, free form
    release_date_text: str | Unknown  # 08h
    rom_bytes: int | Unknown  # 09h, from 16 MiB on 18h (§7.1.1, since 3.1)
    is_flash_upgradeable: bool | Unknown  # 0Ah bit 11 (§7.1.2)
    supports_uefi: bool | Unknown  # 13h bit 3 (§7.1.2.2)
    is_virtual_machine: bool | Unknown  # 13h bit 4
    supports_manufacturing_mode: bool | Unknown  # 13h bit 5
    is_in_manufacturing_mode: bool | Unknown  # 13h bit 6
    system_release: ReleaseNumber | Unknown  # 14h, 15h
    controller_release: ReleaseNumber | Unknown  # 16h, 17h, of the embedded controller


@record
class SystemInformation:
    """Type 1. [§7.2]"""

    maker: str | Unknown  # 04h
    product: str | Unknown  # 05h
    version_text: str | Unknown  # 06h
    serial: str | Unknown  # 07h
    uuid: str | Unknown  # 08h (§7.2.1), as text
    wake_up: str | Unknown  # 18h (§7.2.2)
    sku: str | Unknown  # 19h, since 2.4
    family: str | Unknown  # 1Ah, since 2.4


@record
class Baseboard:
    """Type 2. [§7.3]"""

    maker: str | Unknown  # 04h
    product: str | Unknown  # 05h
    version_text: str | Unknown  # 06h
    serial: str | Unknown  # 07h
    asset_tag: str | Unknown  # 08h
    is_hosting_board: bool | Unknown  # 09h bit 0 (§7.3.1)
    chassis_handle: int | Unknown  # 0Bh
    board_type: str | Unknown  # 0Dh (§7.3.2)


@record
class Chassis:
    """Type 3. [§7.4]"""

    handle: int
    maker: str | Unknown  # 04h
    type_code: int | Unknown  # 05h bits 6:0 (§7.4.1); `CHASSIS_TYPES` names it
    has_lock: bool | Unknown  # 05h bit 7
    version_text: str | Unknown  # 06h
    serial: str | Unknown  # 07h
    asset_tag: str | Unknown  # 08h
    boot_up_state: str | Unknown  # 09h (§7.4.2)
    power_supply_state: str | Unknown  # 0Ah
    thermal_state: str | Unknown  # 0Bh
    sku: str | Unknown  # 15h + contained elements, since 2.7


@record
class PortableBattery:
    """Type 22: what a battery was designed to hold; it says nothing of today's charge. [§7.23]"""

    location: str | Unknown  # 04h
    maker: str | Unknown  # 05h
    made_on_text: str | Unknown  # 06h
    serial: str | Unknown  # 07h
    name: str | Unknown  # 08h
    chemistry: str | Unknown  # 09h (§7.23.1), else 14h
    design_mwh: int | Unknown  # 0Ah times 15h
    design_mv: int | Unknown  # 0Ch
    max_error_percent: int | Unknown  # 0Fh
    made_on: date | Unknown  # 12h, of smart batteries


@record
class PowerSupply:
    """Type 39. [§7.40]"""

    redundancy_group: int | Unknown  # 04h; 0: not redundant
    location: str | Unknown  # 05h
    name: str | Unknown  # 06h
    maker: str | Unknown  # 07h
    serial: str | Unknown  # 08h
    asset_tag: str | Unknown  # 09h
    model: str | Unknown  # 0Ah
    revision: str | Unknown  # 0Bh
    max_watts: int | Unknown  # 0Ch
    is_hot_replaceable: bool | Unknown  # 0Eh bit 0 (§7.40.1)
    is_present: bool | Unknown  # 0Eh bit 1
    is_unplugged: bool | Unknown  # 0Eh bit 2
    status: str | Unknown  # 0Eh bits 9:7
    supply_type: str | Unknown  # 0Eh bits 13:10


@record
class FirmwareInventory:
    """Type 45: firmware of one component, since 3.5. [§7.46]"""

    name: str | Unknown  # 04h
    version_text: str | Unknown  # 05h
    version_format: str | Unknown  # 06h (§7.46.1)
    firmware_id: str | Unknown  # 07h
    id_format: str | Unknown  # 08h (§7.46.2); a UEFI GUID is the class of the ESRT
    release_date_text: str | Unknown  # 09h
    maker: str | Unknown  # 0Ah
    lowest_supported_text: str | Unknown  # 0Bh, in the version's format
    image_bytes: int | Unknown  # 0Ch
    is_updatable: bool | Unknown  # 14h bit 0 (§7.46.3)
    is_write_protected: bool | Unknown  # 14h bit 1
    state: str | Unknown  # 16h (§7.46.4)
    component_handles: tuple[int, ...] | Unknown  # 17h, 18h


@record
class Table:
    """What one table says; structures of one type in the table's order."""

    firmware: FirmwareInformation | Unknown
    system: SystemInformation | Unknown
    boards: tuple[Baseboard, ...]
    all_chassis: tuple[Chassis, ...]
    batteries: tuple[PortableBattery, ...]
    power_supplies: tuple[PowerSupply, ...]
    inventory: tuple[FirmwareInventory, ...]
    problems: tuple[str, ...]  # what is corrupt, in words

    @property
    def board(self) -> Baseboard | Unknown:
        """The board that hosts the system: the one flagged so, else a motherboard, else the first.

        Firmware with one board often leaves the flag unset.
        """
        hosting = [board for board in self.boards if board.is_hosting_board is True]
        mothers = [board for board in self.boards if board.board_type == _MOTHERBOARD]
        return next(iter([*hosting, *mothers, *self.boards]), _absent(_BASEBOARD))

    @property
    def chassis(self) -> Chassis | Unknown:
        """The chassis that the hosting board names by its handle, else the first."""
        board = self.board
        handle = None if isinstance(board, Unknown) else board.chassis_handle
        named = [chassis for chassis in self.all_chassis if chassis.handle == handle]
        return next(iter([*named, *self.all_chassis]), _absent(_CHASSIS))


# ---- names of codes ---------------------------------------------------------------------------

CHASSIS_TYPES = dict(
    enumerate(
        (
            "Other", "Unknown", "Desktop", "Low Profile Desktop", "Pizza Box", "Mini Tower",
            "Tower", "Portable", "Laptop", "Notebook", "Hand Held", "Docking Station",
            "All in One", "Sub Notebook", "Space-saving", "Lunch Box", "Main Server Chassis",
            "Expansion Chassis", "SubChassis", "Bus Expansion Chassis", "Peripheral Chassis",
            "RAID Chassis", "Rack Mount Chassis", "Sealed-case PC", "Multi-system chassis",
            "Compact PCI", "Advanced TCA", "Blade", "Blade Enclosure", "Tablet", "Convertible",
            "Detachable", "IoT Gateway", "Embedded PC", "Mini PC", "Stick PC",
        ),
        start=1,
    )
)  # fmt: skip
"""Names of chassis types 1 to 36. [§7.4.1]"""

_UNKNOWN = "Unknown"
_MOTHERBOARD = "Motherboard"
_WAKE_UP = ("Reserved", "Other", _UNKNOWN, "APM Timer", "Modem Ring", "LAN Remote", "Power Switch",
            "PCI PME#", "AC Power Restored")  # fmt: skip
_BOARD_TYPES = (None, _UNKNOWN, "Other", "Server Blade", "Connectivity Switch",
                "System Management Module", "Processor Module", "I/O Module", "Memory Module",
                "Daughter board", _MOTHERBOARD, "Processor/Memory Module", "Processor/IO Module",
                "Interconnect board")  # fmt: skip
_CHASSIS_STATES = (None, "Other", _UNKNOWN, "Safe", "Warning", "Critical", "Non-recoverable")
_CHEMISTRIES = (None, "Other", _UNKNOWN, "Lead Acid", "Nickel Cadmium", "Nickel metal hydride",
                "Lithium-ion", "Zinc air", "Lithium Polymer")  # fmt: skip
_SUPPLY_STATUS = (None, "Other", _UNKNOWN, "OK", "Non-critical", "Critical")
_SUPPLY_TYPES = (None, "Other", _UNKNOWN, "Linear", "Switching", "Battery", "UPS", "Converter",
                 "Regulator")  # fmt: skip
_VERSION_FORMATS = ("free-form", "MAJOR.MINOR", "32-bit hexadecimal", "64-bit hexadecimal")
_ID_FORMATS = ("free-form", "UEFI GUID")
_INVENTORY_STATES = (None, "Other", _UNKNOWN, "Disabled", "Enabled", "Absent", "Standby offline",
                     "Standby spare", "Unavailable offline")  # fmt: skip


def _name_of(code: int | Unknown, names: Sequence[str | None]) -> str | Unknown:
    if isinstance(code, Unknown):
        return code
    name = names[code] if code < len(names) else None
    if name is None:
        return Unknown(f"code {code} is not in the standard's list")
    return Unknown("the firmware says that it does not know") if name == _UNKNOWN else name


# ---- entry points and wrappers ----------------------------------------------------------------

# Versions that firmware misspelled, corrected as the Linux kernel does (dmi_scan.c).
_MISSPELLED_VERSIONS = {
    (2, 31): ReleaseNumber(2, 3),
    (2, 33): ReleaseNumber(2, 3),
    (2, 51): ReleaseNumber(2, 6),
}


def parse_entry_point(data: bytes) -> EntryPoint:
    """The version and table length from a 32-bit (`_SM_`) or 64-bit (`_SM3_`) entry point.

    Raises:
        SmbiosError: neither anchor, cut short, or the checksum is wrong. [§5.2.1, §5.2.2]
    """
    if data.startswith(b"_SM3_"):
        _require_sound(data, length_at=6, least=0x18)
        (table_bytes,) = struct.unpack_from("<I", data, 0x0C)
        return EntryPoint(version=_version(data[7], data[8]), table_bytes=table_bytes)
    if data.startswith(b"_SM_"):
        # A known slip of version 2.1 gives 1Eh for the length of the 1Fh bytes.
        _require_sound(data, length_at=5, least=0x1E)
        (table_bytes,) = struct.unpack_from("<H", data, 0x16)
        return EntryPoint(version=_version(data[6], data[7]), table_bytes=table_bytes)
    raise SmbiosError(f"expected an entry point beginning _SM_ or _SM3_, got {data[:8]!r}")


def unwrap_firmware_table(data: bytes) -> tuple[ReleaseNumber, bytes]:
    """Version and table out of the eight-byte header that Windows puts before a raw table.

    Its bytes: calling method, major, minor, revision, then the table's length (little-endian).

    Raises:
        SmbiosError: shorter than that header.
    """
    if len(data) < 8:
        raise SmbiosError(f"expected a header of 8 bytes before the table, got {len(data)} bytes")
    (length,) = struct.unpack_from("<I", data, 4)
    return _version(data[1], data[2]), data[8 : 8 + length]


def _require_sound(data: bytes, length_at: int, least: int) -> None:
    if len(data) < least or not least <= data[length_at] <= len(data):
        raise SmbiosError(f"expected an entry point of {least} bytes or more, got {data[:40]!r}")
    if sum(data[: data[length_at]]) % 256:
        raise SmbiosError(f"expected entry point bytes that sum to 0, got {data[:40]!r}")


def _version(major: int, minor: int) -> ReleaseNumber:
    return _MISSPELLED_VERSIONS.get((major, minor), ReleaseNumber(major, minor))


# ---- structures -------------------------------------------------------------------------------

_END = 127
_FIRMWARE, _SYSTEM, _BASEBOARD, _CHASSIS, _BATTERY, _SUPPLY, _INVENTORY = 0, 1, 2, 3, 22, 39, 45
_HEADER_BYTES = 4  # type, length, handle [§6.1.2]
_LONGEST_SHOWN = 60  # bytes of a string in a problem


class _Structure:
    """One structure: its fields by offset, each a value or why there is none."""

    def __init__(self, formatted: bytes, strings: tuple[bytes, ...], problems: list[str]) -> None:
        self.type, _, self.handle = struct.unpack_from("<BBH", formatted)
        self._formatted = formatted
        self._strings = strings
        self._problems = problems

    def number(self, offset: int, size: int = 1) -> int | Unknown:
        """The little-endian number of `size` bytes at `offset`."""
        if offset + size > len(self._formatted):
            return _TOO_SHORT
        return int.from_bytes(self._formatted[offset : offset + size], "little")

    def octets(self, offset: int, size: int) -> bytes | Unknown:
        octets = self._formatted[offset : offset + size]
        return octets if len(octets) == size else _TOO_SHORT

    def flag(self, offset: int, bit: int, size: int = 1) -> bool | Unknown:
        return _map(self.number(offset, size), lambda flags: bool(flags >> bit & 1))

    def text(self, offset: int) -> str | Unknown:
        """The string whose index stands at `offset`, without blanks around it."""
        index = self.number(offset)
        if isinstance(index, Unknown):
            return index
        if index == 0:
            return _NO_STRING
        if index > len(self._strings):
            return Unknown(f"corrupt: string {index} of a set of {len(self._strings)}")
        return self._decoded(self._strings[index - 1]).strip() or _BLANK

    def _decoded(self, octets: bytes) -> str:
        try:
            return octets.decode()
        except UnicodeDecodeError:
            shown = octets[:_LONGEST_SHOWN]
            self._problems.append(f"type {self.type}: bytes outside UTF-8 replaced in {shown!r}")
            return octets.decode(errors="replace")


def _structures(data: bytes, problems: list[str]) -> Iterator[_Structure]:
    """Every structure up to the end marker or the first broken one. [§6.1.2, §6.1.3]"""
    position = 0
    while position + _HEADER_BYTES <= len(data):
        kind, length = data[position], data[position + 1]
        if length < _HEADER_BYTES:
            problems.append(
                f"the structure at byte {position} gives its length as {length}: broken off"
            )
            return
        strings_at = position + length
        end = data.find(b"\0\0", strings_at)
        if end < 0:
            problems.append(f"the structure at byte {position} (type {kind}) is cut short")
            end = len(data)
        found = data[strings_at:end].split(b"\0")
        yield _Structure(data[position:strings_at], tuple(takewhile(len, found)), problems)
        if kind == _END:
            return
        position = end + 2
    problems.append(f"the table ends at byte {len(data)} without its end marker (type {_END})")


def parse_table(data: bytes, version: ReleaseNumber | Unknown) -> Table:
    """What the structures of a raw table say.

    Args:
        version: of the standard that the table follows, from its entry point; it decides the byte
            order of the UUID.

    Raises:
        SmbiosError: `data` is empty.
    """
    if not data:
        raise SmbiosError("expected the bytes of an SMBIOS table, got none")
    problems: list[str] = []
    found: dict[int, list[Any]] = {kind: [] for kind in _DECODERS}
    for structure in _structures(data, problems):
        if structure.type in _DECODERS:
            found[structure.type].append(_DECODERS[structure.type](structure, version))
    return Table(
        firmware=_first(found, _FIRMWARE),
        system=_first(found, _SYSTEM),
        boards=tuple(found[_BASEBOARD]),
        all_chassis=tuple(found[_CHASSIS]),
        batteries=tuple(found[_BATTERY]),
        power_supplies=tuple(found[_SUPPLY]),
        inventory=tuple(found[_INVENTORY]),
        problems=tuple(problems),
    )


# Where structures name one specimen: serial numbers and asset tags. [§7.2 to §7.5, §7.18, ...]
_SPECIMENS = {1: (0x07,), 2: (0x07, 0x08), 3: (0x07, 0x08), 4: (0x20, 0x21), 17: (0x18, 0x19),
              22: (0x07,), 39: (0x08, 0x09)}  # fmt: skip


def specimen_names(data: bytes) -> tuple[str, ...]:
    """What in a table tells this machine and its parts from others of their kind.

    Those are the serial numbers and asset tags of system, board, chassis, processors, memory,
    batteries and power supplies, as they stand; the system's UUID is a field of `parse_table`.
    """
    found = (
        structure.text(offset)
        for structure in _structures(data, [])
        for offset in _SPECIMENS.get(structure.type, ())
    )
    return tuple(sorted({text for text in found if not isinstance(text, Unknown)}))


def _first(found: dict[int, list[Any]], kind: int) -> Any:
    return next(iter(found[kind]), _absent(kind))


def _absent(kind: int) -> Unknown:
    return Unknown(f"the table holds no structure of type {kind}")


def _map(value: int | Unknown, change: Callable[[int], T]) -> T | Unknown:
    return value if isinstance(value, Unknown) else change(value)


# ---- type 0 -----------------------------------------------------------------------------------

_ROM_UNIT_BYTES = 64 * 1024
_SEE_EXTENDED_SIZE = 0xFF  # the ROM is of 16 MiB or more
_MIB, _GIB = 2**20, 2**30


def _firmware(structure: _Structure, _: object) -> FirmwareInformation:
    return FirmwareInformation(
        vendor=structure.text(0x04),
        version_text=structure.text(0x05),
        release_date_text=structure.text(0x08),
        rom_bytes=_rom_bytes(structure),
        is_flash_upgradeable=_characteristic(structure, bit=11),
        supports_uefi=structure.flag(0x13, 3),
        is_virtual_machine=structure.flag(0x13, 4),
        supports_manufacturing_mode=structure.flag(0x13, 5),
        is_in_manufacturing_mode=structure.flag(0x13, 6),
        system_release=_release(structure, 0x14),
        controller_release=_release(structure, 0x16),
    )


def _characteristic(structure: _Structure, bit: int) -> bool | Unknown:
    """Bit 3 says that the other bits mean nothing. [§7.1.2]"""
    not_supported = structure.flag(0x0A, 3, size=8)
    return _NOT_SUPPORTED if not_supported is True else structure.flag(0x0A, bit, size=8)


def _rom_bytes(structure: _Structure) -> int | Unknown:
    size = structure.number(0x09)
    if size != _SEE_EXTENDED_SIZE:
        return _map(size, lambda units: _ROM_UNIT_BYTES * (units + 1))
    extended = structure.number(0x18, size=2)
    if isinstance(extended, Unknown):
        return Unknown("16 MiB or more; the structure is too old to say how much")
    unit = {0b00: _MIB, 0b01: _GIB}.get(extended >> 14)
    if unit is None:
        return Unknown(f"extended ROM size {extended:04X}h has a reserved unit")
    return (extended & 0x3FFF) * unit


def _release(structure: _Structure, offset: int) -> ReleaseNumber | Unknown:
    """FFh in both bytes means that there is none. [§7.1, 14h to 17h]"""
    pair = structure.octets(offset, 2)
    if isinstance(pair, Unknown):
        return pair
    return _NOT_SUPPORTED if pair == b"\xff\xff" else ReleaseNumber(*pair)


# ---- type 1 -----------------------------------------------------------------------------------

_LITTLE_ENDIAN_UUID_SINCE = ReleaseNumber(2, 6)


def _system(structure: _Structure, version: ReleaseNumber | Unknown) -> SystemInformation:
    return SystemInformation(
        maker=structure.text(0x04),
        product=structure.text(0x05),
        version_text=structure.text(0x06),
        serial=structure.text(0x07),
        uuid=_uuid(structure.octets(0x08, 16), version),
        wake_up=_name_of(structure.number(0x18), _WAKE_UP),
        sku=structure.text(0x19),
        family=structure.text(0x1A),
    )


def _uuid(octets: bytes | Unknown, version: ReleaseNumber | Unknown) -> str | Unknown:
    """The first three fields are little-endian since 2.6. [§7.2.1]"""
    if isinstance(octets, Unknown):
        return octets
    if octets == bytes(16):
        return Unknown("all 00h: the machine has no UUID")
    if octets == b"\xff" * 16:
        return Unknown("all FFh: the UUID is not set, but can be")
    if isinstance(version, Unknown):
        return Unknown(
            f"the version that decides the UUID's byte order is missing: {version.because}"
        )
    if version < _LITTLE_ENDIAN_UUID_SINCE:
        return uuid_text(octets)
    return uuid_text(octets[3::-1] + octets[5:3:-1] + octets[7:5:-1] + octets[8:])


# ---- types 2 and 3 ----------------------------------------------------------------------------


def _baseboard(structure: _Structure, _: object) -> Baseboard:
    return Baseboard(
        maker=structure.text(0x04),
        product=structure.text(0x05),
        version_text=structure.text(0x06),
        serial=structure.text(0x07),
        asset_tag=structure.text(0x08),
        is_hosting_board=structure.flag(0x09, 0),
        chassis_handle=structure.number(0x0B, size=2),
        board_type=_name_of(structure.number(0x0D), _BOARD_TYPES),
    )


def _chassis(structure: _Structure, _: object) -> Chassis:
    return Chassis(
        handle=structure.handle,
        maker=structure.text(0x04),
        type_code=_map(structure.number(0x05), lambda code: code & 0x7F),
        has_lock=structure.flag(0x05, 7),
        version_text=structure.text(0x06),
        serial=structure.text(0x07),
        asset_tag=structure.text(0x08),
        boot_up_state=_name_of(structure.number(0x09), _CHASSIS_STATES),
        power_supply_state=_name_of(structure.number(0x0A), _CHASSIS_STATES),
        thermal_state=_name_of(structure.number(0x0B), _CHASSIS_STATES),
        sku=_chassis_sku(structure),
    )


def _chassis_sku(structure: _Structure) -> str | Unknown:
    """It stands behind the contained elements: 13h of them, 14h bytes each."""
    count_and_size = structure.octets(0x13, 2)
    if isinstance(count_and_size, Unknown):
        return count_and_size
    count, size = count_and_size
    return structure.text(0x15 + count * size)


# ---- type 22 ----------------------------------------------------------------------------------

_SBDS_EPOCH_YEAR = 1980


def _battery(structure: _Structure, _: object) -> PortableBattery:
    return PortableBattery(
        location=structure.text(0x04),
        maker=structure.text(0x05),
        made_on_text=structure.text(0x06),
        serial=structure.text(0x07),
        name=structure.text(0x08),
        chemistry=_chemistry(structure),
        design_mwh=_design_mwh(structure),
        design_mv=_stated(structure.number(0x0C, size=2), unknown=0),
        max_error_percent=_stated(structure.number(0x0F), unknown=0xFF),
        made_on=_packed_date(structure.number(0x12, size=2)),
    )


def _chemistry(structure: _Structure) -> str | Unknown:
    """A smart battery may leave the code at *unknown* and name its chemistry at 14h."""
    code, words = structure.number(0x09), structure.text(0x14)
    if code == _CHEMISTRIES.index(_UNKNOWN) and not isinstance(words, Unknown):
        return words
    return _name_of(code, _CHEMISTRIES)


def _design_mwh(structure: _Structure) -> int | Unknown:
    """The multiplier came with 2.2; before, it is 1."""
    capacity = _stated(structure.number(0x0A, size=2), unknown=0)
    multiplier = structure.number(0x15)
    factor = 1 if isinstance(multiplier, Unknown) else multiplier
    return _map(capacity, lambda milliwatt_hours: milliwatt_hours * factor)


def _packed_date(word: int | Unknown) -> date | Unknown:
    """Day in bits 4:0, month in 8:5, years since 1980 in 15:9."""
    stated = _stated(word, unknown=0)
    if isinstance(stated, Unknown):
        return stated
    try:
        return date(_SBDS_EPOCH_YEAR + (stated >> 9), stated >> 5 & 0xF, stated & 0x1F)
    except ValueError:
        return Unknown(f"{stated:04X}h is no date")


def _stated(number: int | Unknown, unknown: int) -> int | Unknown:
    return Unknown("the firmware says that it does not know") if number == unknown else number


# ---- types 39 and 45 --------------------------------------------------------------------------


def _power_supply(structure: _Structure, _: object) -> PowerSupply:
    flags = structure.number(0x0E, size=2)
    return PowerSupply(
        redundancy_group=structure.number(0x04),
        location=structure.text(0x05),
        name=structure.text(0x06),
        maker=structure.text(0x07),
        serial=structure.text(0x08),
        asset_tag=structure.text(0x09),
        model=structure.text(0x0A),
        revision=structure.text(0x0B),
        max_watts=_stated(structure.number(0x0C, size=2), unknown=0x8000),
        is_hot_replaceable=structure.flag(0x0E, 0, size=2),
        is_present=structure.flag(0x0E, 1, size=2),
        is_unplugged=structure.flag(0x0E, 2, size=2),
        status=_name_of(_map(flags, lambda bits: bits >> 7 & 0b111), _SUPPLY_STATUS),
        supply_type=_name_of(_map(flags, lambda bits: bits >> 10 & 0b1111), _SUPPLY_TYPES),
    )


def _inventory(structure: _Structure, _: object) -> FirmwareInventory:
    return FirmwareInventory(
        name=structure.text(0x04),
        version_text=structure.text(0x05),
        version_format=_name_of(structure.number(0x06), _VERSION_FORMATS),
        firmware_id=structure.text(0x07),
        id_format=_name_of(structure.number(0x08), _ID_FORMATS),
        release_date_text=structure.text(0x09),
        maker=structure.text(0x0A),
        lowest_supported_text=structure.text(0x0B),
        image_bytes=_stated(structure.number(0x0C, size=8), unknown=2**64 - 1),
        is_updatable=structure.flag(0x14, 0, size=2),
        is_write_protected=structure.flag(0x14, 1, size=2),
        state=_name_of(structure.number(0x16), _INVENTORY_STATES),
        component_handles=_handles(structure),
    )


def _handles(structure: _Structure) -> tuple[int, ...] | Unknown:
    count = structure.number(0x17)
    octets = _TOO_SHORT if isinstance(count, Unknown) else structure.octets(0x18, 2 * count)
    return octets if isinstance(octets, Unknown) else struct.unpack(f"<{len(octets) // 2}H", octets)


_DECODERS: dict[int, Callable[[_Structure, ReleaseNumber | Unknown], Any]] = {
    _FIRMWARE: _firmware,
    _SYSTEM: _system,
    _BASEBOARD: _baseboard,
    _CHASSIS: _chassis,
    _BATTERY: _battery,
    _SUPPLY: _power_supply,
    _INVENTORY: _inventory,
}
