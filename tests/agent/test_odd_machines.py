"""Known odd machines as whole trees of /sys, /proc and /run, looked at with ``collect --root``.

What is odd about each is named beside it; none of them may cost a report any other value.
"""

import json
import struct

import pytest

from flashworthy_agent.cli import main
from support import smbios_tables as build
from support.trees import grow, supply

NAMES = "/sys/class/dmi/id"
LOGON = struct.pack("=hxxi32s4s32s256s", 7, 77, b"tty2", b"", b"mira", b"")  # utmp(5)
KERNEL = {
    "/proc/cpuinfo": "model name\t: Oakbridge 7\nflags\t\t: fpu\nmicrocode\t: 0xf4\n",
    "/proc/sys/kernel/osrelease": "6.1.0-44-amd64\n",
    "/proc/sys/kernel/hostname": "reading-room-4\n",
    "/proc/uptime": "566.93 1020.27\n",
    "/proc/1/comm": "systemd\n",
    "/proc/77/comm": "bash\n",
    "/boot/vmlinuz-6.1.0-44-amd64": "",
    "/etc/os-release": 'NAME="Alder OS"\nVERSION_ID=12\n',
    "/sys/class/mem/null/dev": "1:3\n",
    "/run/utmp": struct.pack("=hxxi32s4s32s256s", 7, 77, b"tty2", b"", b"mira", b"").ljust(
        384, b"\0"
    ),
}
PLAIN_DISK = {
    "/proc/self/mountinfo": "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n",
    "/sys/dev/block/8:2/uevent": "MAJOR=8\nDEVNAME=sda2\n",
    "/sys/class/block/sda2/size": "1\n",
}
BATTERY = {"type": "Battery", "present": 1, "status": "Discharging"}


def look(capsys, root, *trees):
    """The report of a machine made of `trees`."""
    for tree in (KERNEL, PLAIN_DISK, *trees):
        grow(root, tree)
    assert main(["collect", "--root", str(root)]) == 0
    report = json.loads(capsys.readouterr().out)
    assert [one["failure"] for one in report["agent"]["probes"] if one["failure"]] == []
    assert (report["software"]["os_name"], report["uptime_seconds"]) == ("Alder OS", 566)
    assert report["protection"]["volumes"][0]["encrypted"] is False
    assert [one["user"] for one in report["people"]["sessions"]] == ["mira"]
    return report


def test_a_maker_that_writes_latin_letters_outside_utf_8(capsys, tmp_path):
    report = look(capsys, tmp_path, {f"{NAMES}/sys_vendor": b"Soci\xe9t\xe9 Aldermere\n",
                                     f"{NAMES}/product_name": "Lark 14\n"})  # fmt: skip

    assert report["machine"]["maker"] == "Soci\ufffdt\ufffd Aldermere"
    assert report["machine"]["product"] == "Lark 14"


@pytest.mark.parametrize("name", ["ADP1", "ACAD", "AC0", "ucsi-source-psy-1"])
def test_mains_whose_name_is_none_of_the_usual(capsys, tmp_path, name):
    kind = "USB" if name.startswith("ucsi") else "Mains"

    report = look(capsys, tmp_path, supply(name, type=kind, online=1))

    assert report["power"]["mains"] is True


def test_a_second_battery_and_one_of_another_name(capsys, tmp_path):
    report = look(capsys, tmp_path, supply("CMB0", **BATTERY, capacity=62),
                  supply("BAT1", **BATTERY, capacity=9),
                  supply("AC", type="Mains", online=0))  # fmt: skip

    found = {one["name"]: one["percent"] for one in report["power"]["batteries"]}
    assert found == {"BAT1": 9, "CMB0": 62}
    assert report["power"]["mains"] is False


def test_a_desktop_with_a_wireless_mouse(capsys, tmp_path):
    mouse = supply("hidpp_battery_0", type="Battery", scope="Device", status="Full", capacity=5)

    report = look(capsys, tmp_path, mouse, supply("AC", type="Mains", online=1))

    assert (report["power"]["batteries"], report["power"]["mains"]) == ([], True)


def test_a_machine_whose_texts_were_never_filled_in(capsys, tmp_path):
    table = build.table(build.firmware(), build.system(uuid=b"\xff" * 16, serial="Default string"))

    report = look(capsys, tmp_path, {f"{NAMES}/product_name": "System Product Name\n",
                                     "/sys/firmware/dmi/tables/DMI": table})  # fmt: skip

    # as they stand: whether they say anything is judged where reports are read
    assert report["machine"]["product"] == "System Product Name"
    assert report["identity"]["system_serial"] == "Default string"
    assert report["identity"]["smbios_uuid"]["unknown"].startswith("all FFh")


def test_a_board_without_smbios(capsys, tmp_path):
    report = look(capsys, tmp_path, supply("BAT0", **BATTERY, capacity=50))

    assert report["firmware"]["version_text"] == {"unknown": "this kernel shows no SMBIOS table"}
    assert report["power"]["batteries"][0]["percent"] == 50
    assert report["components"]["items"] == [
        {"kind": "microcode", "name": "Oakbridge 7", "version_text": "0xf4"}
    ]


def test_a_table_that_is_cut_off_in_its_middle(capsys, tmp_path):
    table = build.table(build.firmware(), build.system(), build.chassis(), build.power_supply())

    report = look(capsys, tmp_path, {"/sys/firmware/dmi/tables/DMI": table[:120],
                                     f"{NAMES}/chassis_type": "10\n"})  # fmt: skip

    assert report["firmware"]["version_text"] == "K1.29"
    assert report["machine"]["chassis_type"] == 10
    assert "corrupt" in report["firmware"]["source"]


def test_an_update_that_waits_on_a_machine_whose_last_attempt_failed(capsys, tmp_path):
    efi, guid = "/sys/firmware/efi", "8be4df61-93ca-11d2-aa0d-00e098032b8c"
    entry = f"{efi}/esrt/entries/entry0"

    report = look(capsys, tmp_path, {
        f"{efi}/efivars/SecureBoot-{guid}": b"\x06\0\0\0\x01",
        f"{entry}/fw_class": "5a1d2b7e-0c3f-4c58-9a46-0e0f64b8a001\n",
        f"{entry}/fw_type": "1\n",
        f"{entry}/fw_version": "65565\n",
        f"{entry}/last_attempt_version": "65570\n",
        f"{entry}/last_attempt_status": "7\n",
        "/proc/self/mountinfo": PLAIN_DISK["/proc/self/mountinfo"]
        + "24 22 8:1 / /boot/efi rw - vfat /dev/sda1 rw\n",
        "/boot/efi/EFI/UpdateCapsule/k134.cap": "",
    })  # fmt: skip

    assert report["firmware"]["secure_boot"] is True
    # UEFI §23.4: 7, the battery was too low
    assert [one["last_attempt_status"] for one in report["firmware"]["esrt"]] == [7]
    assert report["firmware"]["update_queued"] == ["capsule file k134.cap"]
