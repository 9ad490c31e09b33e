"""Machines that are really started, and what a real server then has of them.

Three starts in an emulator with Debian's own kernel: by the old firmware, with a battery whose
charger the test plugs in while the machine runs; by UEFI with Secure Boot on; by UEFI with a
made-up table of earlier attempts and a capsule file on its EFI system partition, where the agent
has the capabilities that its unit leaves it, and then none. In each, the agent enrols and reports,
and every value in the stored report is compared with what was configured.
"""

import shutil
import struct
import subprocess
import uuid
from pathlib import Path

import pytest

from support import guests
from support import smbios_tables as build
from support.real_server import RealServer

WHY_NOT = guests.why_not()
pytestmark = [pytest.mark.system, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]

SUPPORT = Path(__file__).parents[1] / "support"
SYSTEM_CLASS = "5a1d2b7e-0c3f-4c58-9a46-0e0f64b8a001"
UUID = "00112233-4455-6677-8899-aabbccddeeff"  # the example of DSP0134 §7.2.1
CHARGER_PORT = 0x2FF  # see battery.asl
NAMES = (
    "type=0,vendor=Brightwater,version=K1.29,date=05/04/2023,release=10.22{uefi}",
    f"type=1,manufacturer=Aldermere,product=Lark 14,version=2,serial=AL-0042,uuid={UUID},"
    "sku=LK14-16G,family=Lark",
    "type=2,manufacturer=Aldermere,product=LK14-MB,version=A2,serial=MB-7",
)


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with RealServer(tmp_path_factory.mktemp("server")) as running:
        yield running


def smbios(folder, *structures, uefi=False):
    """Options that give a machine its names, and `structures` as they stand."""
    options = []
    for names in NAMES:
        options += ["-smbios", names.format(uefi=",uefi=on" if uefi else "")]
    for number, structure in enumerate(structures):
        file = folder / f"structure-{number}.bin"
        file.write_bytes(structure)
        options += ["-smbios", f"file={file}"]
    return options


def drive(folder, model, version):
    disk = folder / "disk.img"
    disk.write_bytes(bytes(1 << 20))
    return ["-drive", f"if=none,id=disk,format=raw,file={disk}",
            "-device", f"ide-hd,drive=disk,bus=ide.0,model={model},ver={version}"]  # fmt: skip


def uefi_firmware(folder, code, variables):
    own = folder / "variables.fd"
    shutil.copy(guests.FIRMWARE / variables, own)
    return ["-drive", f"if=pflash,unit=0,format=raw,readonly=on,file={guests.FIRMWARE / code}",
            "-drive", f"if=pflash,unit=1,format=raw,file={own}"]  # fmt: skip


def run_once(server, folder, steps, *hardware):
    """Start, enrol, take the further steps, and give the report that the server has then."""
    initial = guests.initial_files(folder, f"enrol({server.code()!r})\n{steps}")
    options = guests.kernel_options(guests.find_kernel(), initial)
    with guests.started(folder, server.port, *options, *hardware) as guest:
        guest.wait_for("done")
    return server.newest_report()


# ---- the old firmware, and a battery ----------------------------------------------------------

STEPS = """
agent("run")
say("plug it in")
wait_until("/sys/class/power_supply/ADP1/online", "1")
wait_until("/sys/class/power_supply/BAT0/status", "Charging")
agent("run")
"""


