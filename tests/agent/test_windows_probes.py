"""What the agent makes of Windows' answers: replayed from made-up ones, in the documented shapes.

Constants: the pages that `probes/windows/` names beside them, at Microsoft's documentation; power
status also facts of `SYSTEM_POWER_STATUS`: 255 and -1 are *unknown*.
"""

import json
import random
import sys
from dataclasses import replace

import pytest

from flashworthy_agent.capture import read_capture, replaying, write_capture
from flashworthy_agent.capturing import take
from flashworthy_agent.cli import main
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.probes import live, platform_named
from flashworthy_agent.probes.windows import firmware, software, versions
from flashworthy_agent.probes.windows.components import PROCESSOR_KEY
from flashworthy_agent.probes.windows.private import personal
from flashworthy_agent.probes.windows.script import SCRIPTS, parse_answers
from flashworthy_agent.state import new_state
from flashworthy_common.report import (
    BootMode,
    EsrtEntry,
    ProtectorKind,
    Session,
    Source,
    Why,
    report_to_json,
)
from flashworthy_common.smbios import parse_table, unwrap_firmware_table
from flashworthy_common.values import Unknown
from flashworthy_server.wire import read_report
from support import windows_machine as build
from support.windows_machine import NOT_THERE, capture, said

WINDOWS = platform_named("win32")


def seen(section, *changes, **more):
    found = look(replaying(capture(*changes, **more)), WINDOWS)
    assert [run.failure for run in found.runs if run.failure] == []
    return found.sections[section]


def script(**answers):
    return {("script", "with updates"): said(**answers)}


# ---- whole ------------------------------------------------------------------------------------


def test_a_machine_is_reported_whole_and_the_server_takes_it():
    findings = look(replaying(capture()), WINDOWS)

    report = make_report(findings, new_state(sequence=1), source=Source.FILE, why=Why.BY_HAND)
    read = read_report(json.loads(json.dumps(report_to_json(report))))

    assert read.problems == ()
    assert report.uptime_seconds == 566
    assert report.identity.system_serial == "AL-2024-0042"
    assert report.identity.hostname == "READING-ROOM-4"
    assert (report.machine.product, report.machine.virtual) == ("Lark 14", False)
    assert (report.firmware.version_text, report.firmware.boot_mode) == ("K1.29", BootMode.UEFI)
    assert (report.firmware.secure_boot, report.firmware.setup_mode) == (True, False)
    assert report.firmware.update_queued == ()
    assert [one.version_text for one in report.components.items] == ["FX1.04", "7.2.1.0", "0xf4"]


def test_a_capture_of_it_is_replayed_from_its_file_and_gives_nobody_away():
    machine = replaying(capture())

    taken = take(machine, WINDOWS, "win32", replace_ids=True)

    content = write_capture(taken.capture)
    assert taken.differing == ()
    assert look(replaying(read_capture(content)), WINDOWS).sections == taken.replayed.sections
    for telling in (
        "AL-2024-0042",
        "MB-99-1234567",
        "mira",
        "READING-ROOM-4",
        "3F2504E0",
        "9b2f3c1e",
    ):
        assert telling not in content.decode()
    table = parse_table(
        *reversed(unwrap_firmware_table(taken.capture.ask("firmware table", "RSMB")))
    )
    assert table.problems == ()
    assert build.SYSTEM_CLASS in content.decode()  # of all machines of this kind


def test_files_that_wait_to_be_replaced_are_not_named_in_a_capture():
    names = ["\\??\\C:\\Users\\mira\\my secret.odt", "", "\\??\\C:\\b"]
    change = build.value(software.SESSION_KEY, software.RENAMES, names, 7)

    taken = take(replaying(capture(change)), WINDOWS, "win32", replace_ids=False)

    assert b"secret" not in write_capture(taken.capture)
    assert taken.replayed.sections["software"].restart_pending == (
        "files to be replaced: PendingFileRenameOperations (2 names)",
    )


@pytest.mark.parametrize("question", [*build.ANSWERS])
def test_whatever_one_answer_lacks_costs_no_probe(question):
    for reason in (build.DENIED, NOT_THERE, OSError(5, "odd")):
        found = look(replaying(capture({question: reason})), WINDOWS)

        assert [run.failure for run in found.runs if run.failure] == []


