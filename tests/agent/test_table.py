"""A report in plain words: whole, and value by value."""

from datetime import UTC, datetime

import pytest

from flashworthy_agent.table import in_words, report_lines
from flashworthy_common.report import (
    AgentSection,
    Battery,
    BootMode,
    Component,
    ComponentsSection,
    FirmwareSection,
    PeopleSection,
    PowerSection,
    ProbeRun,
    Report,
    Session,
    SoftwareSection,
    Source,
    Why,
)
from flashworthy_common.report import PendingUpdates as Updates
from flashworthy_common.values import Unknown

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


def test_a_report_is_a_line_for_each_value_or_reason():
    report = Report(
        report_id="r",
        agent_id="a",
        sequence=1,
        taken_at=NOW,
        source=Source.FILE,
        why=Why.BY_HAND,
        firmware=FirmwareSection(
            seen_at=NOW,
            source="raw SMBIOS table",
            version_text="K1.29",
            rom_bytes=8 * 2**20,
            boot_mode=BootMode.UEFI,
            secure_boot=Unknown("permission denied: /x; run as root"),
            esrt=(),
        ),
        components=ComponentsSection(
            items=(Component(kind="drive", name="SV500", version_text="1.20"),)
        ),
        power=PowerSection(
            seen_at=NOW,
            source="/sys/class/power_supply",
            mains=False,
            batteries=(Battery(name="BAT0", state="discharging", percent=62, design_mwh=50_000.0,
                               runtime_seconds=5_400),),
        ),
        software=SoftwareSection(
            pending_updates=Updates(count=1, names=("bash",), source="apt-get", seen_at=NOW)
        ),
        people=PeopleSection(sessions=(Session(user="mira"),), installers=("apt", "dpkg")),
        agent=AgentSection(probes=(ProbeRun(name="power", duration_ms=3),)),
    )  # fmt: skip

    assert (
        "\n".join(report_lines(report))
        == """\
identity: not named

machine: not named

firmware: raw SMBIOS table, seen 2026-05-04T10:00:00Z
  version                 K1.29
  rom                     8.4 MB
  boot mode               uefi
  secure boot             not known: permission denied: /x; run as root
  esrt                    none

components: not named
  items                   drive SV500: 1.20

power: /sys/class/power_supply, seen 2026-05-04T10:00:00Z
  mains                   no
  batteries               BAT0
    state                 discharging
    percent               62 %
    design                50 Wh
    runtime               1 h 30 min

software: not named
  pending updates
    count                 1
    names                 bash
    kept back             none
    source                apt-get
    seen at               2026-05-04T10:00:00Z

protection: not named

people: not named
  sessions                mira
  installers              apt, dpkg

agent: not named
  probes                  power: 3 ms
"""
    )


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (True, "", "yes"),
        (False, "", "no"),
        ((), "", "none"),
        (0, "bytes", "0 bytes"),
        (999, "bytes", "999 bytes"),
        (250_000_000, "bytes", "250.0 MB"),
        (1_500, "bytes", "1.5 kB"),
        (40_000_000_000, "bytes", "40.0 GB"),
        (59, "seconds", "59 s"),
        (60, "seconds", "1 min"),
        (3_660, "seconds", "1 h 1 min"),
        (90_000, "seconds", "1 d 1 h"),
        (85.5, "percent", "85.5 %"),
        (2_400.0, "mah", "2.4 Ah"),
        (8_250.0, "mw", "8.25 W"),
        (7, "ms", "7 ms"),
        (9, "", "9"),
        (NOW, "", "2026-05-04T10:00:00Z"),
    ],
)
def test_a_value_is_told_with_its_unit(value, unit, words):
    assert in_words(value, unit) == words
