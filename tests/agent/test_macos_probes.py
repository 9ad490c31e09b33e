"""What the agent makes of macOS' answers: replayed from made-up ones, in the documented shapes.

Shapes: the manual pages that `probes/macos/` names, what others published of the same programs'
output, and plist(5). No real macOS was asked.
"""

import json
import plistlib
import random
import sys
import time

import pytest

from flashworthy_agent.capture import read_capture, replaying, write_capture
from flashworthy_agent.capturing import take
from flashworthy_agent.cli import main
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.probes import live, platform_named
from flashworthy_agent.probes.macos import answers, machine, people, power, protection, updates
from flashworthy_agent.probes.macos.private import personal
from flashworthy_agent.state import new_state
from flashworthy_common.report import (
    BootMode,
    Component,
    ProtectorKind,
    Session,
    Source,
    Why,
    report_to_json,
)
from flashworthy_common.values import Unknown
from flashworthy_server.wire import read_report
from support import mac_machine as build
from support.mac_machine import DENIED, NOT_THERE, capture, printed, program, said

MACOS = platform_named("darwin")


def seen(section, *changes, **more):
    found = look(replaying(capture(*changes, **more)), MACOS)
    assert [run.failure for run in found.runs if run.failure] == []
    return found.sections[section]


# ---- whole ------------------------------------------------------------------------------------


def test_a_machine_is_reported_whole_and_the_server_takes_it():
    findings = look(replaying(capture()), MACOS)

    report = make_report(findings, new_state(sequence=1), source=Source.FILE, why=Why.BY_HAND)
    read = read_report(json.loads(json.dumps(report_to_json(report))))

    assert read.problems == ()
    assert read.report.firmware.comes_with_os is True
    assert report.uptime_seconds == 3600
    assert report.identity.smbios_uuid == build.UUID.lower()
    assert report.identity.system_serial == build.SERIAL
    assert report.identity.hostname == "Reading-Room-4"
    assert (report.machine.maker, report.machine.product) == ("Alder Works", "Lark14,2")
    assert (report.machine.family, report.machine.sku) == ("Lark 14", "L14000AB/A")
    assert report.firmware.version_text == "18000.41.10"
    assert report.components.items == (
        Component(kind="drive", name="Tern 512", version_text="FX1.04"),
        Component(kind="loader", name="loader of the system", version_text="18000.41.10"),
    )


def test_a_capture_of_it_is_replayed_from_its_file_and_gives_nobody_away():
    taken = take(replaying(capture()), MACOS, "darwin", replace_ids=True)

    content = write_capture(taken.capture)
    assert taken.differing == ()
    assert look(replaying(read_capture(content)), MACOS).sections == taken.replayed.sections
    for telling in (
        build.SERIAL, build.UUID, build.RECOVERY_USER, "Reading-Room-4", "mira", "joost",
        "0ba018e4045c5e3e", "F8Y0420ALDR", "00009911-000A1B2C3D4E5F60", "10.0.0.7",
    ):  # fmt: skip
        assert telling.encode() not in content, telling


@pytest.mark.parametrize("question", [*build.ANSWERS], ids=" ".join)
def test_whatever_one_answer_lacks_costs_no_probe(question):
    for reason in (DENIED, NOT_THERE, OSError(5, "odd"), said(b"", None), said(b"", 1, b"no")):
        if question[0] != "program" and not isinstance(reason, OSError):
            continue
        found = look(replaying(capture({question: reason})), MACOS)

        assert [run.failure for run in found.runs if run.failure] == []


def test_one_command_captures_such_a_machine_and_says_what_to_send(capsys, tmp_path, monkeypatch):
    file = tmp_path / "lark.json"
    monkeypatch.setattr(live, "RunningSystem", capture)
    monkeypatch.setattr(sys, "platform", "darwin")

    status = main(["capture", "--out", str(file), "--replace-ids"])

    told = capsys.readouterr().out
    assert status == 0
    assert "firmware: system_profiler: SPHardwareDataType, SPiBridgeDataType, seen " in told
    assert f"  1. {file}, which is text: look through it before you send it" in told
    monkeypatch.undo()
    assert main(["collect", "--replay", str(file)]) == 0
    assert json.loads(capsys.readouterr().out)["machine"]["product"] == "Lark14,2"


def test_a_replay_costs_little():
    replayed = replaying(capture())
    look(replayed, MACOS)  # loads the modules
    started = time.process_time()

    look(replaying(capture()), MACOS)

    assert time.process_time() - started <= 0.150