def test_one_command_captures_such_a_machine_and_says_what_to_send(capsys, tmp_path, monkeypatch):
    file = tmp_path / "lark.json"
    monkeypatch.setattr(live, "RunningSystem", capture)
    monkeypatch.setattr(sys, "platform", "win32")

    status = main(["capture", "--out", str(file), "--replace-ids"])

    told = capsys.readouterr().out
    assert status == 0
    assert "firmware: raw SMBIOS table (GetSystemFirmwareTable), seen " in told
    assert "  script with updates: answered" in told
    assert f"  1. {file}, which is text: look through it before you send it" in told
    monkeypatch.undo()
    assert main(["collect", "--replay", str(file)]) == 0
    assert json.loads(capsys.readouterr().out)["machine"]["product"] == "Lark 14"


# ---- firmware ---------------------------------------------------------------------------------


def test_the_table_is_read_behind_its_header():
    header = bytes([0, 3, 5, 0]) + len(build.TABLE).to_bytes(4, "little")

    assert unwrap_firmware_table(header + build.TABLE + b"rest") == ((3, 5), build.TABLE)


@pytest.mark.parametrize(
    ("table", "because"),
    [
        (b"\0\3", "expected a header of 8 bytes before the table, got 2 bytes"),
        (build.DENIED, "permission denied: firmware table RSMB; run as administrator"),
    ],
)
def test_no_table_is_a_reason(table, because):
    found = seen("identity", {("firmware table", "RSMB"): table})

    assert found.system_serial == found.smbios_uuid == Unknown(because)
    assert found.hostname == "READING-ROOM-4"


@pytest.mark.parametrize(
    ("kind", "mode"),
    [
        # FIRMWARE_TYPE: unknown, BIOS, UEFI, max
        (0, Unknown("Windows does not know what started it: 0")),
        (1, BootMode.LEGACY),
        (2, BootMode.UEFI),
        (3, Unknown("Windows does not know what started it: 3")),
        (NOT_THERE, Unknown("not there: firmware type")),
    ],
)
def test_what_started_windows_is_told_by_the_firmware_type(kind, mode):
    found = seen("firmware", {("firmware type",): kind})

    assert found.boot_mode == mode
    if mode is BootMode.LEGACY:
        assert found.secure_boot == found.esrt == Unknown("the system was not started by UEFI")


@pytest.mark.parametrize(
    ("change", "field", "expected"),
    [
        (build.number(firmware.SECURE_BOOT_KEY, "UEFISecureBootEnabled", 0), "secure_boot", False),
        (build.value(firmware.SECURE_BOOT_KEY, "UEFISecureBootEnabled", NOT_THERE), "secure_boot",
         Unknown(f"not there: {firmware.SECURE_BOOT_KEY}: UEFISecureBootEnabled")),
        (build.value(firmware.SECURE_BOOT_KEY, "UEFISecureBootEnabled", "1"), "secure_boot",
         Unknown(f"expected another type of value in {firmware.SECURE_BOOT_KEY}: "
                 "UEFISecureBootEnabled, got '1'")),
        ({("firmware variable", "SetupMode", firmware.GLOBAL_VARIABLE): b"\1"}, "setup_mode", True),
        ({("firmware variable", "SetupMode", firmware.GLOBAL_VARIABLE): b"\7\7"}, "setup_mode",
         Unknown("expected 00 or 01 in SetupMode, got 07 07")),
        ({("firmware variable", "SetupMode", firmware.GLOBAL_VARIABLE): build.DENIED}, "setup_mode",
         Unknown(f"permission denied: firmware variable SetupMode {firmware.GLOBAL_VARIABLE}; "
                 "run as administrator")),
    ],
)  # fmt: skip
def test_secure_boot_and_setup_mode(change, field, expected):
    assert getattr(seen("firmware", change), field) == expected


