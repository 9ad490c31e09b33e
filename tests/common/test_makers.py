"""Maker spellings, models and combinations. Spellings: open collection linuxhw/DMI, CC BY 4.0."""

from collections import Counter

import pytest

from flashworthy_common.makers import (
    canonical_firmware_maker,
    canonical_machine_maker,
    canonical_model,
    combination_of,
)
from flashworthy_common.placeholders import is_placeholder
from flashworthy_common.values import Unknown
from support.shared_data import shared_rows

SAME_FIRMWARE_MAKER = {
    "AMI": (
        "American Megatrends Inc.",
        "American Megatrends International, LLC.",
        "A M I, LLC.",
        "FUJITSU // American Megatrends Inc.",
        "ASUSTeK COMPUTER INC.(Licensed from AMI)",
        "ASUSTeK COMPUTER INC. (Licensed by AMI, LLC.)",
    ),
    "Phoenix Technologies": (
        "Phoenix",
        "Phoenix Technologies, LTD",
        "Phoenix Technologies K.K.",
        "FUJITSU SIEMENS // Phoenix Technologies Ltd.",
    ),
    "Insyde": ("INSYDE Corp.", "insyde", "Insyde Software Corporation"),
    "HP": ("HP", "Hewlett-Packard", "HP Development"),
    "Positivo": ("Desenvolvida para Positivo Informatica S/A", "Positivo Tecnologia SA"),
    "U-Boot": ("U-Boot", "u-boot"),
}

# Names that look alike and belong to different companies, or to makers sold separately.
MUST_STAY_APART = (
    ("Phoenix Technologies Ltd.", "Phoenix Contact", "Award Software International, Inc."),
    ("HP", "HPE", "HCD", "H3C"),
    ("FUJITSU", "FUJITSU SIEMENS", "FUJITSU CLIENT COMPUTING LIMITED"),
    ("TOSHIBA", "Semp Toshiba", "Dynabook Inc."),
    ("Positivo Informatica SA", "POSITIVO BGH", "Positivo Bahia - VAIO", "VAIO"),
    ("NEC", "NEC COMPUTERS SAS", "Packard Bell"),
    ("Micro-Star International Co., Ltd.", "Micro Computer (HK) Tech Limited",
     "Micro Electronics Inc", "Microsoft Corporation", "Super Micro Computer, Inc."),
    ("ASUSTeK COMPUTER INC.", "ASRock", "ASRockRack"),
    ("Apple Inc.", "AppliedMicro"),
    ("Acer", "ACL GmbH", "Gateway", "eMachines"),
    ("MEDION", "MEDIACOM"),
    ("DIGMA", "Digibras", "Digma Pro"),
    ("HUAWEI", "HONOR"),
    ("Intel Corporation", "Insyde Corp.", "Intelbras"),
    ("ICL", "ICL Techno"),
    ("Samsung Electronics", "LG Electronics"),
    ("Haier", "Haier Information Technology (Shen Zhen) Co.,Ltd"),
    ("Quanta", "Quanta Cloud Technology Inc."),
    ("IBM", "Lenovo"),
    ("N-one", "ONE-NETBOOK"),
    ("iNet", "Inet_AB"),
    ("AMI", "AMD", "AIR SRL"),
    ("GALAX", "GALAXY"),
    ("EVGA", "EVOC", "EVOO Products"),
    ("System76", "System Manufactory Ltd"),
    ("CASPER BILGISAYAR SISTEMLERI", "Compaq"),
    ("Zvezda LLC", "ZET Gaming"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "name"),
    [(text, name) for name, texts in SAME_FIRMWARE_MAKER.items() for text in texts],
)
def test_every_spelling_of_a_firmware_maker_gives_its_one_name(text: str, name: str) -> None:
    assert canonical_firmware_maker(text) == name


@pytest.mark.parametrize("names", MUST_STAY_APART, ids=lambda names: names[0])
@pytest.mark.parametrize("canonical", [canonical_machine_maker, canonical_firmware_maker])
def test_look_alike_names_stay_apart(names, canonical) -> None:
    found = {canonical(name) for name in names}

    assert len(found) == len(names)


def test_of_two_makers_in_one_field_each_kind_gets_its_own() -> None:
    text = "Aldermere // Brightwater Firmware Ltd."

    assert canonical_machine_maker(text) == "Aldermere"
    assert canonical_firmware_maker(text) == "Brightwater Firmware"


@pytest.mark.parametrize(
    "text", ["ALDERMERE", "aldermere, inc.", "Aldermere Co., Ltd.", "Aldermere GmbH & Co. KG"]
)
def test_a_maker_that_no_table_knows_keeps_its_name_in_one_case(text: str) -> None:
    assert canonical_machine_maker(text) == "Aldermere"


@pytest.mark.parametrize(
    ("text", "because"),
    [
        ("   ", "no name is given"),
        ("To Be Filled By O.E.M.", "only the placeholder 'To Be Filled By O.E.M.' is given"),
        ("MS-7309", "the code 'MS-7309' stands where a maker should"),
        ("m" * 201, "a text of 201 characters is no name"),
        ("Notebook", "the kind of machine, 'Notebook', stands where a maker should"),
    ],
)
def test_what_names_no_maker_is_unknown_with_the_reason(text: str, because: str) -> None:
    assert canonical_machine_maker(text) == Unknown(because)


