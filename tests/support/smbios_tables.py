"""Builds raw SMBIOS tables from field values, for parsers to read back. [DMTF DSP0134 §6.1, §7]

A text becomes an entry of the structure's string set and its index stands in the field; an empty
text is index 0, *no string*. `length` cuts a structure to what an older version of the standard
had, `tail` appends what a newer one may.
"""

import struct

END = 127


class Structure:
    """One structure under construction: each field appends to the formatted area."""

    def __init__(self, kind: int, handle: int) -> None:
        self.kind, self.handle = kind, handle
        self.formatted = b""
        self.strings: list[bytes] = []

    def text(self, *texts: str | bytes) -> "Structure":
        for text in texts:
            octets = text.encode() if isinstance(text, str) else text
            if octets:
                self.strings.append(octets)
            self.formatted += bytes([len(self.strings) if octets else 0])
        return self

    def number(self, number: int, size: int = 1) -> "Structure":
        self.formatted += number.to_bytes(size, "little")
        return self

    def octets(self, octets: bytes) -> "Structure":
        self.formatted += octets
        return self

    def built(self, length: int | None = None, tail: bytes = b"") -> bytes:
        """Header, formatted area of `length` bytes in all, string set."""
        formatted = self.formatted + tail
        formatted = formatted if length is None else formatted[: length - 4]
        return raw_structure(self.kind, formatted, self.strings, self.handle)


def raw_structure(
    kind: int,
    formatted: bytes = b"",
    strings: list[bytes] | tuple[bytes, ...] = (),
    handle: int = 0,
) -> bytes:
    """A structure from the bytes behind its header and its strings as they stand."""
    header = struct.pack("<BBH", kind, 4 + len(formatted), handle)
    string_set = b"".join(string + b"\0" for string in strings) or b"\0"
    return header + formatted + string_set + b"\0"


def table(*structures: bytes, end: bool = True) -> bytes:
    return b"".join(structures) + (raw_structure(END, handle=0xFEFF) if end else b"")


def firmware(
    vendor: str | bytes = "Brightwater",
    version: str | bytes = "K1.29",
    date: str | bytes = "05/04/2023",
    rom_size: int = 0x7F,
    characteristics: int = 1 << 11,
    extension: tuple[int, int] = (0, 0),
    release: tuple[int, int] = (1, 29),
    controller: tuple[int, int] = (0xFF, 0xFF),
    extended_rom_size: int = 0,
    length: int | None = None,
    handle: int = 0,
) -> bytes:
    """Type 0. [§7.1]"""
    return (
        Structure(0, handle)
        .text(vendor, version)
        .number(0xE000, 2)
        .text(date)
        .number(rom_size)
        .number(characteristics, 8)
        .octets(bytes([*extension, *release, *controller]))
        .number(extended_rom_size, 2)
        .built(length)
    )


def system(
    maker: str | bytes = "Aldermere",
    product: str | bytes = "Lark 14",
    version: str | bytes = "2",
    serial: str | bytes = "AL-0042",
    uuid: bytes = bytes(range(16)),
    wake_up: int = 6,
    sku: str | bytes = "LK14-16G",
    family: str | bytes = "Lark",
    length: int | None = None,
    handle: int = 1,
) -> bytes:
    """Type 1. [§7.2]"""
    return (
        Structure(1, handle)
        .text(maker, product, version, serial)
        .octets(uuid)
        .number(wake_up)
        .text(sku, family)
        .built(length)
    )


def baseboard(
    maker: str | bytes = "Aldermere",
    product: str | bytes = "LK14-MB",
    version: str | bytes = "A2",
    serial: str | bytes = "MB-7",
    asset_tag: str | bytes = "",
    flags: int = 1,
    location: str | bytes = "",
    chassis_handle: int = 3,
    board_type: int = 0x0A,
    length: int | None = None,
    handle: int = 2,
) -> bytes:
    """Type 2. [§7.3]"""
    return (
        Structure(2, handle)
        .text(maker, product, version, serial, asset_tag)
        .number(flags)
        .text(location)
        .number(chassis_handle, 2)
        .number(board_type)
        .number(0)
        .built(length)
    )


def chassis(
    maker: str | bytes = "Aldermere",
    type_code: int = 0x0A,
    version: str | bytes = "",
    serial: str | bytes = "CH-9",
    asset_tag: str | bytes = "reading-room-4",
    states: tuple[int, int, int] = (3, 3, 3),
    elements: tuple[bytes, ...] = (),
    sku: str | bytes = "",
    length: int | None = None,
    handle: int = 3,
) -> bytes:
    """Type 3; all `elements` of one size. [§7.4]"""
    return (
        Structure(3, handle)
        .text(maker)
        .number(type_code)
        .text(version, serial, asset_tag)
        .octets(bytes([*states, 3]))
        .number(0, 4)
        .octets(bytes([0, 1, len(elements), len(elements[0]) if elements else 0]))
        .octets(b"".join(elements))
        .text(sku)
        .built(length)
    )