def test_the_esrt_is_passed_on_as_it_stands():
    (entry,) = seen("firmware", build.esrt_entry(version=0x10002, tried=0x10003, status=6)).esrt

    assert entry == EsrtEntry(
        firmware_class=build.SYSTEM_CLASS,
        firmware_type=1,
        version=0x10002,
        lowest_supported_version=0x10001,
        capsule_flags=0,
        last_attempt_version=0x10003,
        last_attempt_status=6,
    )


KEY = rf"{firmware.ESRT_KEY}\{{{build.SYSTEM_CLASS}}}"


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({("registry keys", firmware.ESRT_KEY): NOT_THERE}, Unknown("this firmware has no ESRT")),
        ({("registry keys", firmware.ESRT_KEY): build.DENIED},
         Unknown(f"permission denied: {firmware.ESRT_KEY}; run as administrator")),
        ({("registry keys", firmware.ESRT_KEY): ["Entries"]},
         Unknown("expected the GUID of a firmware class, got 'Entries'")),
        (build.value(KEY, "Version", NOT_THERE), Unknown(f"not there: {KEY}: Version")),
        (build.number(KEY, "Version", 2**40),
         Unknown(f"expected a number of 32 bits in {KEY}: Version, got {2**40}")),
        ({("registry keys", firmware.ESRT_KEY): [f"{{{build.SYSTEM_CLASS}}}"] * 2},
         Unknown(f"corrupt: class {build.SYSTEM_CLASS} stands twice in the ESRT")),
    ],
)  # fmt: skip
def test_an_esrt_that_cannot_be_relied_on_is_a_reason(change, expected):
    assert seen("firmware", change).esrt == expected


def test_an_older_windows_may_keep_less_of_an_entry():
    (entry,) = seen("firmware", build.value(KEY, "CapsuleFlags", NOT_THERE)).esrt

    assert entry.capsule_flags == Unknown(f"not there: {KEY}: CapsuleFlags")
    assert entry.version == 0x10002


def indications(bits):
    question = ("firmware variable", "OsIndications", firmware.GLOBAL_VARIABLE)
    return {question: bits if isinstance(bits, OSError) else bits.to_bytes(8, "little")}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ([indications(4)], ("the firmware is asked to look for capsule files",)),  # UEFI §8.5.4
        ([indications(1)], ()),
        ([indications(build.DENIED)],
         Unknown(f"permission denied: firmware variable OsIndications {firmware.GLOBAL_VARIABLE}; "
                 "run as administrator")),
        # "Firmware update status": runs version 1, the package holds 2
        ([build.esrt_entry(version=1, tried=1), build.firmware_package(2)],
         (f"a driver package holds 0x2 for {build.SYSTEM_CLASS}, which runs 0x1",)),
        ([build.esrt_entry(version=2, tried=2), build.firmware_package(2)], ()),
        ([build.esrt_entry(version=1, tried=2, status=6), build.firmware_package(2)], ()),  # failed
        ([build.esrt_entry(version=3, tried=3), build.firmware_package(2)], ()),
        ([build.firmware_package(2, "RES_{00000000-0000-0000-0000-000000000001}")], ()),
        ([build.firmware_package(9, "what is this")], ()),
        ([indications(build.DENIED), build.esrt_entry(version=1, tried=1),
          build.firmware_package(2)],
         (f"a driver package holds 0x2 for {build.SYSTEM_CLASS}, which runs 0x1",)),
    ],
)  # fmt: skip
def test_what_waits_for_the_next_start_is_told_by_variable_and_driver_package(changes, expected):
    assert seen("firmware", *changes).update_queued == expected


# ---- virtual ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "virtual"),
    [
        ([script(computer=[{"hypervisor": True}])],
         Unknown("a hypervisor runs below this system; is it a virtual machine's or its own?")),
        ([script(computer=[])], Unknown("Windows does not tell whether a hypervisor runs")),
        ([script(computer="Access denied")], Unknown("Windows does not tell: Access denied")),
        ([{("firmware table", "RSMB"): build.wrapped(build.smbios_tables.table(
            build.smbios_tables.system(product="Virtual Machine")))}], True),
        ([{("firmware table", "RSMB"): build.wrapped(build.smbios_tables.table(
            build.smbios_tables.firmware(extension=(0, 1 << 4))))}], True),
    ],
)  # fmt: skip
def test_virtual_is_said_with_evidence_only(changes, virtual):
    assert seen("machine", *changes).virtual == virtual