@pytest.mark.parametrize(
    "text",
    [
        "", "  ", "..........", "----", "To be filled by O.E.M.", "ITo be filled by O.E.M.",
        "TobefilledbyO.E.M.", "Default string-CF", "$(DEFAULT_STRING)", "System Product Name",
        "System manufacturer", "stem manufacturer", "Base Board Product Name", "INVALID", "N/A",
        "Not Applicable", "Type2 - Board Vendor Name1", "Type1ProductConfigId", "TBD by OEM",
        "0123456789", "1234567890", "00000000", "xxxx-xxxx-xxxx", "x.x", "None", "(null)",
        "Asset-1234567890", "No Asset Tag", "System Serial Number", "SmbiosType2_BoardProductName",
    ],
)  # fmt: skip
def test_a_placeholder_is_known_for_one(text: str) -> None:
    assert is_placeholder(text)


@pytest.mark.parametrize(
    "text", ["N-one", "1.0", "2", "1.1", "Type 90K8", "OEGStone", "Defender", "Baseline 12", "X550"]
)
def test_a_name_that_resembles_a_placeholder_is_none(text: str) -> None:
    assert not is_placeholder(text)


@pytest.mark.parametrize(
    ("product", "version", "board", "model"),
    [
        ("Lark 14", "1.0", "LK14-MB", "Lark 14"),
        ("  Lark   14 ", "1.0", "LK14-MB", "Lark 14"),
        ("20UDS17S00", "Wren Gen 1", "20UDS17S00", "Wren Gen 1 (20UD)"),
        ("2344BZU", "Wren T430", "2344BZU", "Wren T430 (2344)"),
        ("80E3", "Wren G50", "LNX", "Wren G50 (80E3)"),
        ("20197", "Wren S300", "INVALID", "Wren S300 (20197)"),
        ("80E3", "Rev 1.0", "LNX", "80E3"),
        ("80E3", "INVALID", "LNX", "80E3"),
        ("MS-7C02", "1.0", "KESTREL MAX (MS-7C02)", "KESTREL MAX (MS-7C02)"),
        ("System Product Name", "System Version", "OSPREY B450", "OSPREY B450"),
        ("All Series", "System Version", "OSPREY B85", "OSPREY B85"),
        ("All Series", "", "Default string", "All Series"),
        ("", "", "", Unknown("no name is given")),
    ],
)
def test_the_model_comes_from_the_field_that_names_it(product, version, board, model) -> None:
    assert canonical_model(product=product, product_version=version, board=board) == model


def names(**changed):
    return {
        "maker": "Aldermere Inc.",
        "product": "Lark 14",
        "product_version": "1.0",
        "board_maker": "Aldermere",
        "board": "LK14-MB",
        "board_version": "A2",
        "version_text": "K1.29",
        **changed,
    }


def test_one_machine_spelled_two_ways_is_one_combination() -> None:
    one = combination_of(**names())
    other = combination_of(**names(maker="ALDERMERE", board=" LK14-MB ", version_text="K1.29 "))

    assert one == other
    assert one.key == ("Aldermere", "Lark 14", "LK14-MB", "A2", "K1.29")


@pytest.mark.parametrize(
    "changed", [{"board": "LK14-MC"}, {"board_version": "A3"}, {"version_text": "K1.30"}]
)
def test_another_board_or_version_is_another_combination(changed) -> None:
    assert combination_of(**names(**changed)) != combination_of(**names())


def test_the_boards_maker_speaks_where_the_machines_is_a_placeholder() -> None:
    found = combination_of(**names(maker="System manufacturer", product="System Product Name"))

    assert (found.machine_maker, found.model) == ("Aldermere", "LK14-MB")


def test_orders_of_one_machine_type_are_one_combination() -> None:
    orders = ("20UDS17S00", "20UDCTO1WW")

    found = {
        combination_of(**names(product=code, product_version="Wren Gen 1", board=code)).key
        for code in orders
    }

    assert found == {("Aldermere", "Wren Gen 1 (20UD)", "20UD", "A2", "K1.29")}


def test_what_was_not_seen_keeps_its_own_reason() -> None:
    denied = Unknown("permission denied")

    found = combination_of(**names(board=denied, version_text=denied))

    assert (found.board, found.version_text) == (denied, denied)
    assert found.key == ("Aldermere", "Lark 14", "", "A2", "")


# ---- real machines ----------------------------------------------------------------------------


def test_forty_firmware_makers_cover_99_of_100_real_machines() -> None:
    machines: Counter[str | Unknown] = Counter()
    for row in shared_rows("firmware_records.tsv.gz"):
        machines[canonical_firmware_maker(row["bios_vendor"])] += int(row["machines"])

    named = Counter({name: count for name, count in machines.items() if isinstance(name, str)})
    covered = sum(count for _, count in named.most_common(40))
    assert covered / machines.total() >= 0.99


@pytest.mark.parametrize("canonical", [canonical_machine_maker, canonical_firmware_maker])
def test_a_canonical_name_is_its_own_canonical_name_in_any_case(canonical) -> None:
    columns = ("bios_vendor", "sys_vendor", "board_vendor")
    rows = shared_rows("firmware_records.tsv.gz")
    names = {canonical(text) for text in {row[column] for row in rows for column in columns}}

    texts = [name for name in names if isinstance(name, str)]
    assert [name for name in texts if {canonical(name), canonical(name.lower())} != {name}] == []


def test_nearly_every_real_machine_has_a_maker_and_a_model() -> None:
    machines: Counter[str] = Counter()
    for row in shared_rows("firmware_records.tsv.gz"):
        found = combination_of(
            maker=row["sys_vendor"],
            product=row["product"],
            product_version=row["sys_version"],
            board_maker=row["board_vendor"],
            board=row["board"],
            board_version="",
            version_text=row["bios_version"],
        )
        machines["all"] += int(row["machines"])
        machines["with a maker"] += int(row["machines"]) * isinstance(found.machine_maker, str)
        machines["with a model"] += int(row["machines"]) * isinstance(found.model, str)

    assert machines["with a maker"] / machines["all"] >= 0.99
    assert machines["with a model"] / machines["all"] >= 0.999