# ---- machine and firmware ---------------------------------------------------------------------


def test_a_machine_with_an_intel_processor_starts_by_uefi_and_tells_its_controllers_release():
    bridge = {"ibridge_build": "20P420", "ibridge_model_name": "Tern security chip",
              "ibridge_secure_boot": "Medium Security"}  # fmt: skip

    found = seen("firmware", build.profile(bridge, **build.WITH_INTEL))
    parts = seen("components", build.profile(bridge, **build.WITH_INTEL)).items

    assert found.boot_mode is BootMode.UEFI
    assert (found.controller_release, found.secure_boot) == ("2.46f12", True)
    assert (
        Component(kind="security chip", name="Tern security chip", version_text="20P420") in parts
    )


def test_another_processor_starts_by_neither_way():
    found = seen("firmware")

    assert found.boot_mode == Unknown("it starts neither by UEFI nor the legacy way")
    assert found.esrt == Unknown("this platform keeps no ESRT")


@pytest.mark.parametrize(
    ("level", "expected"),
    [
        ("Full Security", True),
        ("Reduced Security", True),
        ("Permissive Security", False),
        ("No Security", False),
        ("Volle Sicherheit", Unknown("a level that is not known here: 'Volle Sicherheit'")),
        ("", Unknown("the system profiler tells no ibridge_secure_boot")),
    ],
)
def test_secure_boot_is_the_level_of_startup_security(level, expected):
    assert seen("firmware", build.profile({"ibridge_secure_boot": level})).secure_boot == expected


@pytest.mark.parametrize(
    ("change", "virtual"),
    [
        (build.profile(machine_model="VirtualMac2,1"), True),
        (program(answers.KERNEL, said("kern.osrelease: 24.1.0\nkern.hv_vmm_present: 1\n")), True),
        (program(answers.KERNEL, said("kern.osrelease: 24.1.0\n", 1, b"unknown oid")),
         Unknown("the kernel tells no hv_vmm_present")),
        (program(answers.KERNEL, NOT_THERE),
         Unknown("sysctl cannot be run: No such file or directory")),
    ],
)  # fmt: skip
def test_virtual_is_said_with_evidence_only(change, virtual):
    assert seen("machine", change).virtual == virtual
    assert seen("firmware", change).comes_with_os is not True


@pytest.mark.parametrize(
    ("answer", "because"),
    [
        (said("", None), "system_profiler took longer than 30 seconds"),
        (said("{", 0), "system_profiler ended with status 0: nothing said"),
        (said("[]", 0), "system_profiler ended with status 0: nothing said"),
        (said("{}", 0), "the system profiler tells no SPHardwareDataType"),
        (said('{"SPHardwareDataType": []}'), "the system profiler tells no machine"),
        (said('{"SPHardwareDataType": [{}]}'), "the system profiler tells no boot_rom_version"),
    ],
)
def test_a_profile_that_is_not_to_be_had_is_a_reason(answer, because):
    found = seen("firmware", program(answers.PROFILER, answer))

    assert found.version_text == Unknown(because)
    assert found.comes_with_os == Unknown(because)


# ---- power ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "mains"),
    [
        ("AC Power", True),
        ("Battery Power", False),
        ("UPS Power", False),
        ("Sun", Unknown("expected a source of power, got 'Sun'")),
    ],
)
def test_mains_is_the_source_that_it_draws_from(source, mains):
    assert seen("power", build.pmset(source)).mains == mains


def test_a_battery_tells_its_charge_and_its_wear():
    (found,) = seen("power").batteries

    assert (found.name, found.state, found.percent) == ("InternalBattery-0", "not charging", 62)
    assert (found.charge_mah, found.full_mah, found.design_mah) == (3100, 5000, 5600)
    assert (found.cycles, found.draw_ma) == (312, 0)
    assert found.runtime_seconds == Unknown("macOS gives no estimate")