# ---- power ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "mains"),
    [
        (0, False),
        (1, True),
        (2, False),  # "Backup Power"
        (255, Unknown("Windows does not know about mains: 255")),
        (7, Unknown("Windows does not know about mains: 7")),
    ],
)
def test_mains_is_the_line_status(line, mains):
    assert seen("power", {("power status",): build.power_status(line)}).mains == mains


def test_a_battery_tells_its_charge_and_its_wear():
    (found,) = seen("power").batteries

    assert (found.name, found.state, found.percent) == ("battery 1", "not charging", 62.1)
    assert (found.energy_mwh, found.full_mwh, found.design_mwh) == (28300, 45600, 57000)
    assert found.cycles == 312
    assert found.runtime_seconds == Unknown("it does not discharge")


@pytest.mark.parametrize(
    ("made", "field", "expected"),
    [
        ({"state": 2, "rate": -9000, "capacity": 27000}, "runtime_seconds", 10800),
        ({"state": 2, "rate": -9000}, "state", "discharging"),
        ({"state": 2, "rate": -9000}, "draw_mw", 9000),
        ({"state": 5}, "state", "charging"),
        ({"capacity": 45600}, "state", "full"),
        ({"capacity": 46000}, "percent", 100),
        ({"rate": -0x80000000}, "draw_mw", Unknown("the battery does not know its rate")),
        ({"state": 2, "rate": -0x80000000}, "runtime_seconds",
         Unknown("its charge and its rate are not both known")),
        ({"capacity": 0xFFFFFFFF}, "percent", Unknown("the battery does not know its charge")),
        ({"capacity": 0xFFFFFFFF}, "energy_mwh", Unknown("the battery does not know its charge")),
        ({"full": 0}, "percent", Unknown("the battery tells no what it holds when full")),
        ({"designed": 0xFFFFFFFF}, "design_mwh",
         Unknown("the battery does not know what it was made to hold")),
        ({"cycles": 0}, "cycles", Unknown("the battery does not count its cycles")),
        # relative: no unit, but a share
        ({"capabilities": 0xC0000000, "capacity": 31, "full": 50}, "percent", 62),
        ({"capabilities": 0xC0000000}, "energy_mwh",
         Unknown("the battery tells its capacity in no unit")),
    ],
)  # fmt: skip
def test_what_a_battery_does_not_know_is_unknown(made, field, expected):
    (found,) = seen("power", {("batteries",): [build.battery(**made)]}).batteries

    assert getattr(found, field) == expected


@pytest.mark.parametrize("capabilities", [0, 0x20000000, 0xA0000000])
def test_a_ups_and_what_cannot_run_the_system_is_no_battery(capabilities):
    made = [build.battery(capabilities=capabilities), build.battery()]

    assert len(seen("power", {("batteries",): made}).batteries) == 1


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        (build.power_status(flag=128), ()),
        (build.power_status(flag=255), Unknown("not there: batteries")),
        (b"\0\0", Unknown("not there: batteries")),
    ],
)
def test_without_a_word_of_the_batteries_the_status_says_whether_there_are_any(status, expected):
    change = {("batteries",): NOT_THERE, ("power status",): status}

    assert seen("power", change).batteries == expected


@pytest.mark.parametrize(
    ("status", "percent", "runtime"),
    [
        (build.power_status(0, 0, 62, 5400), 62, 5400),
        (build.power_status(0, 0, 255, 0xFFFFFFFF), Unknown("Windows does not know its charge"),
         Unknown("Windows does not know how long it lasts")),
        (build.power_status(0, 0, 101), Unknown("Windows does not know its charge"),
         Unknown("Windows does not know how long it lasts")),
    ],
)  # fmt: skip
def test_the_status_speaks_for_batteries_that_cannot_be_asked(status, percent, runtime):
    change = {("batteries",): NOT_THERE, ("power status",): status}

    (found,) = seen("power", change).batteries

    assert (found.state, found.percent, found.runtime_seconds) == ("discharging", percent, runtime)
    assert found.design_mwh == Unknown("not there: batteries")


