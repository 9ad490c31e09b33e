"""The raw SMBIOS table. Vectors: DMTF DSP0134 3.8 at the clause beside each value."""

import random
from dataclasses import fields
from datetime import date

import pytest

from flashworthy_common.errors import SmbiosError
from flashworthy_common.smbios import (
    CHASSIS_TYPES,
    EntryPoint,
    ReleaseNumber,
    Table,
    parse_entry_point,
    parse_table,
    unwrap_firmware_table,
)
from flashworthy_common.values import Unknown
from support import smbios_tables as build

TOO_SHORT = Unknown("the structure ends before this field")
NO_STRING = Unknown("no string is given")
NOT_SUPPORTED = Unknown("the firmware does not support this field")
SAYS_UNKNOWN = Unknown("the firmware says that it does not know")


def parsed(*structures: bytes, version: tuple[int, int] = (3, 5)) -> Table:
    return parse_table(build.table(*structures), ReleaseNumber(*version))


def firmware(**changed):
    return parsed(build.firmware(**changed)).firmware


def system(version=(3, 5), **changed):
    return parsed(build.system(**changed), version=version).system


# ---- strings [§6.1.3] -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("K1.29", "K1.29"),
        ("", NO_STRING),
        ("        ", Unknown("only blanks are given")),
        ("  K1.29 ", "K1.29"),
        ("Überprüft", "Überprüft"),  # UTF-8 since 3.5
        (b"Soci\xe9t\xe9", "Soci\ufffdt\ufffd"),
    ],
)
def test_a_string_is_its_text_or_the_reason_why_there_is_none(text, expected) -> None:
    assert firmware(version=text).version_text == expected


def test_bytes_outside_utf_8_are_told() -> None:
    table = parsed(build.system(maker=b"Soci\xe9t\xe9"))

    assert table.problems == ("type 1: bytes outside UTF-8 replaced in b'Soci\\xe9t\\xe9'",)


def test_an_index_past_the_string_set_is_corrupt_and_not_empty() -> None:
    table = parsed(build.raw_structure(0, bytes([3, 0]), [b"Brightwater"]))

    assert table.firmware.vendor == Unknown("corrupt: string 3 of a set of 1")
    assert table.firmware.version_text == NO_STRING


# ---- structures [§6.1.2] ----------------------------------------------------------------------


def test_a_short_structure_leaves_its_later_fields_unknown() -> None:
    # Type 0 of 2.0 is 12h bytes long and has no extension bytes. [§7.1]
    short = firmware(length=0x12)

    assert short.is_flash_upgradeable is True
    assert short.supports_uefi == TOO_SHORT
    assert short.is_virtual_machine == TOO_SHORT
    assert short.system_release == TOO_SHORT


def test_a_longer_structure_than_known_is_read_as_far_as_known() -> None:
    longer = build.raw_structure(0, bytes([1, 2, 0, 0xE0, 3]) + bytes(200), [b"A", b"B", b"C"])

    table = parsed(longer, build.system())

    assert table.firmware.release_date_text == "C"
    assert table.system.product == "Lark 14"


def test_reading_stops_at_the_end_marker() -> None:
    table = parse_table(build.table() + build.system(), ReleaseNumber(3, 5))

    assert table.system == Unknown("the table holds no structure of type 1")
    assert table.problems == ()


@pytest.mark.parametrize("kind", [126, 128, 200, 255])
def test_inactive_and_makers_own_structures_are_skipped(kind: int) -> None:
    skipped = build.raw_structure(kind, bytes(20), [b"noise"])

    table = parsed(skipped, build.system(), skipped)

    assert table.system.product == "Lark 14"
    assert table.problems == ()


BROKEN_TABLES = {
    "a length shorter than the header": (
        build.system() + b"\x02\x03\0\0" + build.chassis(),
        f"the structure at byte {len(build.system())} gives its length as 3: broken off",
    ),
    "a length past the end": (
        build.system() + b"\x02\xf0\0\0",
        f"the structure at byte {len(build.system())} (type 2) is cut short",
    ),
    "a string set without end": (
        build.system() + build.baseboard()[:-3],
        f"the structure at byte {len(build.system())} (type 2) is cut short",
    ),
    "no end marker": (
        build.system(),
        f"the table ends at byte {len(build.system())} without its end marker (type 127)",
    ),
}


@pytest.mark.parametrize(("data", "problem"), BROKEN_TABLES.values(), ids=BROKEN_TABLES)
def test_a_broken_table_gives_what_came_before_and_says_where_it_broke(
    data: bytes, problem: str
) -> None:
    table = parse_table(data, ReleaseNumber(3, 5))

    assert table.system.product == "Lark 14"
    assert table.problems[0] == problem


