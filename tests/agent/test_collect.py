"""Probes are kept apart: one that fails or hangs costs its own answers and nobody else's."""

import json
import sys
import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import psutil
import pytest

from flashworthy_agent import __version__
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.encode import encode_report
from flashworthy_agent.probes import platform_named
from flashworthy_agent.probes.access import Access, access_to
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.probe import Platform, Probe
from flashworthy_agent.probes.programs import Programs
from flashworthy_agent.state import State
from flashworthy_common.ids import is_uuid
from flashworthy_common.report import (
    SECTIONS,
    PendingUpdates,
    PowerSection,
    SoftwareSection,
    Source,
    Why,
)
from flashworthy_common.values import Unknown
from flashworthy_server.wire import ReadReport, read_report
from support.trees import NoPrograms, grow

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)
NOT_YET = Unknown("this agent does not look yet")


def looked(tmp_path, *probes, **more):
    platform = Platform(probes, lambda files: 4711)
    return look(Access(FilesBelow(tmp_path), NoPrograms(), now=lambda: NOW), platform, **more)


def on_mains(access):
    return PowerSection(seen_at=access.now(), source="test", mains=True)


def broken(access):
    raise ValueError("cannot\ncope")


def test_what_a_probe_saw_stands_in_its_section(tmp_path):
    found = looked(tmp_path, Probe("power", "power", on_mains))

    assert found.sections["power"] == PowerSection(seen_at=NOW, source="test", mains=True)
    assert (found.taken_at, found.uptime_seconds) == (NOW, 4711)


def test_sections_that_no_probe_answers_say_so(tmp_path):
    found = looked(tmp_path)

    assert found.sections.keys() == SECTIONS.keys() - {"agent"}
    assert found.sections["components"].items == NOT_YET
    assert found.sections["protection"].volumes == NOT_YET


def test_a_probe_that_raises_costs_only_its_own_section(tmp_path):
    found = looked(tmp_path, Probe("software", "software", broken), Probe("p", "power", on_mains))

    software, power = found.runs
    assert found.sections["software"].kernel == Unknown(
        "the probe failed: ValueError: cannot\ncope"
    )
    assert software.failure == "ValueError: cannot\ncope"
    assert power.failure is None
    assert found.sections["power"].mains is True


def test_a_probe_that_hangs_costs_only_its_own_section(tmp_path):
    released = threading.Event()
    hanging = Probe("software", "software", lambda _: released.wait(30), limit_seconds=0.05)

    found = looked(tmp_path, hanging, Probe("power", "power", on_mains))
    released.set()

    assert found.runs[0].failure == "no answer within 0.05 seconds"
    assert found.runs[0].duration_ms >= 50
    assert found.sections["software"].kernel == Unknown(
        "the probe failed: no answer within 0.05 seconds"
    )
    assert found.sections["power"].mains is True


def test_a_probe_for_one_field_leaves_the_rest_of_its_section(tmp_path):
    updates = PendingUpdates(count=3)
    probes = (
        Probe("software", "software", lambda _: SoftwareSection(kernel="6.1", os_name="Alder")),
        Probe("updates", "software", lambda _: SoftwareSection(pending_updates=updates),
              only_field="pending_updates"),
    )  # fmt: skip

    found = looked(tmp_path, *probes)

    assert found.sections["software"] == SoftwareSection(
        kernel="6.1", os_name="Alder", pending_updates=updates
    )


def test_a_failing_probe_for_one_field_costs_only_that_field(tmp_path):
    probes = (
        Probe("software", "software", lambda _: SoftwareSection(kernel="6.1")),
        Probe("updates", "software", broken, only_field="pending_updates"),
    )

    found = looked(tmp_path, *probes).sections["software"]

    assert found.kernel == "6.1"
    assert found.pending_updates.because.startswith("the probe failed: ValueError")


def test_only_the_sections_asked_for_are_looked_at(tmp_path):
    found = looked(
        tmp_path,
        Probe("software", "software", broken),
        Probe("power", "power", on_mains),
        only=frozenset({"power"}),
    )

    assert [run.name for run in found.runs] == ["power"]


def test_a_platform_without_probes_still_gives_a_report(tmp_path):
    findings = look(Access(FilesBelow(tmp_path), NoPrograms()), platform_named("plan9"))

    assert findings.runs == ()
    assert findings.uptime_seconds == Unknown("this agent does not know plan9 yet")
    assert findings.sections["power"].mains == NOT_YET


# ---- reports ----------------------------------------------------------------------------------