def test_a_portable_tells_its_names_its_parts_and_its_power_as_it_changes(server, tmp_path):
    subprocess.run(["iasl", "-p", tmp_path / "battery", SUPPORT / "battery.asl"],
                   check=True, capture_output=True)  # fmt: skip
    structures = (build.chassis(type_code=0x8A, asset_tag="LIB-0017"), build.power_supply(),
                  build.inventory(name="dock", version="2.0"))  # fmt: skip
    hardware = (*smbios(tmp_path, *structures), "-acpitable", f"file={tmp_path / 'battery.aml'}",
                *drive(tmp_path, "Stonevault SV500", "1.20.B7"))  # fmt: skip
    initial = guests.initial_files(tmp_path, f"enrol({server.code()!r})\n{STEPS}")
    options = guests.kernel_options(guests.unpacked_kernel(tmp_path), initial)

    with guests.started(tmp_path, server.port, *options, *hardware) as guest:
        guest.wait_for("plug it in")
        before = server.newest_report()
        guest.put(CHARGER_PORT, 1)
        guest.wait_for("done")
    after = server.newest_report()

    assert names_of(before) == {
        "smbios_uuid": UUID,
        "system_serial": "AL-0042",
        "board_serial": "MB-7",
        "asset_tag": "LIB-0017",
        "maker": "Aldermere",
        "product": "Lark 14",
        "version": "2",
        "sku": "LK14-16G",
        "family": "Lark",
        "board_maker": "Aldermere",
        "board": "LK14-MB",
        "board_version": "A2",
        "chassis_type": 10,  # DSP0134 §7.4.1: Notebook; the lock bit is masked
        "virtual": True,  # the emulator says so itself: §7.1.2.2 bit 4
    }
    assert {key: before["firmware"][key] for key in FIRMWARE} == {
        "maker": "Brightwater",
        "version_text": "K1.29",
        "date_text": "05/04/2023",
        "release": "10.22",
        "boot_mode": "legacy",
    }
    assert ("drive", "Stonevault SV500", "1.20.B7") in parts_of(before)
    assert ("listed by firmware", "dock", "2.0") in parts_of(before)
    assert "eth0 (e1000)" in [name for _, name, _ in parts_of(before)]
    assert before["power"]["supplies"] == [
        {"name": "PS-A", "present": True, "unplugged": False, "redundancy_group": 1,
         "status": "OK"}
    ]  # fmt: skip

    assert (before["power"]["mains"], after["power"]["mains"]) == (False, True)
    (discharging,), (charging,) = before["power"]["batteries"], after["power"]["batteries"]
    assert battery_of(discharging) == {
        "name": "BAT0",
        "state": "discharging",
        "percent": 62,  # 28210 of 45500
        "energy_mwh": 28210.0,
        "full_mwh": 45500.0,
        "design_mwh": 50000.0,
        "draw_mw": 9100.0,
        "cycles": 0,
        "runtime_seconds": 11160,  # 28210 mWh at 9100 mW
    }
    assert (charging["state"], charging["draw_mw"]) == ("charging", 12000.0)


FIRMWARE = ("maker", "version_text", "date_text", "release", "boot_mode")


def names_of(report):
    unasked = {"seen_at", "source", "hostname", "place", "virtual_evidence"}
    values = report["identity"] | report["machine"]
    return {key: value for key, value in values.items() if key not in unasked}


def parts_of(report):
    items = report["components"]["items"]
    return [(one["kind"], one["name"], one["version_text"])
            if isinstance(one["version_text"], str) else (one["kind"], one["name"], "")
            for one in items]  # fmt: skip


def battery_of(battery):
    return {key: value for key, value in battery.items() if not isinstance(value, dict)}


# ---- UEFI -------------------------------------------------------------------------------------


def test_a_machine_started_by_uefi_tells_that_secure_boot_is_on(server, tmp_path):
    firmware = uefi_firmware(tmp_path, "OVMF_CODE_4M.ms.fd", "OVMF_VARS_4M.ms.fd")
    # firmware with Secure Boot guards its variables by system management mode
    guarded = ("-machine", "smm=on", "-global", "driver=cfi.pflash01,property=secure,value=on")

    report = run_once(server, tmp_path, 'agent("run")', *firmware, *guarded,
                      *smbios(tmp_path, uefi=True))  # fmt: skip

    found = report["firmware"]
    assert (found["boot_mode"], found["secure_boot"], found["setup_mode"]) == ("uefi", True, False)
    assert (found["maker"], found["version_text"]) == ("Brightwater", "K1.29")
    assert found["esrt"] == {"unknown": "this firmware has no ESRT"}
    # no EFI system partition is mounted, so nobody can say that nothing waits there
    assert found["update_queued"]["unknown"].startswith("no EFI system partition is mounted")


# Gives up all capabilities but those of a mask, by capset(2); the unit's bounding set does the same
# to the service. The kernel shows the ESRT by capability, whatever the mode of a file.
CONFINE = """
import ctypes

def keep_only(mask):
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)  # _LINUX_CAPABILITY_VERSION_3; this process
    assert ctypes.CDLL(None).capset(header, (ctypes.c_uint32 * 6)(mask, mask)) == 0
"""
UNIT = Path(__file__).parents[2] / "deploy/agent/flashworthy-agent.service"
CAPABILITIES = {"CAP_SYS_ADMIN": 1 << 21}  # linux/capability.h


