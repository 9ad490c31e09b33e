"""Our reading of SMBIOS tables against the `dmidecode` program's, through its `--from-dump`.

Where `dmidecode` gives a value, ours must be the same; where it says that there is none, ours must
be unknown. A field that it does not print is not compared. Differences that remain on purpose:

- It prints nothing of a structure that is cut short; we give the fields that were there.
- It hides a release when either byte is FFh; DSP0134 §7.1 and the Linux kernel when both are.
- It calls a ROM of unknown size 16 MB when the structure has no extended size; we call it unknown.
- It prints bytes outside ASCII as dots; we decode UTF-8 and mark the rest.
- It prints blanks; we call them missing.
- It prints smart-battery dates that no calendar has; we call them unknown.
- It spells some chassis and board types differently (`OTHER_SPELLINGS`).
"""

import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashworthy_common.smbios import CHASSIS_TYPES, ReleaseNumber, Table, parse_table
from flashworthy_common.values import Unknown
from support import smbios_tables as build

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(not shutil.which("dmidecode"), reason="the program dmidecode is not there"),
]

NOT_GIVEN = {"Not Specified", "Unknown", "Not Settable", "Not Present", "<BAD INDEX>", ""}
OTHER_SPELLINGS = {
    "bladeenclosing": "bladeenclosure",
    "multisystem": "multisystemchassis",
}
Block = dict[str, list[str]]  # label -> its value, then the lines indented below it
Reading = Callable[[str], Any]


# ---- what dmidecode says ----------------------------------------------------------------------


def dmidecode_blocks(path: Path) -> dict[int, list[Block]]:
    """The printed structures by type, in order."""
    output = subprocess.run(
        ["dmidecode", "--from-dump", path], capture_output=True, check=False, timeout=10
    ).stdout.decode()
    blocks: dict[int, list[Block]] = {}
    for paragraph in re.split(r"\n(?=Handle )", output)[1:]:
        kind = int(re.search(r"DMI type (\d+)", paragraph)[1])
        if "<TRUNCATED>" not in paragraph:
            blocks.setdefault(kind, []).append(read_block(paragraph))
    return blocks


def read_block(paragraph: str) -> Block:
    block: Block = {}
    label = ""
    for line in paragraph.splitlines()[2:]:
        if line.startswith("\t\t"):
            block[label].append(line.strip())
        elif line.startswith("\t"):
            label, _, value = line.strip().partition(":")
            block[label] = [value.strip()]
    return block


def given_text(text: str) -> str | None:
    return None if text in NOT_GIVEN or "OUT OF SPEC" in text else text


def given_name(text: str) -> str | None:
    folded = folded_name(text)
    return given_text(text) and OTHER_SPELLINGS.get(folded, folded)