def test_answers_that_are_cut_short_are_a_reason():
    change = {("power status",): b"\1", ("batteries",): [[b"\0" * 36, b"\0" * 15]]}

    found = seen("power", change)

    assert found.mains == found.batteries == Unknown("the answer is shorter than its structure")


# ---- people -----------------------------------------------------------------------------------


def test_a_session_tells_who_from_where_and_how_long_idle():
    assert seen("people").sessions == (
        Session(user="mira", remote=False, idle_seconds=300),
        Session(user="joost", remote=True, idle_seconds=300),
    )


@pytest.mark.parametrize(
    ("made", "field", "expected"),
    [
        ({"idle_seconds": 0}, "idle_seconds",
         Unknown("Windows keeps no time of the last input in this session")),
        ({"idle_seconds": -5}, "idle_seconds",
         Unknown("Windows keeps no time of the last input in this session")),
        ({"protocol": 1}, "remote", Unknown("a session of protocol 1")),
        ({"user": "Zoë " + "x" * 16}, "user", "Zoë " + "x" * 16),
    ],
)  # fmt: skip
def test_what_a_session_does_not_tell_is_unknown(made, field, expected):
    (found,) = seen("people", {("sessions",): [build.session(**made)]}).sessions

    assert getattr(found, field) == expected


def test_on_the_spot_ones_own_session_is_left_out():
    access = replace(replaying(capture()), on_the_spot=True)

    found = look(access, WINDOWS).sections["people"]

    assert [one.user for one in found.sessions] == ["joost"]


@pytest.mark.parametrize(
    ("names", "installs", "expected"),
    [
        (["TiWorker.exe", "explorer.exe"], False, ("TiWorker.exe",)),
        (["msiexec.exe"], False, ()),  # its service stays for a while
        (["msiexec.exe"], True, ("Windows Installer",)),
    ],
)
def test_installers_are_told_by_program_and_by_mutex(names, installs, expected):
    change = {("process names",): names, ("has mutex", "Global\\_MSIExecute"): installs}

    assert seen("people", change).installers == expected


# ---- protection -------------------------------------------------------------------------------

TPM, PIN, EXTERNAL, RECOVERY, PHRASE = 1, 4, 2, 3, 8  # "GetKeyProtectorType method"


def protected(**made):
    (found,) = seen("protection", script(volumes=[build.volume(**made)])).volumes
    return found


def test_a_sealed_volume_is_known_by_its_recovery_key():
    found = protected()

    assert (found.name, found.is_system, found.encrypted) == ("C:", True, True)
    assert found.protector is ProtectorKind.TPM
    assert found.protector_id == "3f2504e0-4f89-11d3-9a0c-0305e82c3301"
    assert found.suspended_restarts == 0


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        (((TPM, "{A}"),), ProtectorKind.TPM),
        (((PIN, "{A}"), (RECOVERY, "{B}")), ProtectorKind.TPM),
        (((PHRASE, "{A}"), (RECOVERY, "{B}")), ProtectorKind.PASSPHRASE),
        (((TPM, "{A}"), (PHRASE, "{B}")), ProtectorKind.BOTH),
        (((EXTERNAL, "{A}"),), ProtectorKind.OTHER),
        ((), Unknown("it has no protector yet: its key lies open")),
    ],
)
def test_what_opens_a_volume_is_read_from_its_protectors(kinds, expected):
    assert protected(kinds=kinds).protector == expected


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        # GetProtectionStatus: 0 off, 1 on, 2 unknown; GetSuspendCount: 0 to 15
        ({"protection": 1}, 0),
        ({"protection": 0, "suspended": 2, "code": 0}, 2),
        ({"protection": 0, "suspended": 0, "code": 0}, 15),  # until somebody switches it on
        ({"protection": 0, "suspended": 16, "code": 0},
         Unknown("its protection is off, and Windows does not tell for how many restarts")),
        ({"protection": 0, "suspended": None, "code": 50},
         Unknown("its protection is off, and Windows does not tell for how many restarts")),
        ({"protection": 2}, Unknown("Windows does not know whether its protection is on")),
        ({"protection": None}, Unknown("Windows does not know whether its protection is on")),
        ({"protection": 0, "kinds": ()}, Unknown("there is nothing to suspend: its key lies open")),
    ],
)  # fmt: skip
def test_protection_is_on_or_suspended_for_so_many_restarts(made, expected):
    assert protected(**made).suspended_restarts == expected


