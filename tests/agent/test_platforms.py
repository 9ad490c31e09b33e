"""The table of README that says which question is answered on which platform, held to the probes.

What a platform's probes make of its whole made-up machine decides: a question that stays unknown in
every field is *not available*, and any other is not. That something was run for real is a
person's word; on Windows and macOS nobody has given it yet.
"""

import re
from dataclasses import fields, replace
from pathlib import Path

import pytest

from flashworthy_agent.capture import replaying
from flashworthy_agent.collect import look
from flashworthy_agent.probes import platform_named
from flashworthy_agent.probes.probe import Platform
from flashworthy_agent.probes.ups import UpsAddress
from flashworthy_common.report import SECTIONS, Section
from flashworthy_common.values import Unknown
from support import mac_machine, windows_machine

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
HEAD = "| question | Linux | Windows | macOS |\n|---|---|---|---|\n"
PLATFORMS = {"Linux": "linux", "Windows": "win32", "macOS": "darwin"}
NOT_AVAILABLE = "*not available*"
REAL, REPLAYED = re.compile(r"\*run for real\* \([^)]+\)"), "*replayed only*"

# Every field of a report that a probe may answer, by the question of the table.
QUESTIONS = {
    "names and numbers of the machine": "identity: smbios_uuid system_serial board_serial "
    "asset_tag hostname",
    "maker and model": "machine: maker product version sku family board_maker board board_version",
    "kind of chassis": "machine: chassis_type",
    "virtual machine": "machine: virtual virtual_evidence",
    "version of the firmware": "firmware: maker version_text date_text rom_bytes release "
    "controller_release flash_upgradeable",
    "boot mode, Secure Boot": "firmware: boot_mode secure_boot setup_mode",
    "earlier attempts at an update": "firmware: esrt",
    "an update that waits for the restart": "firmware: update_queued",
    "firmware that comes with the system": "firmware: comes_with_os",
    "firmware of the parts": "components: items",
    "mains": "power: mains",
    "batteries and their wear": "power: batteries",
    "power supply units": "power: supplies",
    "UPS": "power: ups",
    "system, version, kernel": "software: os_name os_version os_build kernel",
    "room on the system's disk": "software: system_free_bytes",
    "room on the EFI system partition": "software: esp_free_bytes",
    "pending updates": "software: pending_updates",
    "restart pending": "software: restart_pending",
    "versions that are asked for": "software: installed",
    "encryption and what opens it": "protection: volumes",
    "sessions": "people: sessions",
    "installers running": "people: installers",
    "who holds off a shutdown": "people: inhibitors",
}
BESIDE_THE_SECTIONS = ("uptime", "programs with windows, on the spot")
CONFIGURED = {"place"}  # no probe's


def fields_of(question):
    section, _, names = QUESTIONS[question].partition(": ")
    return [(section, name) for name in names.split()]


def table():
    """The cells of each platform by question."""
    lines = README.split(HEAD)[1].split("\n\n")[0].splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return {row[0]: dict(zip(PLATFORMS, row[1:], strict=True)) for row in rows}


TABLE = table()
DESK = UpsAddress("desk", "localhost")
UPS = {("UPS", *DESK): ["BEGIN LIST UPS", 'UPS desk "x"', "END LIST UPS", "BEGIN LIST VAR desk",
                        'VAR desk ups.status "OL"', "END LIST VAR desk"]}  # fmt: skip


def capture_of(name):
    """The whole made-up machine, with a UPS and something to look for."""
    support = {"Windows": windows_machine, "macOS": mac_machine}[name]
    made = support.capture(UPS, look_for=("reader",))
    return replace(made, head=replace(made.head, ups=(str(DESK),)))


def is_answered(findings, question):
    found = [getattr(findings.sections[section], name) for section, name in fields_of(question)]
    return any(not isinstance(value, Unknown) for value in found)


def test_every_field_of_a_report_belongs_to_one_question():
    common = {field.name for field in fields(Section)}
    asked = [one for question in QUESTIONS for one in fields_of(question)]

    assert sorted(asked) == sorted(
        (section, field.name)
        for section, kind in SECTIONS.items()
        if section != "agent"
        for field in fields(kind)
        if field.name not in common | CONFIGURED
    )
    assert {*TABLE} == {*QUESTIONS, *BESIDE_THE_SECTIONS}


@pytest.mark.parametrize("platform", PLATFORMS)
def test_every_cell_names_a_source_a_right_and_how_far_it_was_tried(platform):
    for question, cells in TABLE.items():
        if (cell := cells[platform]) == NOT_AVAILABLE:
            continue
        parts = cell.split(" · ")
        assert len(parts) == 3, (question, cell)
        assert parts[2] == REPLAYED or REAL.fullmatch(parts[2]), (question, cell)


@pytest.mark.parametrize("platform", ["Windows", "macOS"])
def test_what_is_available_is_what_the_probes_answer(platform):
    findings = look(replaying(capture_of(platform)), platform_named(PLATFORMS[platform]))

    for question in QUESTIONS:
        told = TABLE[question][platform] != NOT_AVAILABLE
        assert told is is_answered(findings, question), question
    assert isinstance(findings.uptime_seconds, int)


@pytest.mark.parametrize("platform", ["Windows", "macOS"])
def test_nobody_ran_it_for_real_there_yet(platform):
    cells = {cells[platform].rpartition(" · ")[2] for cells in TABLE.values()}

    assert cells == {REPLAYED, NOT_AVAILABLE}


@pytest.mark.parametrize("platform", PLATFORMS)
def test_programs_with_windows_are_told_where_the_platform_can(platform):
    default = Platform._field_defaults["programs_with_windows"]
    can = platform_named(PLATFORMS[platform]).programs_with_windows is not default

    assert (TABLE["programs with windows, on the spot"][platform] != NOT_AVAILABLE) is can


@pytest.mark.parametrize("platform", PLATFORMS)
def test_every_section_has_a_probe_and_every_probe_a_question(platform):
    probes = platform_named(PLATFORMS[platform]).probes
    asked = {one for question in QUESTIONS for one in fields_of(question)}

    assert {probe.section for probe in probes} == {*SECTIONS} - {"agent"}
    assert all((one.section, one.only_field) in asked for one in probes if one.only_field)