def kept_by_the_unit():
    (line,) = (line for line in UNIT.read_text().splitlines() if "CapabilityBoundingSet=" in line)
    return sum(CAPABILITIES[name] for name in line.partition("=")[2].split())


MOUNT = 'import os\nos.system("mount -t vfat -o ro /dev/vda1 /boot/efi")\n'


def test_confined_as_the_unit_is_it_tells_a_failed_attempt_and_a_capsule_that_waits(
    server, tmp_path
):
    if missing := [name for name in ("gcc", "ld", "objcopy") if not shutil.which(name)]:
        pytest.skip(f"not here: {', '.join(missing)}")
    partition = tmp_path / "partition"
    for folder in ("BOOT", "UpdateCapsule"):
        (partition / "EFI" / folder).mkdir(parents=True)
    (partition / "EFI" / "UpdateCapsule" / "k134.cap").write_bytes(b"made up")
    shutil.copy(guests.find_kernel(), partition / "vmlinuz")
    confined = f"keep_only({kept_by_the_unit()})\nagent('run')\nsay('confined')\n"
    steps = f"{MOUNT}{CONFINE}enrol({server.code()!r})\n{confined}keep_only(0)\nagent('run')"
    guests.initial_files(partition, steps)
    # version 65565, going back to 65536, status 6: mains power was not connected (UEFI §23.4)
    loader = table_loader(tmp_path, entry=(1, 65565, 65536, 0x50000, 65570, 6))
    shutil.copy(loader, partition / "EFI" / "BOOT" / "BOOTX64.EFI")
    hardware = (*uefi_firmware(tmp_path, "OVMF_CODE_4M.fd", "OVMF_VARS_4M.fd"),
                "-drive", f"if=none,id=esp,format=raw,readonly=on,file=fat:{partition}",
                "-device", "virtio-blk-pci,drive=esp,bootindex=0")  # fmt: skip

    with guests.started(tmp_path, server.port, *hardware) as guest:
        guest.wait_for("confined")
        found = server.newest_report()["firmware"]
        guest.wait_for("done")
    without = server.newest_report()["firmware"]

    assert without["esrt"]["unknown"].startswith("permission denied")
    assert found["esrt"] == [
        {
            "firmware_class": SYSTEM_CLASS,
            "firmware_type": 1,
            "version": 65565,
            "lowest_supported_version": 65536,
            "capsule_flags": 0x50000,
            "last_attempt_version": 65570,
            "last_attempt_status": 6,
        }
    ]
    assert [words.lower() for words in found["update_queued"]] == [
        "the firmware is asked to look for capsule files",
        "capsule file k134.cap",
    ]
    assert found["secure_boot"] is False


def table_loader(folder, entry):
    """The EFI program of table_loader.c with one entry in its table."""
    table = struct.pack("<IIQ", 1, 1, 1) + uuid.UUID(SYSTEM_CLASS).bytes_le
    octets = ",".join(map(str, table + struct.pack("<6I", *entry)))
    options = f'L"{guests.OPTIONS} initrd=\\\\initial.cpio"'
    compiled, linked, program = (folder / f"loader.{end}" for end in ("o", "so", "efi"))
    for command in (
        ["gcc", "-c", "-Wall", "-fpic", "-ffreestanding", "-fno-stack-protector",
         "-fshort-wchar", "-mno-red-zone", "-maccumulate-outgoing-args",
         "-I/usr/include/efi", "-I/usr/include/efi/x86_64", f"-DESRT_BYTES={octets}",
         f"-DOPTIONS={options}", SUPPORT / "table_loader.c", "-o", compiled],
        ["ld", "-nostdlib", "-znocombreloc", "-shared", "-Bsymbolic", "-L/usr/lib",
         "-T", "/usr/lib/elf_x86_64_efi.lds", "/usr/lib/crt0-efi-x86_64.o", compiled,
         "-o", linked, "-lefi", "-lgnuefi"],
        ["objcopy", *(f"-j.{name}" for name in ("text", "sdata", "data", "rodata", "dynamic",
                                                "dynsym", "rel*", "reloc")),
         "--target=efi-app-x86_64", "--subsystem=10", linked, program],
    ):  # fmt: skip
        subprocess.run(command, check=True, capture_output=True, timeout=60)
    return program