@pytest.mark.parametrize(
    ("conversion", "encrypted"),
    [(0, False), (1, True), (2, True), (3, True), (4, True), (5, True),
     (None, Unknown("Windows tells no conversion"))],
)  # fmt: skip
def test_a_volume_that_is_being_converted_counts_as_encrypted(conversion, encrypted):
    assert protected(conversion=conversion).encrypted == encrypted


def test_volumes_that_may_not_be_seen_are_a_reason():
    found = seen("protection", script(volumes="Access denied \r\n"))

    assert found.volumes == Unknown("Windows does not tell: Access denied")


def test_another_volume_is_not_the_systems():
    made = [build.volume(), build.volume("d:"), build.volume(None)]

    found = seen("protection", script(volumes=made)).volumes

    assert [(one.name, one.is_system) for one in found] == [
        ("C:", True), ("d:", False), ("a volume without a letter", False),
    ]  # fmt: skip


# ---- software ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("product", "build_number", "name", "version"),
    [
        ("Windows 10 Pro", "22631", "Windows 11", "Pro 23H2"),
        ("Windows 10 Enterprise LTSC", "19044", "Windows 10", "Enterprise LTSC 23H2"),
        ("Windows Server 2022 Standard", "20348", "Windows Server 2022", "Standard 23H2"),
        ("Windows 10", "x", "Windows 10", "23H2"),
        ("Something else", "1", "Something else", "23H2"),
    ],
)
def test_windows_is_named_by_generation_edition_and_half_year(product, build_number, name, version):
    found = seen(
        "software",
        build.value(software.VERSION_KEY, "ProductName", product),
        build.value(software.VERSION_KEY, "CurrentBuildNumber", build_number),
    )

    assert (found.os_name, found.os_version) == (name, version)
    assert found.os_build == f"{build_number}.3007"


PENDING = {
    "servicing: Component Based Servicing\\RebootPending":
        {("registry keys", software.SERVICING_KEY): []},
    "updates: WindowsUpdate\\Auto Update\\RebootRequired":
        {("registry keys", software.UPDATE_KEY): ["x"]},
    "files to be replaced: PendingFileRenameOperations (2 names)":
        build.value(software.SESSION_KEY, software.RENAMES, ["\\??\\C:\\a", "", "\\??\\C:\\b"], 7),
    "a new name: ComputerName READING-ROOM-5":
        build.value(software.NEW_NAME, "ComputerName", "READING-ROOM-5"),
}  # fmt: skip


@pytest.mark.parametrize(("reason", "change"), PENDING.items())
def test_each_place_that_tells_of_a_pending_restart_is_named(reason, change):
    assert seen("software", change).restart_pending == (reason,)


def test_none_is_pending_only_where_every_place_could_be_seen():
    denied = {("registry keys", software.SERVICING_KEY): build.DENIED}
    new_name = PENDING["a new name: ComputerName READING-ROOM-5"]

    assert seen("software").restart_pending == ()
    assert seen("software", denied).restart_pending == Unknown(
        f"permission denied: {software.SERVICING_KEY}; run as administrator"
    )
    assert seen("software", denied, new_name).restart_pending == (
        "a new name: ComputerName READING-ROOM-5",
    )


def test_room_is_that_of_the_systems_drive_and_of_the_partition_it_was_started_from():
    found = seen("software")

    assert (found.system_free_bytes, found.esp_free_bytes) == (40_000_000_000, 70_000_000)


EFI = {"kind": "{C12A7328-F81F-11D2-BA4B-00A0C93EC93B}", "is_system": False}