def folded_name(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def given_size(text: str) -> int | None:
    if given_text(text) is None:
        return None
    number, unit = text.split()
    return int(number) << {"bytes": 0, "kB": 10, "MB": 20, "GB": 30, "TB": 40, "PB": 50}[unit]


def given_number(text: str) -> int | None:
    found = re.match(r"\d+", text)
    return found and int(found[0])


def yes(word: str) -> Reading:
    return lambda text: text == word


# (type, label) -> (our field, how its printed value is read)
FIELDS: dict[tuple[int, str], tuple[str, Reading]] = {
    (0, "Vendor"): ("vendor", given_text),
    (0, "Version"): ("version_text", given_text),
    (0, "Release Date"): ("release_date_text", given_text),
    (0, "ROM Size"): ("rom_bytes", given_size),
    (0, "BIOS Revision"): ("system_release", given_text),
    (0, "Firmware Revision"): ("controller_release", given_text),
    (1, "Manufacturer"): ("maker", given_text),
    (1, "Product Name"): ("product", given_text),
    (1, "Version"): ("version_text", given_text),
    (1, "Serial Number"): ("serial", given_text),
    (1, "UUID"): ("uuid", given_text),
    (1, "Wake-up Type"): ("wake_up", given_name),
    (1, "SKU Number"): ("sku", given_text),
    (1, "Family"): ("family", given_text),
    (2, "Manufacturer"): ("maker", given_text),
    (2, "Product Name"): ("product", given_text),
    (2, "Version"): ("version_text", given_text),
    (2, "Serial Number"): ("serial", given_text),
    (2, "Asset Tag"): ("asset_tag", given_text),
    (2, "Type"): ("board_type", given_name),
    (2, "Chassis Handle"): ("chassis_handle", lambda text: int(text, 16)),
    (3, "Manufacturer"): ("maker", given_text),
    (3, "Type"): ("type_code", given_name),
    (3, "Lock"): ("has_lock", yes("Present")),
    (3, "Version"): ("version_text", given_text),
    (3, "Serial Number"): ("serial", given_text),
    (3, "Asset Tag"): ("asset_tag", given_text),
    (3, "Boot-up State"): ("boot_up_state", given_name),
    (3, "Power Supply State"): ("power_supply_state", given_name),
    (3, "Thermal State"): ("thermal_state", given_name),
    (3, "SKU Number"): ("sku", given_text),
    (22, "Location"): ("location", given_text),
    (22, "Manufacturer"): ("maker", given_text),
    (22, "Manufacture Date"): ("made_on_text", given_text),
    (22, "Serial Number"): ("serial", given_text),
    (22, "Name"): ("name", given_text),
    (22, "Chemistry"): ("chemistry", given_name),
    (22, "SBDS Chemistry"): ("chemistry", given_name),
    (22, "Design Capacity"): ("design_mwh", given_number),
    (22, "Design Voltage"): ("design_mv", given_number),
    (22, "Maximum Error"): ("max_error_percent", given_number),
    (22, "SBDS Manufacture Date"): ("made_on", given_text),
    (39, "Power Unit Group"): ("redundancy_group", given_number),
    (39, "Location"): ("location", given_text),
    (39, "Name"): ("name", given_text),
    (39, "Manufacturer"): ("maker", given_text),
    (39, "Serial Number"): ("serial", given_text),
    (39, "Asset Tag"): ("asset_tag", given_text),
    (39, "Model Part Number"): ("model", given_text),
    (39, "Revision"): ("revision", given_text),
    (39, "Max Power Capacity"): ("max_watts", given_number),
    (39, "Type"): ("supply_type", given_name),
    (39, "Plugged"): ("is_unplugged", yes("No")),
    (39, "Hot Replaceable"): ("is_hot_replaceable", yes("Yes")),
    (45, "Firmware Component Name"): ("name", given_text),
    (45, "Firmware Version"): ("version_text", given_text),
    (45, "Firmware ID"): ("firmware_id", given_text),
    (45, "Release Date"): ("release_date_text", given_text),
    (45, "Manufacturer"): ("maker", given_text),
    (45, "Lowest Supported Firmware Version"): ("lowest_supported_text", given_text),
    (45, "Image Size"): ("image_bytes", given_size),
    (45, "State"): ("state", given_name),
}  # fmt: skip

# (type, label, a line below it) -> our flag, true exactly where the line is printed
FLAGS: dict[tuple[int, str, str], str] = {
    (0, "Characteristics", "BIOS is upgradeable"): "is_flash_upgradeable",
    (0, "Characteristics", "UEFI is supported"): "supports_uefi",
    (0, "Characteristics", "System is a virtual machine"): "is_virtual_machine",
    (0, "Characteristics", "Manufacturing mode is supported"): "supports_manufacturing_mode",
    (0, "Characteristics", "Manufacturing mode is enabled"): "is_in_manufacturing_mode",
    (2, "Features", "Board is a hosting board"): "is_hosting_board",
    (45, "Characteristics", "Updatable: Yes"): "is_updatable",
    (45, "Characteristics", "Write-Protect: Yes"): "is_write_protected",
}


# ---- the comparison ---------------------------------------------------------------------------


def ours_by_type(table: Table) -> dict[int, tuple[Any, ...]]:
    return {
        0: () if isinstance(table.firmware, Unknown) else (table.firmware,),
        1: () if isinstance(table.system, Unknown) else (table.system,),
        2: table.boards,
        3: table.all_chassis,
        22: table.batteries,
        39: table.power_supplies,
        45: table.inventory,
    }


def compared_fields(data: bytes, version: tuple[int, int], folder: Path) -> Counter[str]:
    """Compares both readings of one table; returns how often each field was compared."""
    path = folder / "table.bin"
    path.write_bytes(build.dump(data, version))
    ours = ours_by_type(parse_table(data, ReleaseNumber(*version)))
    compared: Counter[str] = Counter()
    for kind, blocks in dmidecode_blocks(path).items():
        for structure, block in zip(ours.get(kind, ()), blocks, strict=False):
            compared.update(compare_structure(kind, structure, block))
    return compared


def compare_structure(kind: int, ours: Any, block: Block) -> list[str]:
    compared = []
    for (of_kind, label), (field, read) in FIELDS.items():
        if of_kind == kind and label in block:
            theirs = read(block[label][0])
            mine = in_their_words(field, getattr(ours, field), read)
            assert mine == theirs, f"type {kind} {label}: {getattr(ours, field)!r}, {block[label]}"
            compared.append(f"{kind} {field}")
    for (of_kind, label, line), field in FLAGS.items():
        mine = getattr(ours, field, None)
        if of_kind == kind and label in block and not isinstance(mine, Unknown):
            assert mine == (line in block[label]), f"type {kind} {line}: {mine!r}"
            compared.append(f"{kind} {field}")
    return compared


def in_their_words(field: str, value: Any, read: Reading) -> Any:
    if field == "type_code" and not isinstance(value, Unknown):
        value = CHASSIS_TYPES.get(value, Unknown("not in the standard's list"))
    if isinstance(value, Unknown):
        return None
    if read is given_name:
        return None if value == "Unknown" else folded_name(value)
    return str(value) if read is given_text else value


# ---- valid tables -----------------------------------------------------------------------------

octet = st.integers(0, 0xFF)
code = st.integers(0, 40) | octet
word = st.integers(0, 0xFFFF)
text = st.just("") | st.text("ABCdef0123456789-./()#", max_size=30)
size = st.builds(
    lambda number, unit: number << unit, st.integers(1, 1023), st.sampled_from([10, 20])
)
release = st.tuples(st.integers(0, 0xFE), st.integers(0, 0xFE)) | st.just((0xFF, 0xFF))
sbds_date = st.builds(
    lambda year, month, day: year << 9 | month << 5 | day,
    st.integers(0, 60), st.integers(1, 12), st.integers(1, 28),
)  # fmt: skip

firmwares = st.builds(
    build.firmware, text, text, text, octet, st.integers(0, 2**32 - 1), st.tuples(octet, octet),
    release, release, st.integers(1, 0xFFFF),
)  # fmt: skip
systems = st.builds(
    build.system, text, text, text, text, st.binary(min_size=16, max_size=16), octet, text, text,
    length=st.sampled_from([None, 0x08, 0x19, 0x1B]),
)  # fmt: skip
baseboards = st.builds(
    build.baseboard, text, text, text, text, text, octet, text, word, code,
    length=st.sampled_from([None, 0x08, 0x0F]),
)  # fmt: skip
all_chassis = st.builds(
    build.chassis, text, code, text, text, text, st.tuples(code, code, code),
    st.lists(st.binary(min_size=3, max_size=3), max_size=3).map(tuple), text,
)  # fmt: skip
batteries = st.builds(
    build.battery, text, text, text, text, text, code, word, word, text, octet, word, sbds_date,
    text, octet, length=st.sampled_from([None, 0x10]),
)  # fmt: skip
supplies = st.builds(
    build.power_supply, octet, text, text, text, text, text, text, text, word,
    word, length=st.sampled_from([None, 0x10]),
)  # fmt: skip
inventories = st.builds(
    build.inventory, text, text, code, text, code, text, text, text, size, word, code,
    st.lists(word, max_size=3).map(tuple),
)  # fmt: skip
others = st.builds(
    build.raw_structure, st.sampled_from([126, 128, 200, 11]), st.binary(min_size=1, max_size=30),
    st.lists(st.binary(min_size=1, max_size=9).filter(lambda octets: 0 not in octets), max_size=2),
)  # fmt: skip
tables = st.builds(
    build.table, firmwares, others, systems, baseboards, all_chassis, batteries, supplies,
    inventories,
)  # fmt: skip


def test_both_read_the_same_from_valid_tables(tmp_path: Path) -> None:
    compared: Counter[str] = Counter()

    @settings(max_examples=250, deadline=None, derandomize=True, database=None)
    @given(data=tables, version=st.sampled_from([(2, 5), (2, 8), (3, 0), (3, 5)]))
    def compare(data: bytes, version: tuple[int, int]) -> None:
        compared.update(compared_fields(data, version, tmp_path))

    compare()

    names = [f"{kind} {field}" for (kind, _), (field, _) in FIELDS.items()]
    names += [f"{kind} {field}" for (kind, _, _), field in FLAGS.items()]
    assert [name for name in names if compared[name] < 20] == []


# ---- broken tables ----------------------------------------------------------------------------

BROKEN = {
    "an index past the set": build.table(build.raw_structure(1, bytes([1, 9, 2, 0]), [b"A", b"B"])),
    "an empty string inside the set": build.table(
        build.raw_structure(1, bytes([1, 2, 3, 0]), [b"A", b"", b"C"]), build.baseboard()
    ),
    "a length shorter than the header": build.system() + b"\x02\x03\0\0" + build.chassis(),
    "a length past the end": build.system() + b"\x02\xf0\0\0",
    "a string set without end": build.system() + build.baseboard()[:-3],
    "no end marker": build.system() + build.baseboard(),
    "structures behind the end marker": build.table(build.system()) + build.baseboard(),
    "bytes left over": build.table(build.system(), end=False) + b"\0\0\0",
    "only zeros": bytes(64),
    "only ones": b"\xff" * 64,
    "a UUID of zeros": build.table(build.system(uuid=bytes(16))),
    "a UUID of ones": build.table(build.system(uuid=b"\xff" * 16)),
    "an inactive board first": build.table(
        build.raw_structure(126, bytes(11), [b"gone"]), build.baseboard()
    ),
}


@pytest.mark.parametrize("data", BROKEN.values(), ids=BROKEN)
@pytest.mark.parametrize("version", [(2, 5), (3, 5)])
def test_both_read_the_same_from_broken_tables(data: bytes, version, tmp_path) -> None:
    compared_fields(data, version, tmp_path)


KNOWN_DIFFERENCES = {
    "a release with one byte FFh": (
        (build.firmware(release=(0xFF, 1)), "system_release", "BIOS Revision"),
        (ReleaseNumber(255, 1), None),
    ),
    "bytes outside ASCII": (
        (build.firmware(vendor="Überprüft"), "vendor", "Vendor"),
        ("Überprüft", "..berpr..ft"),
    ),
    "a large ROM in a structure without the extended size": (
        (build.firmware(rom_size=0xFF, length=0x18), "rom_bytes", "ROM Size"),
        (Unknown("16 MiB or more; the structure is too old to say how much"), "16 MB"),
    ),
    "blanks": (
        (build.firmware(version="   "), "version_text", "Version"),
        (Unknown("only blanks are given"), ""),
    ),
    "a smart battery's date that no calendar has": (
        (build.battery(sbds_date=0x0001), "made_on", "SBDS Manufacture Date"),
        (Unknown("0001h is no date"), "1980-00-01"),
    ),
    "a structure that is cut short": (
        (build.system()[:-3], "maker", "Manufacturer"),
        ("Aldermere", None),
    ),
}


@pytest.mark.parametrize(("read", "expected"), KNOWN_DIFFERENCES.values(), ids=KNOWN_DIFFERENCES)
def test_both_differ_as_known(read, expected, tmp_path) -> None:
    structure, field, label = read
    kind = structure[0]
    path = tmp_path / "table.bin"
    path.write_bytes(build.dump(structure, (3, 5)))

    (mine,) = ours_by_type(parse_table(structure, ReleaseNumber(3, 5)))[kind]
    block = next(iter(dmidecode_blocks(path).get(kind, [])), {})

    assert (getattr(mine, field), block.get(label, [None])[0]) == expected