@pytest.mark.parametrize(
    ("line", "percent", "state", "runtime"),
    [
        ("97%; charged; 0:00 remaining present: true", 97, "full", None),
        ("78%; discharging; 3:41 remaining present: true", 78, "discharging", 13_260),
        ("78%; discharging; (no estimate) present: true", 78, "discharging", None),
        ("42%; charging; 1:13 remaining present: true", 42, "charging", None),
        ("99%; finishing charge; 0:31 remaining present: true", 99, "charging", None),
        ("62%; resting; present: true", 62, Unknown("a state that is not known here: 'resting'"),
         None),
        ("620%; charged; present: true", Unknown("not a percentage: 620"), "full", None),
    ],
)  # fmt: skip
def test_the_line_of_a_battery_is_read(line, percent, state, runtime):
    (found,) = seen("power", build.pmset(line=line)).batteries

    assert (found.percent, found.state) == (percent, state)
    assert found.runtime_seconds == (runtime or Unknown("macOS gives no estimate"))


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        # found on machines: an unsigned number of 64 bits stands for a negative one
        ({"Amperage": 2**64 - 721}, "draw_ma", 721),
        ({"Amperage": -721}, "draw_ma", 721),
        ({"Amperage": 2**40}, "draw_ma", Unknown(f"no current: {2**40}")),
        ({"AppleRawMaxCapacity": 0}, "full_mah",
         Unknown("expected a positive AppleRawMaxCapacity, got 0")),
        ({"DesignCapacity": "many"}, "design_mah",
         Unknown("the I/O Registry tells no DesignCapacity")),
    ],
)  # fmt: skip
def test_a_number_of_the_registry_that_cannot_be_is_unknown(changes, field, expected):
    (found,) = seen("power", build.battery(**changes)).batteries

    assert getattr(found, field) == expected


@pytest.mark.parametrize(
    "text",
    [
        "Now drawing from 'AC Power'\n",
        "Now drawing from 'AC Power'\n -InternalBattery-0 (id=1)\t0%; charged; present: false\n",
    ],
)
def test_a_machine_without_a_battery_has_none(text):
    assert seen("power", program(power.SOURCES, said(text))).batteries == ()


def test_a_battery_in_another_form_is_not_overlooked():
    text = "Now drawing from 'AC Power'\n -InternalBattery-0: fine\n"

    assert isinstance(seen("power", program(power.SOURCES, said(text))).batteries, Unknown)


def test_without_the_registry_a_battery_has_no_wear():
    (found,) = seen("power", program(power.REGISTRY, said(b""))).batteries

    assert found.percent == 62
    assert found.design_mah == Unknown("the I/O Registry tells no battery")


def test_a_ups_at_the_machine_itself_is_told_but_not_judged_ready():
    text = (
        "Now drawing from 'UPS Power'\n"
        " -Heron 700 (id=7340032)\t88%; discharging; 0:21 remaining present: true\n"
    )

    found = seen("power", program(power.SOURCES, said(text)))

    assert found.batteries == ()
    (ups,) = found.ups
    assert (ups.name, ups.charge_percent, ups.runtime_seconds) == ("Heron 700", 88, 1260)
    assert isinstance(ups.status_text, Unknown)


def test_without_any_ups_there_is_a_reason():
    assert seen("power").ups == Unknown("no UPS is configured, and none attached")


# ---- protection -------------------------------------------------------------------------------


def test_the_systems_volumes_are_those_of_its_container():
    found = {one.name: one for one in seen("protection").volumes}

    assert [*found] == ["Inland", "Inland - Data"]  # and none that only the system uses
    for volume in found.values():
        assert (volume.is_system, volume.encrypted) == (True, True)
        assert volume.protector is ProtectorKind.PASSPHRASE
        assert volume.suspended_restarts == Unknown("there is nothing to suspend")


def test_encryption_by_the_hardware_alone_asks_nobody_for_anything():
    change = build.volumes(build.volume("Inland - Data", "Data", file_vault=False))

    (found,) = seen("protection", change).volumes

    assert (found.is_system, found.encrypted) == (True, False)


def test_a_disk_beside_it_is_not_the_systems():
    listed = {"Containers": [
        {"ContainerReference": "disk3", "Volumes": [build.DATA]},
        {"ContainerReference": "disk5", "Volumes": [build.volume("Copy", "System"),
                                                    build.volume("Papers")]},
    ]}  # fmt: skip

    found = seen("protection", program(protection.VOLUMES, printed(listed))).volumes

    assert [(one.name, one.is_system) for one in found] == [
        ("Inland - Data", True), ("Copy", False), ("Papers", False),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "encrypted"),
    [
        ("FileVault is On.\n", True),
        ("FileVault is On.\nEncryption in progress: Percent completed = 12\n", True),
        ("FileVault is Off.\n", False),
    ],
)
@pytest.mark.parametrize("listed", [said(b"", 1, b"no"), printed({"Containers": []}), said("x")])
def test_without_a_list_of_volumes_the_status_speaks_for_the_system(listed, text, encrypted):
    changes = program(protection.VOLUMES, listed), program(protection.STATUS, said(text))

    (found,) = seen("protection", *changes).volumes

    assert (found.is_system, found.encrypted) == (True, encrypted)