@pytest.mark.parametrize(
    ("partitions", "expected"),
    [
        ([EFI | {"paths": [build.EFI_PATH]}], 70_000_000),
        ([EFI | {"paths": ["Z:\\", build.EFI_PATH]}], 70_000_000),
        ([], Unknown("expected one EFI system partition with a path, got 0")),
        ([EFI | {"paths": None}], Unknown("expected one EFI system partition with a path, got 0")),
        ([EFI | {"paths": [build.EFI_PATH]}] * 2,
         Unknown("expected one EFI system partition with a path, got 2")),
        ("not supported", Unknown("Windows does not tell: not supported")),
    ],
)  # fmt: skip
def test_which_partition_is_the_efi_systems_is_not_guessed(partitions, expected):
    assert seen("software", script(partitions=partitions)).esp_free_bytes == expected


def test_versions_are_found_by_the_drivers_or_the_programs_name():
    driver, program = rf"{versions.DRIVERS_KEY}\{{4d36e972}}", versions.PROGRAM_KEYS[1]
    change = {
        ("registry keys", versions.DRIVERS_KEY): ["{4d36e972}"],
        ("registry keys", driver): ["0000", "Properties"],
        **build.value(rf"{driver}\0000", "DriverDesc", "Oakbridge Ethernet"),
        **build.value(rf"{driver}\0000", "DriverVersion", "12.19.1.37"),
        ("registry keys", versions.PROGRAM_KEYS[0]): NOT_THERE,
        ("registry keys", program): ["{A}", "B"],
        **build.value(rf"{program}\{{A}}", "DisplayName", "Lark Firmware Helper"),
        **build.value(rf"{program}\{{A}}", "DisplayVersion", "3.2"),
    }
    asked = ("oakbridge ethernet", "Lark Firmware Helper", "Ethernet")

    found = seen("software", change, look_for=asked).installed

    assert [(one.name, one.version_text) for one in found] == [
        ("oakbridge ethernet", "12.19.1.37"),
        ("Lark Firmware Helper", "3.2"),
        ("Ethernet", Unknown("there is neither a driver nor a program of that name")),
    ]


# ---- updates ----------------------------------------------------------------------------------


def pending(*found, **more):
    return seen("software", script(updates=[build.updates(*found, **more)])).pending_updates


def test_pending_updates_are_told_with_the_time_of_the_last_search():
    found = seen("software").pending_updates

    assert (found.count, found.security_count) == (2, 1)
    assert found.names == ("Cumulative update", "Reader 7.1")
    assert found.source == "IUpdateSearcher, offline"
    assert found.lists_at.isoformat() == "2026-11-01T18:00:00+00:00"


def test_security_is_told_by_severity_or_class_and_firmware_by_its_drivers_class():
    found = pending(
        build.update("A", severity="Moderate"),
        build.update("B", categories=["0FA1201D-4330-4FA8-8AE9-B877473B6441"]),
        build.update("C", categories=["e0789628-ce08-4437-be74-2495b842f43b"]),
        build.update("Lark 1.34", kind=2, driver_class="Firmware"),
        build.update("Optional", optional=True, severity="Low"),
    )

    assert (found.count, found.security_count) == (4, 2)
    assert found.names == ("A", "B", "C", "firmware: Lark 1.34")
    assert found.kept_back == ("Optional",)


@pytest.mark.parametrize(
    ("made", "because"),
    [
        ({"result": 4}, "the search for updates did not succeed: result 4"),
        ({"searched_at": None},
         "Windows has not searched for updates yet: it cannot know of any"),
    ],
)  # fmt: skip
def test_a_search_that_cannot_know_is_not_up_to_date(made, because):
    assert pending(**made) == Unknown(because)


def test_nothing_pending_is_an_answer():
    found = pending()

    assert (found.count, found.security_count, found.names) == (0, 0, ())


def test_a_kept_answer_is_used_and_the_search_left_out(tmp_path):
    access = replace(replaying(capture()), kept_folder=tmp_path / "kept")
    first = look(access, WINDOWS).sections["software"].pending_updates
    without = capture({("script", "with updates"): NOT_THERE,
                       ("script", "without updates"): said(updates="not asked")})  # fmt: skip

    again = look(replace(replaying(without), kept_folder=tmp_path / "kept"), WINDOWS)

    assert again.sections["software"].pending_updates == first
    assert again.sections["protection"].volumes[0].encrypted is True