def test_a_structure_that_is_cut_short_still_gives_the_strings_that_were_there() -> None:
    table = parse_table(build.baseboard()[:-3], ReleaseNumber(3, 5))

    assert table.board.product == "LK14-MB"


def test_no_bytes_are_no_table() -> None:
    with pytest.raises(SmbiosError, match="expected the bytes of an SMBIOS table, got none"):
        parse_table(b"", ReleaseNumber(3, 5))


# ---- entry points [§5.2] ----------------------------------------------------------------------


@pytest.mark.parametrize("make", [build.entry_point_32, build.entry_point_64])
def test_an_entry_point_gives_version_and_length(make) -> None:
    found = parse_entry_point(make((3, 2), 4711))

    assert found == EntryPoint(version=ReleaseNumber(3, 2), table_bytes=4711)


@pytest.mark.parametrize(
    ("written", "meant"),
    [((2, 31), (2, 3)), ((2, 33), (2, 3)), ((2, 51), (2, 6)), ((2, 8), (2, 8))],
)
def test_a_misspelled_version_is_read_as_the_linux_kernel_reads_it(written, meant) -> None:
    # Linux drivers/firmware/dmi_scan.c, dmi_present(); from memory
    assert parse_entry_point(build.entry_point_32(written, 100)).version == meant


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "expected an entry point beginning _SM_ or _SM3_, got b''"),
        (b"_DMI_" + bytes(20), "expected an entry point beginning _SM_ or _SM3_"),
        (b"_SM3_", "expected an entry point of 24 bytes or more"),
        (build.entry_point_32((2, 8), 9)[:20], "expected an entry point of 30 bytes or more"),
        (build.entry_point_64((3, 2), 9)[:-1] + b"\1", "expected entry point bytes that sum to 0"),
    ],
)
def test_what_is_no_entry_point_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(SmbiosError, match=message):
        parse_entry_point(data)


def test_the_header_that_windows_puts_before_a_table_is_taken_off() -> None:
    # bytes: calling method, major, minor, revision, length as u32
    wrapped = bytes([0, 3, 2, 0, 5, 0, 0, 0]) + b"table and more"

    assert unwrap_firmware_table(wrapped) == (ReleaseNumber(3, 2), b"table")


def test_too_few_bytes_for_that_header_are_refused() -> None:
    with pytest.raises(SmbiosError, match="expected a header of 8 bytes"):
        unwrap_firmware_table(b"\0\3\2")


# ---- type 0 [§7.1] ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "extended", "expected"),
    [
        (0x00, 0, 65_536),  # 64 KiB * (n + 1)
        (0x7F, 0, 8_388_608),
        (0xFE, 0, 16_711_680),
        (0xFF, 0x0010, 16 * 2**20),  # the standard's own examples, §7.1.1
        (0xFF, 0x4030, 48 * 2**30),
        (0xFF, 0x0020, 32 * 2**20),
        (0xFF, 0x8001, Unknown("extended ROM size 8001h has a reserved unit")),
        (0xFF, 0xC001, Unknown("extended ROM size C001h has a reserved unit")),
    ],
)
def test_rom_size_in_bytes(size, extended, expected) -> None:
    assert firmware(rom_size=size, extended_rom_size=extended).rom_bytes == expected


def test_a_large_rom_in_a_structure_without_the_extended_size_is_unknown() -> None:
    found = firmware(rom_size=0xFF, length=0x18).rom_bytes

    assert found == Unknown("16 MiB or more; the structure is too old to say how much")


@pytest.mark.parametrize(
    ("octets", "expected"),
    [
        ((0x0A, 0x16), "10.22"),  # the standard's own examples, §7.1 at 14h
        ((0x02, 0x01), "2.1"),
        ((0xFF, 0x01), "255.1"),
        ((0xFF, 0xFF), str(NOT_SUPPORTED)),
    ],
)
def test_releases_are_decimal_pairs(octets, expected) -> None:
    found = firmware(release=octets, controller=octets)

    assert (str(found.system_release), str(found.controller_release)) == (expected, expected)


def test_releases_compare_as_numbers() -> None:
    assert ReleaseNumber(1, 9) < ReleaseNumber(1, 10)


@pytest.mark.parametrize(
    ("bits", "expected"),
    [(1 << 11, True), (0, False), (1 << 12, False), (1 << 3 | 1 << 11, NOT_SUPPORTED)],
)
def test_flash_upgradeable_is_bit_11_unless_bit_3_disowns_all(bits, expected) -> None:
    assert firmware(characteristics=bits).is_flash_upgradeable == expected