def test_a_status_that_is_not_known_is_a_reason():
    changes = (
        program(protection.VOLUMES, said("")),
        program(protection.STATUS, said("Deferred enablement appears to be active")),
    )

    assert seen("protection", *changes).volumes.because.startswith("expected 'FileVault is On.' or")


# ---- people -----------------------------------------------------------------------------------


def test_sessions_are_told_with_where_from_and_how_long_idle():
    assert seen("people").sessions == (
        Session(
            user="mira", remote=False, idle_seconds=300
        ),  # of keyboard and mouse, not of the line
        Session(user="joost", remote=True, idle_seconds=300),
    )


@pytest.mark.parametrize(
    ("line", "idle"),
    [
        ("mira  ttys000  Nov  2 08:05   .   143", 0),
        ("mira  ttys000  Nov 12 08:05 13:07 143", 47_220),
        ("mira  ttys000  Nov  2 08:05  old  143 ", 86_400),
        ("mira  ttys000  Nov  2 08:05", Unknown("who tells no idle time of it")),
    ],
)
def test_the_idle_time_of_a_terminal_is_that_of_its_line(line, idle):
    (found,) = seen("people", program(people.SESSIONS, said(line + "\n"))).sessions

    assert (found.user, found.remote, found.idle_seconds) == ("mira", False, idle)


def test_a_session_in_another_form_is_not_overlooked():
    told = program(people.SESSIONS, said(build.WHO + "mira is here too\n"))

    assert seen("people", told).sessions == Unknown(
        "expected a name, a line and a time of each session, got another form"
    )


def test_nobody_logged_on_is_an_answer():
    assert seen("people", program(people.SESSIONS, said(b""))).sessions == ()


def test_installers_are_told_and_not_the_services_that_wait_for_them():
    names = said("launchd\nInstaller\nsoftwareupdated\ninstalld\nsoftwareupdate\n")

    assert seen("people", program(people.PROCESSES, names)).installers == (
        "Installer", "softwareupdate",
    )  # fmt: skip


# ---- software ---------------------------------------------------------------------------------


def test_the_system_is_told_by_name_version_and_build():
    found = seen("software")

    assert (found.os_name, found.os_version, found.os_build) == ("macOS", "15.1", "24B83")
    assert (found.kernel, found.system_free_bytes) == ("24.1.0", 40_000_000_000)
    assert isinstance(found.restart_pending, Unknown)


def test_the_version_of_a_package_is_asked_by_its_identifier():
    asked = ("pkgutil", "--pkg-info-plist", "example.reader")
    package = program(asked, printed({"pkgid": "example.reader", "pkg-version": "7.1"}))

    found = seen("software", package, look_for=("example.reader", "--pkgs", "example.other"))

    assert [one.version_text for one in found.installed] == [
        "7.1",
        Unknown("expected the identifier of a package, as pkgutil --pkgs lists it"),
        Unknown("pkgutil cannot be run: the capture does not hold it"),
    ]


def test_uptime_is_since_the_start_that_the_kernel_tells():
    for text, expected in (
        ("kern.boottime: { sec = 1793608200, usec = 5 } Mon", 3600),
        ("kern.boottime: { sec = 1993608200, usec = 5 } Mon",
         Unknown("the clock was set after the start")),
        ("kern.boottime: soon", Unknown("the kernel tells no kern.boottime")),
    ):  # fmt: skip
        change = program(answers.KERNEL, said(text))
        assert look(replaying(capture(change)), MACOS).uptime_seconds == expected


# ---- updates ----------------------------------------------------------------------------------


def test_pending_updates_are_those_of_the_last_search_and_its_time_is_told():
    found = seen("software").pending_updates

    assert (found.count, found.names) == (1, ("System Update 15.2",))
    assert found.lists_at.isoformat() == "2026-11-01T18:00:00+00:00"
    assert isinstance(found.security_count, Unknown)


def test_nothing_pending_is_an_answer():
    change = build.preferences(LastUpdatesAvailable=0, RecommendedUpdates=[])

    assert seen("software", change).pending_updates.count == 0