def test_a_report_carries_the_state_it_was_made_under(tmp_path):
    state = State(agent_id="a", sequence=12, place="Alder Lane / ground floor", dropped_reports=3)
    findings = looked(tmp_path, Probe("power", "power", on_mains))

    report = make_report(
        findings,
        state,
        source=Source.AGENT,
        why=Why.SCHEDULE,
        spool_depth=2,
        set_aside_reports=1,
    )

    assert (report.agent_id, report.sequence, report.taken_at) == ("a", 12, NOW)
    assert is_uuid(report.report_id, version=7)
    assert report.identity.place == "Alder Lane / ground floor"
    assert (report.agent.version, report.agent.dropped_reports) == (__version__, 3)
    assert (report.agent.spool_depth, report.agent.set_aside_reports) == (2, 1)
    assert report.agent.probes == findings.runs


TREES = {
    "nothing": {},
    "bytes": {
        "/sys/class/dmi/id/bios_vendor": b"\xff\xfe\x00\xe9",
        "/etc/os-release": b"NAME=\xff\n\xff=\xff",
        "/proc/cpuinfo": b"\xff" * 100,
        "/proc/uptime": b"\xff",
        "/proc/sys/kernel/osrelease": b"\xe9",
        "/proc/7/comm": b"\xe9",
        "/sys/firmware/dmi/tables/DMI": b"\xff" * 999,
        "/sys/firmware/dmi/tables/smbios_entry_point": b"\0",
        "/sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c": b"\1",
        "/run/reboot-required.pkgs": b"\xff",
        "/run/reboot-required": b"\xff",
        "/sys/class/power_supply/BAT0/type": b"Battery",
        "/sys/class/power_supply/BAT0/capacity": b"\xff",
    },
    "files for folders": {
        "/sys/class/dmi/id": "",
        "/sys/class/power_supply": "",
        "/sys/firmware": "",
        "/proc": "",
        "/boot": "",
        "/run": "",
        "/etc": "",
    },
    "folders for files": {
        "/sys/class/dmi/id/bios_vendor/x": "",
        "/etc/os-release/x": "",
        "/proc/cpuinfo/x": "",
        "/proc/uptime/x": "",
        "/sys/firmware/dmi/tables/DMI/x": "",
        "/sys/class/power_supply/BAT0/type/x": "",
        "/proc/sys/kernel/osrelease/x": "",
    },
}


@pytest.mark.parametrize("tree", TREES.values(), ids=TREES)
def test_any_tree_gives_a_report_with_reasons_and_no_failed_probe(tmp_path, tree):
    findings = look(access_to(grow(tmp_path, tree)), platform_named("linux"))
    state = State(agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801", sequence=1)
    report = make_report(findings, state, source=Source.FILE, why=Why.BY_HAND)

    read = read_report(json.loads(encode_report(report)))

    assert read.problems == ()
    assert [run.failure for run in read.report.agent.probes] == [None] * len(findings.runs)
    assert isinstance(read.report.firmware.version_text, Unknown)


def test_the_server_reads_this_machines_report_as_it_was_meant():
    access = replace(access_to(Path("/")), now=lambda: NOW)
    findings = look(access, only=frozenset(SECTIONS) - {"software"})  # apt is asked elsewhere
    state = State(agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801", sequence=1)
    report = make_report(findings, state, source=Source.AGENT, why=Why.SPOT)

    read = read_report(json.loads(encode_report(report)))

    assert read == ReadReport(report, problems=())


# ---- programs ---------------------------------------------------------------------------------


def test_a_program_answers_in_the_c_locale_with_nothing_to_read(monkeypatch):
    monkeypatch.setenv("LC_ALL", "nl_NL.UTF-8")

    outcome = Programs(RunningSystem()).run(
        ["sh", "-c", "cat; echo $LC_ALL; echo no >&2; exit 3"], 10
    )

    assert (outcome.status, outcome.output, outcome.complaint) == (3, "C\n", "no\n")


def test_a_program_that_is_not_there_is_a_reason():
    assert Programs(RunningSystem()).run(["no-such-program"], 10) == Unknown(
        "no-such-program cannot be run: No such file or directory"
    )


def test_a_slow_program_is_ended_with_all_that_it_started(tmp_path):
    mark = tmp_path / "mark"

    answer = Programs(RunningSystem()).run(["sh", "-c", f"(sleep 1; touch {mark}) & sleep 30"], 0.1)

    assert answer == Unknown("sh took longer than 0 seconds")
    commands = [process.info["cmdline"] or [] for process in psutil.process_iter(["cmdline"])]
    assert [command for command in commands if str(mark) in " ".join(command)] == []


def test_a_program_may_say_bytes_outside_utf_8():
    outcome = Programs(RunningSystem()).run(
        [sys.executable, "-c", "import os; os.write(1, b'\\xe9')"], 10
    )

    assert outcome.output == "\ufffd"