@pytest.mark.parametrize(
    ("field", "bit"),
    [
        ("supports_uefi", 3),
        ("is_virtual_machine", 4),
        ("supports_manufacturing_mode", 5),
        ("is_in_manufacturing_mode", 6),
    ],
)
def test_second_extension_byte(field: str, bit: int) -> None:
    # §7.1.2.2
    set_one = firmware(extension=(0, 1 << bit))
    all_others = firmware(extension=(0xFF, 0xFF & ~(1 << bit)))

    assert (getattr(set_one, field), getattr(all_others, field)) == (True, False)


# ---- type 1 [§7.2] ----------------------------------------------------------------------------

STORED_UUID = bytes.fromhex("33221100554477668899AABBCCDDEEFF")  # §7.2.1, example


@pytest.mark.parametrize(
    ("version", "expected"),
    [
        ((3, 5), "00112233-4455-6677-8899-aabbccddeeff"),  # §7.2.1, example
        ((2, 6), "00112233-4455-6677-8899-aabbccddeeff"),
        ((2, 5), "33221100-5544-7766-8899-aabbccddeeff"),
    ],
)
def test_the_uuid_is_little_endian_from_version_2_6(version, expected) -> None:
    assert system(version, uuid=STORED_UUID).uuid == expected


@pytest.mark.parametrize(
    ("octets", "because"),
    [
        (b"\xff" * 16, "all FFh: the UUID is not set, but can be"),
        (bytes(16), "all 00h: the machine has no UUID"),
    ],
)
def test_a_uuid_of_one_byte_over_and_over_is_none(octets: bytes, because: str) -> None:
    # §7.2.1
    assert system(uuid=octets).uuid == Unknown(because)


def test_without_the_version_the_uuid_is_not_guessed() -> None:
    table = parse_table(build.table(build.system()), Unknown("no entry point"))

    assert table.system.uuid == Unknown(
        "the version that decides the UUID's byte order is missing: no entry point"
    )


def test_a_system_structure_before_2_4_has_no_sku_and_no_family() -> None:
    found = system(length=0x19)

    assert (found.wake_up, found.sku, found.family) == ("Power Switch", TOO_SHORT, TOO_SHORT)


# ---- types 2 and 3 [§7.3, §7.4] ---------------------------------------------------------------


@pytest.mark.parametrize(
    "boards",
    [
        (("RISER", 0, 0x09), ("MAIN", 1, 0x0A)),
        (("RISER", 0, 0x09), ("MAIN", 0, 0x0A)),
        (("MAIN", 1, 0x09), ("SECOND", 0, 0x0A)),
        (("MAIN", 0, 0x02), ("RISER", 0, 0x09)),
    ],
    ids=["flagged", "a motherboard", "the flag before the type", "the first"],
)
def test_of_several_boards_the_one_that_hosts_the_system_speaks(boards) -> None:
    table = parsed(
        *(
            build.baseboard(product=name, flags=flags, board_type=kind)
            for name, flags, kind in boards
        )
    )

    assert table.board.product == "MAIN"
    assert len(table.boards) == 2


def test_of_several_chassis_the_one_that_the_board_names_speaks() -> None:
    table = parsed(
        build.chassis(type_code=12, handle=8),
        build.chassis(type_code=10, handle=9),
        build.baseboard(chassis_handle=9),
    )

    assert table.chassis.type_code == 10


def test_without_such_structures_board_and_chassis_say_so() -> None:
    table = parsed(build.system())

    assert table.board == Unknown("the table holds no structure of type 2")
    assert table.chassis == Unknown("the table holds no structure of type 3")


@pytest.mark.parametrize(
    ("octet", "name", "lock"),
    [(0x89, "Laptop", True), (0x09, "Laptop", False), (0x24, "Stick PC", False)],
)
def test_the_lock_bit_is_no_part_of_the_chassis_type(octet, name, lock) -> None:
    # §7.4.1: types 1 to 36, bit 7 is the lock
    found = parsed(build.chassis(type_code=octet)).chassis

    assert (CHASSIS_TYPES[found.type_code], found.has_lock) == (name, lock)


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (3, "Safe"),
        (6, "Non-recoverable"),
        (2, SAYS_UNKNOWN),
        (0, Unknown("code 0 is not in the standard's list")),
        (99, Unknown("code 99 is not in the standard's list")),
    ],
)
def test_a_state_is_named_or_unknown(code, expected) -> None:
    # §7.4.2
    assert parsed(build.chassis(states=(code, 3, 3))).chassis.boot_up_state == expected


def test_the_chassis_sku_stands_behind_its_elements() -> None:
    found = parsed(build.chassis(elements=(b"abc", b"def"), sku="LK14-CH")).chassis

    assert found.sku == "LK14-CH"


# ---- type 22 [§7.23] --------------------------------------------------------------------------