def test_what_it_does_not_recommend_counts_too():
    change = build.preferences(LastUpdatesAvailable=3)

    assert seen("software", change).pending_updates.count == 3


@pytest.mark.parametrize(
    ("change", "because"),
    [
        (build.preferences(LastSuccessfulDate=None),
         "macOS has not searched for updates yet: it cannot know of any"),
        (build.preferences(LastAttemptSystemVersion="15.0 (24A335)"),
         "the last search was made by 15.0 (24A335); this is build 24B83"),
        (build.preferences(LastUpdatesAvailable=None, RecommendedUpdates=None),
         "macOS tells no LastUpdatesAvailable"),
        (build.preferences(LastUpdatesAvailable=-1), "expected a count of updates, got -1"),
        ({("file", updates.PREFERENCES): NOT_THERE}, f"not there: {updates.PREFERENCES}"),
        ({("file", updates.PREFERENCES): plistlib.dumps([])},
         f"expected a dictionary in {updates.PREFERENCES}, got []"),
    ],
)  # fmt: skip
def test_a_search_that_cannot_know_is_not_up_to_date(change, because):
    assert seen("software", change).pending_updates == Unknown(because)


# ---- whatever it says -------------------------------------------------------------------------

# Each raw answer that is bytes, and the probes that read it.
READ_BY = {
    ("program", *answers.PROFILER): ("machine", "firmware", "components"),
    ("program", *answers.PLATFORM): ("identity", "machine"),
    ("program", *answers.KERNEL): ("machine", "software"),
    ("program", *machine.HOSTNAME): ("identity",),
    ("program", *power.SOURCES): ("power", "UPS"),
    ("program", *power.REGISTRY): ("power",),
    ("program", *protection.VOLUMES): ("protection",),
    ("program", *protection.SYSTEM_VOLUME): ("protection",),
    ("program", *protection.STATUS): ("protection",),
    ("program", *people.SESSIONS): ("people",),
    ("program", *people.INPUT): ("people",),
    ("program", *people.PROCESSES): ("people",),
    ("file", answers.SYSTEM_VERSION): ("software",),
    ("file", updates.PREFERENCES): ("pending updates",),
}
# What else must be there for an answer to count.
BESIDE = {
    ("program", *power.REGISTRY): ("program", *power.SOURCES),
    ("program", *protection.VOLUMES): ("program", *protection.SYSTEM_VOLUME),
    ("program", *protection.SYSTEM_VOLUME): ("program", *protection.VOLUMES),
    ("program", *people.INPUT): ("program", *people.SESSIONS),
}
PROBES = {probe.name: probe for probe in MACOS.probes}
SCRAPS = (b"", b"\0", b"\xff\xff", b"\x80", b'"', b"null", b"-1", b"[", b"}", b"<", b"</dict>",
          b"<array>", b"<integer>-", b"1e99", b"%;", b"(", b"99:99", b"\n")  # fmt: skip


def read_mutated(question, count):
    """Change bytes of one raw answer, and look with the probes that read it."""
    chance = random.Random(7)
    needed = {question, BESIDE.get(question)}
    changing = capture({other: NOT_THERE for other in READ_BY if other not in needed})
    for _ in range(count):
        answer = build.ANSWERS[question]
        answer = _mutated(chance, answer) if isinstance(answer, bytes) else [
            answer[0], _mutated(chance, answer[1]), answer[2]]  # fmt: skip
        changing.answers[question] = answer
        access = replaying(changing)
        for name in READ_BY[question]:
            PROBES[name].look(access)
        MACOS.uptime_seconds(access)
        tuple(personal(question, answer))


def _mutated(chance, octets):
    octets = bytearray(octets)
    for _ in range(chance.randint(1, 6)):
        place = chance.randrange(len(octets) + 1)
        octets[place : place + chance.choice((0, 1, 1, 8))] = chance.choice(SCRAPS)
    return bytes(octets)


def test_every_raw_answer_that_is_bytes_is_mutated():
    assert {question for question in build.ANSWERS if question[0] in ("program", "file")} == {
        *READ_BY
    }


@pytest.mark.parametrize("question", READ_BY, ids=" ".join)
def test_mutated_answers_never_raise(question):
    read_mutated(question, 100)


@pytest.mark.long
@pytest.mark.parametrize("question", READ_BY, ids=" ".join)
def test_a_hundred_thousand_mutated_answers_never_raise(question):
    read_mutated(question, 100_000)
