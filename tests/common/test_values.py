"""Values, reasons why they are missing, and their JSON."""

import json
from dataclasses import fields
from datetime import UTC, datetime, timedelta, timezone

import pytest

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.readiness import Verdict
from flashworthy_common.report import (
    SECTIONS,
    Battery,
    BootMode,
    FirmwareSection,
    PowerSection,
    SoftwareSection,
    report_from_json,
    report_to_json,
    section_from_json,
    unknown_section,
)
from flashworthy_common.values import (
    MAX_LIST_ITEMS,
    MAX_TEXT_CHARACTERS,
    NOT_REPORTED,
    Unknown,
    from_json,
    read_time,
    to_json,
    write_time,
)
from support.machines import FIT_REPORT, verdict_of


def test_a_report_survives_json_whole():
    data = json.loads(json.dumps(report_to_json(FIT_REPORT)))
    problems: list[str] = []

    sections = {name: section_from_json(name, data[name], problems) for name in SECTIONS}

    assert sections == {name: getattr(FIT_REPORT, name) for name in SECTIONS}
    assert problems == []


def test_a_verdict_survives_json_whole():
    verdict = verdict_of()

    assert from_json(Verdict, json.loads(json.dumps(to_json(verdict)))) == verdict


def test_what_was_not_reported_is_left_out_and_comes_back_as_such():
    section = FirmwareSection(version_text="1.29", rom_bytes=Unknown("permission denied"))

    data = to_json(section)

    assert data == {
        "source": "not named",
        "version_text": "1.29",
        "rom_bytes": {"unknown": "permission denied"},
    }
    assert section_from_json("firmware", data, []) == section


def test_a_malformed_value_becomes_unknown_and_the_rest_is_kept():
    problems: list[str] = []
    data = {"version_text": 12, "date_text": "05/04/2023", "boot_mode": "quantum", "odd": 1}

    section = section_from_json("firmware", data, problems)

    assert section.date_text == "05/04/2023"
    assert problems == [
        f"firmware.version_text: expected a text of at most {MAX_TEXT_CHARACTERS} characters,"
        " got 12",
        "firmware.boot_mode: expected one of uefi, legacy, got 'quantum'",
    ]
    assert section.version_text == Unknown(f"malformed: {problems[0]}")


@pytest.mark.parametrize("data", [None, [], "on mains", 7, {"mains": True, "source": 3}])
def test_a_section_that_is_none_is_unknown_as_a_whole(data):
    problems: list[str] = []

    section = section_from_json("power", data, problems)

    assert section.mains == Unknown(f"malformed: {problems[0]}")


def test_an_item_without_its_name_makes_its_list_unknown():
    section = section_from_json("power", {"batteries": [{"name": "BAT0"}, {"percent": 50}]}, [])

    assert section.batteries == Unknown(
        "malformed: power.batteries[1].name: expected a value, got None"
    )


@pytest.mark.parametrize("odd", [{}, {"power": 7}, {"power": {"mains": 3}, "people": None}])
def test_a_report_is_read_as_its_sections_are_one_by_one(odd):
    data = json.loads(json.dumps(report_to_json(FIT_REPORT))) | odd
    one_by_one: list[str] = []
    sections = {name: section_from_json(name, data[name], one_by_one) for name in SECTIONS}
    problems = ["known before"]

    report = report_from_json(data, problems)

    assert {name: getattr(report, name) for name in SECTIONS} == sections
    assert problems == ["known before", *one_by_one]
    assert report.taken_at == FIT_REPORT.taken_at


def test_a_report_without_an_envelope_is_refused():
    with pytest.raises(MalformedValueError, match="report_id: expected a value, got None"):
        report_from_json({"power": {}})


@pytest.mark.parametrize(
    ("percent", "is_kept"),
    [(0, True), (100, True), (62.5, True), (255, False), (-1, False), (True, False), ("62", False)],
)
def test_a_percentage_is_a_number_from_0_to_100(percent, is_kept):
    # 255 stands for *unknown* in one system's status call; it must never pass as a charge
    section = section_from_json("power", {"batteries": [{"name": "BAT0", "percent": percent}]}, [])

    (battery,) = section.batteries
    assert (battery.percent == percent) is is_kept
    assert isinstance(battery.percent, Unknown) is not is_kept


def test_texts_and_lists_are_bounded():
    long_text = {"os_name": "x" * (MAX_TEXT_CHARACTERS + 1)}
    long_list = {"restart_pending": ["x"] * (MAX_LIST_ITEMS + 1)}

    assert isinstance(section_from_json("software", long_text, []).os_name, Unknown)
    assert isinstance(section_from_json("software", long_list, []).restart_pending, Unknown)


def test_a_section_may_be_unknown_for_one_reason():
    section = unknown_section(SoftwareSection, "took longer than 10 s", source="the probe")

    assert section.kernel == Unknown("took longer than 10 s")
    assert section.source == "the probe"
    assert section.seen_at == NOT_REPORTED


def test_every_section_forgives_every_missing_value():
    for kind in SECTIONS.values():
        assert all(
            getattr(kind(), field.name) == NOT_REPORTED
            for field in fields(kind)
            if field.name != "source"
        )


# RFC 3339 §5.8 and §5.6: an offset or Z is needed, T and Z may be lower case
@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, tzinfo=UTC)),
        ("2026-05-04t10:00:00z", datetime(2026, 5, 4, 10, 0, tzinfo=UTC)),
    ],
)
def test_times_are_read_as_rfc_3339(text, time):
    assert read_time(text, "taken_at") == time


@pytest.mark.parametrize(
    "data",
    ["2026-05-04T10:00:00", "2026-05-04", "20260504T100000Z", "", 1, None, "2026-13-04T10:00:00Z"],
)
def test_a_time_without_an_offset_or_sense_is_refused(data):
    with pytest.raises(MalformedValueError, match="taken_at: expected an RFC 3339 time"):
        read_time(data, "taken_at")


def test_times_are_written_in_utc():
    east = timezone(timedelta(hours=2))

    assert write_time(datetime(2026, 5, 4, 12, 0, tzinfo=east)) == "2026-05-04T10:00:00Z"
    assert write_time(datetime(2026, 5, 4, 12, 0, 0, 5_000, tzinfo=east)).endswith("00.005Z")
    assert write_time(datetime(2026, 5, 4, 12, 0, 0, 999, tzinfo=east)).endswith("10:00:00Z")


def test_a_strict_field_names_itself():
    with pytest.raises(MalformedValueError, match=r"^battery\.name: expected a value"):
        from_json(Battery, {}, path="battery")


def test_enumerations_and_flags_come_back_as_such():
    assert from_json(FirmwareSection, {"boot_mode": "uefi"}).boot_mode is BootMode.UEFI
    assert isinstance(from_json(PowerSection, {"mains": 1}).mains, Unknown)