def test_a_battery_tells_what_it_was_designed_to_hold() -> None:
    (found,) = parsed(build.battery(capacity=5000, multiplier=10, sbds_date=0x58B1)).batteries

    assert found.design_mwh == 50_000
    assert found.made_on == date(2024, 5, 17)  # 58B1h: day 17, month 5, year 44 since 1980
    assert found.chemistry == "LION"


@pytest.mark.parametrize(
    ("changed", "field", "expected"),
    [
        ({"chemistry": 6}, "chemistry", "Lithium-ion"),
        ({"length": 0x10, "chemistry": 2}, "chemistry", SAYS_UNKNOWN),
        ({"length": 0x10}, "design_mwh", 5000),  # before 2.2 there is no multiplier
        ({"capacity": 0}, "design_mwh", SAYS_UNKNOWN),
        ({"millivolts": 0}, "design_mv", SAYS_UNKNOWN),
        ({"max_error": 0xFF}, "max_error_percent", SAYS_UNKNOWN),
        ({"sbds_date": 0x0001}, "made_on", Unknown("0001h is no date")),
    ],
)
def test_what_a_battery_leaves_open_is_unknown(changed, field, expected) -> None:
    (found,) = parsed(build.battery(**changed)).batteries

    assert getattr(found, field) == expected


# ---- type 39 [§7.40] --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        (0b0100_01_1001_0011, (True, True, False, "OK", "Switching")),
        (0b0110_10_0001_0110, (False, True, True, "Non-critical", "UPS")),
        (0b0101_10_1000_0000, (False, False, False, "Critical", "Battery")),
    ],
)
def test_power_supply_flags(flags, expected) -> None:
    (found,) = parsed(build.power_supply(flags=flags)).power_supplies

    shown = (found.is_hot_replaceable, found.is_present, found.is_unplugged)
    assert (*shown, found.status, found.supply_type) == expected


def test_the_greatest_power_may_be_unknown() -> None:
    (found,) = parsed(build.power_supply(max_watts=0x8000)).power_supplies

    assert found.max_watts == SAYS_UNKNOWN


# ---- type 45 [§7.46] --------------------------------------------------------------------------


def test_a_firmware_inventory_entry_is_read_whole() -> None:
    entry = build.inventory(characteristics=0b11, component_handles=(7, 0x0102))

    (found,) = parsed(entry).inventory

    assert found.version_text == "0x0001002d"  # §7.46.1, example
    assert found.version_format == "32-bit hexadecimal"
    assert found.id_format == "UEFI GUID"
    assert (found.is_updatable, found.is_write_protected) == (True, True)
    assert (found.state, found.component_handles) == ("Enabled", (7, 0x0102))


@pytest.mark.parametrize(
    ("changed", "field", "expected"),
    [
        ({"image_bytes": 2**64 - 1}, "image_bytes", SAYS_UNKNOWN),
        ({"version_format": 0x80}, "version_format",
         Unknown("code 128 is not in the standard's list")),
        ({"component_handles": (1, 2), "length": 0x1A}, "component_handles", TOO_SHORT),
        ({"length": 0x14}, "is_updatable", TOO_SHORT),
    ],
)  # fmt: skip
def test_what_an_inventory_entry_leaves_open_is_unknown(changed, field, expected) -> None:
    (found,) = parsed(build.inventory(**changed)).inventory

    assert getattr(found, field) == expected


# ---- anything at all --------------------------------------------------------------------------

WHOLE = build.table(
    build.firmware(),
    build.system(),
    build.baseboard(),
    build.chassis(elements=(b"abc",), sku="LK14-CH"),
    build.battery(),
    build.power_supply(),
    build.inventory(component_handles=(1, 2)),
)


def mutated(chance: random.Random) -> bytes:
    """`WHOLE` with some bytes changed, and cut or doubled somewhere."""
    data = bytearray(WHOLE)
    for _ in range(chance.randint(1, 12)):
        data[chance.randrange(len(data))] = chance.choice(
            (0, 1, 3, 0x7F, 0xFF, chance.randrange(256))
        )
    cut, again = chance.randrange(1, len(data)), chance.randrange(len(data))
    return bytes(chance.choice((data, data[:cut], data[:cut] + data[again:])))


def read_mutated_tables(count: int) -> None:
    chance = random.Random(20260504)
    for _ in range(count):
        table = parse_table(mutated(chance), ReleaseNumber(3, 5))
        assert {field.name for field in fields(table)} >= {"firmware", "problems"}
        assert table.board is not None
        assert table.chassis is not None


def test_a_mutated_table_never_raises() -> None:
    read_mutated_tables(3_000)


@pytest.mark.long
def test_a_hundred_thousand_mutated_tables_never_raise() -> None:
    read_mutated_tables(100_000)