def battery(
    location: str | bytes = "left",
    maker: str | bytes = "Cellwright",
    made_on: str | bytes = "",
    serial: str | bytes = "",
    name: str | bytes = "CW-50",
    chemistry: int = 2,
    capacity: int = 5000,
    millivolts: int = 11400,
    sbds_version: str | bytes = "1.1",
    max_error: int = 2,
    sbds_serial: int = 0x1234,
    sbds_date: int = 0x58B1,
    sbds_chemistry: str | bytes = "LION",
    multiplier: int = 10,
    length: int | None = None,
    handle: int = 22,
) -> bytes:
    """Type 22. [§7.23]"""
    return (
        Structure(22, handle)
        .text(location, maker, made_on, serial, name)
        .number(chemistry)
        .number(capacity, 2)
        .number(millivolts, 2)
        .text(sbds_version)
        .number(max_error)
        .number(sbds_serial, 2)
        .number(sbds_date, 2)
        .text(sbds_chemistry)
        .number(multiplier)
        .number(0, 4)
        .built(length)
    )


def power_supply(
    group: int = 1,
    location: str | bytes = "rear left",
    name: str | bytes = "PS-A",
    maker: str | bytes = "Voltmoor",
    serial: str | bytes = "VM-1",
    asset_tag: str | bytes = "",
    model: str | bytes = "VM650",
    revision: str | bytes = "R1",
    max_watts: int = 650,
    flags: int = 0b0100_01_1001_0011,  # switching, OK, present, hot-replaceable
    length: int | None = None,
    handle: int = 39,
) -> bytes:
    """Type 39. [§7.40]"""
    return (
        Structure(39, handle)
        .number(group)
        .text(location, name, maker, serial, asset_tag, model, revision)
        .number(max_watts, 2)
        .number(flags, 2)
        .number(0xFFFF_FFFF_FFFF, 6)
        .built(length)
    )


def inventory(
    name: str | bytes = "system firmware",
    version: str | bytes = "0x0001002d",
    version_format: int = 2,
    firmware_id: str | bytes = "00112233-4455-6677-8899-aabbccddeeff",
    id_format: int = 1,
    date: str | bytes = "2023-05-04T00:00:00Z",
    maker: str | bytes = "Brightwater",
    lowest_supported: str | bytes = "0x00010000",
    image_bytes: int = 16 * 2**20,
    characteristics: int = 0b01,
    state: int = 4,
    component_handles: tuple[int, ...] = (),
    length: int | None = None,
    handle: int = 45,
) -> bytes:
    """Type 45. [§7.46]"""
    return (
        Structure(45, handle)
        .text(name, version)
        .number(version_format)
        .text(firmware_id)
        .number(id_format)
        .text(date, maker, lowest_supported)
        .number(image_bytes, 8)
        .number(characteristics, 2)
        .number(state)
        .number(len(component_handles))
        .octets(struct.pack(f"<{len(component_handles)}H", *component_handles))
        .built(length)
    )


def entry_point_32(version: tuple[int, int], table_bytes: int, structures: int = 0) -> bytes:
    """The 31 bytes of `_SM_`; the table is said to stand at 32. [§5.2.1]"""
    inner = b"_DMI_\0" + struct.pack("<HIHB", table_bytes, 32, structures, 0)
    outer = b"_SM_\0" + struct.pack("<BBBHB5x", 0x1F, *version, 0, 0)
    return _summing_to_zero(outer + _summing_to_zero(inner, 5), 4)


def entry_point_64(version: tuple[int, int], table_bytes: int) -> bytes:
    """The 24 bytes of `_SM3_`; the table is said to stand at 32. [§5.2.2]"""
    fields = struct.pack("<BBBBBBIQ", 0x18, *version, 0, 1, 0, table_bytes, 32)
    return _summing_to_zero(b"_SM3_\0" + fields, 5)


def _summing_to_zero(octets: bytes, checksum_at: int) -> bytes:
    checksum = -sum(octets) % 256
    return octets[:checksum_at] + bytes([checksum]) + octets[checksum_at + 1 :]


def dump(table_bytes: bytes, version: tuple[int, int]) -> bytes:
    """Entry point and table in one file, as `dmidecode --from-dump` reads it."""
    make = entry_point_64 if version >= (3, 0) else entry_point_32
    return make(version, len(table_bytes)).ljust(32, b"\0") + table_bytes