# ---- the script -------------------------------------------------------------------------------


def test_what_was_answered_before_the_time_was_over_counts():
    _, output, complaint = said()
    lines = output.splitlines(keepends=True)[:-1]
    cut = {("script", "with updates"): [None, b"".join(lines) + b'{"question":"upd', complaint]}

    assert seen("protection", cut).volumes[0].encrypted is True
    assert seen("software", cut).pending_updates == Unknown(
        "PowerShell took longer than 60 seconds"
    )


@pytest.mark.parametrize(
    ("answer", "because"),
    [
        (NOT_THERE, "PowerShell cannot be run: The system cannot find the file specified"),
        ([1, b"", b"not allowed here\r\n"], "PowerShell ended with status 1: not allowed here"),
        ([0, b"hello\r\n[1]\r\n{}\r\n", b""], "PowerShell ended with status 0: nothing said"),
    ],
)
def test_a_script_that_does_not_run_is_a_reason_for_all_that_it_is_asked(answer, because):
    change = {("script", "with updates"): answer}

    assert seen("protection", change).volumes == Unknown(because)
    assert seen("machine", change).virtual == Unknown(because)


@pytest.mark.parametrize(
    "found", ['"x"', "7", "null", "[7]", "[[]]", "{}"]
)  # fmt: skip
def test_an_answer_of_another_shape_is_a_reason(found):
    answers = parse_answers(f'{{"question":"volumes","found":{found}}}')

    assert answers["volumes"].because.startswith("expected a list of what was found, got ")


# ---- whatever it says -------------------------------------------------------------------------


# Each kind of raw answer, and the probes that read it.
READ_BY = {
    ("firmware table", "RSMB"): ("identity", "firmware", "power"),
    ("firmware variable", "SetupMode", firmware.GLOBAL_VARIABLE): ("firmware",),
    ("registry value", PROCESSOR_KEY, "Update Revision"): ("components",),
    ("power status",): ("power",),
    ("batteries",): ("power",),
    ("sessions",): ("people",),
    ("script", "with updates"): (
        "machine", "components", "EFI partition", "protection", "pending updates",
    ),
}  # fmt: skip
PROBES = {probe.name: probe for probe in WINDOWS.probes}


def read_mutated(question, count):
    """Change bytes of one raw answer, and look with the probes that read it."""
    chance = random.Random(7)
    changing = capture({("firmware table", "RSMB"): NOT_THERE})  # it costs more than all others
    for _ in range(count):
        changing.answers[question] = _mutated(chance, build.ANSWERS[question])
        access = replaying(changing)
        for name in READ_BY[question]:
            PROBES[name].look(access)
        tuple(personal(question, changing.answers[question]))


def test_every_raw_answer_that_is_bytes_is_mutated():
    assert {question for question, answer in build.ANSWERS.items() if _bytes_of(answer)} == {
        *READ_BY
    }


def _bytes_of(answer):
    if isinstance(answer, list):
        return any(map(_bytes_of, answer))
    return isinstance(answer, bytes)


def _mutated(chance, answer):
    if isinstance(answer, list):
        return [_mutated(chance, item) for item in answer]
    if not isinstance(answer, bytes):
        return answer
    octets = bytearray(answer)
    for _ in range(chance.randint(1, 6)):
        place = chance.randrange(len(octets) + 1)
        octets[place : place + chance.choice((0, 1, 1, 8))] = chance.choice(
            (b"", b"\0", b"\xff\xff\xff\xff", b"\x80", b'"', b"null", b"-1", b"[", b"}", b"1e99")
        )
    return bytes(octets)


@pytest.mark.parametrize("question", READ_BY)
def test_mutated_answers_never_raise(question):
    read_mutated(question, 200)


@pytest.mark.long
@pytest.mark.parametrize("question", READ_BY)
def test_a_hundred_thousand_mutated_answers_never_raise(question):
    read_mutated(question, 100_000)


def test_the_scripts_hold_nothing_that_a_shell_or_a_command_line_would_change():
    for text in SCRIPTS.values():
        assert '"' not in text
        assert text.isascii()
        assert len(text) < 32_000  # "CreateProcessW": 32,767 characters of command line
