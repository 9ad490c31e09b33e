"""The operating system, its restarts and its disks.

os-release(5) for names and quoting; proc(5) for the kernel's own files.
"""

from datetime import UTC, datetime

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.software import look_at_software, uptime_seconds
from flashworthy_common.values import Unknown
from support.trees import LiveTree, NoPrograms, files_below, grow

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


def software(root, *trees, files=FilesBelow):
    for tree in trees:
        grow(root, tree)
    return look_at_software(Access(files(root), NoPrograms(), now=lambda: NOW))


# ---- names ------------------------------------------------------------------------------------


def test_the_system_is_told_as_it_names_itself(tmp_path):
    tree = {
        "/etc/os-release": "# a comment\n"
        'NAME="Alder OS \\"Library\\""\nID=alder\nVERSION_ID=\'12\'\nBUILD_ID=20260501\n\n',
        "/proc/sys/kernel/osrelease": "6.1.0-44-amd64\n",
    }

    found = software(tmp_path, tree)

    assert (found.os_name, found.os_version) == ('Alder OS "Library"', "12")
    assert (found.os_build, found.kernel) == ("20260501", "6.1.0-44-amd64")


def test_a_rolling_system_has_no_version(tmp_path):
    found = software(tmp_path, {"/etc/os-release": "NAME=Drift\n"})

    assert found.os_version == Unknown("/etc/os-release names no VERSION_ID")


def test_the_makers_file_stands_in_for_the_administrators(tmp_path):
    assert software(tmp_path, {"/usr/lib/os-release": "NAME=Alder\n"}).os_name == "Alder"


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (b"NAME=Soci\xe9t\xe9\n", "Soci\ufffdt\ufffd"),
        (b'NAME="never closed\n', '"never closed'),
        (b"NAME\n", Unknown("/etc/os-release names no NAME")),
        (b"NAME=\n", Unknown("/etc/os-release names no NAME")),
    ],
)
def test_an_odd_os_release_gives_what_it_can(tmp_path, content, name):
    assert software(tmp_path, {"/etc/os-release": content}).os_name == name


def test_no_os_release_is_a_reason(tmp_path):
    assert software(tmp_path).os_name == Unknown("not there: /etc/os-release")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("566.93 1020.27\n", 566),  # proc(5): seconds up, seconds idle
        ("soon\n", Unknown("expected seconds in /proc/uptime, got 'soon'")),
    ],
)
def test_uptime_is_in_whole_seconds(tmp_path, text, seconds):
    assert uptime_seconds(files_below(grow(tmp_path, {"/proc/uptime": text}))) == seconds


# ---- restart ----------------------------------------------------------------------------------


def running(release):
    return {"/proc/sys/kernel/osrelease": f"{release}\n"}


def kernels(*releases):
    return {f"/boot/vmlinuz-{release}": "" for release in releases}


@pytest.mark.parametrize(
    ("trees", "reasons"),
    [
        ([running("6.1.0-44-amd64"), kernels("6.1.0-44-amd64")], ()),
        (
            [running("6.1.0-9-amd64"), kernels("6.1.0-9-amd64", "6.1.0-10-amd64")],
            ("kernel 6.1.0-10-amd64 is installed, 6.1.0-9-amd64 is running",),
        ),
        # 10 is after 9 in every part
        ([running("6.10.2"), kernels("6.9.12", "6.10.2")], ()),
        # another flavour is another choice, not a newer kernel
        ([running("6.1.0-44-amd64"), kernels("6.1.0-44-amd64", "6.1.0-45-rt-amd64")], ()),
        ([running("5.14.0-362.el9.x86_64"), kernels("5.14.0-362.el9.x86_64", "0-rescue-ab")], ()),
        # a maker's own number is not another flavour
        (
            [
                running("5.14.0-362.el9.x86_64"),
                kernels("5.14.0-362.el9.x86_64", "5.14.0-427.13.1.el9_4.x86_64"),
            ],
            ("kernel 5.14.0-427.13.1.el9_4.x86_64 is installed, 5.14.0-362.el9.x86_64 is running",),
        ),
        # what cannot be looked at is no marker
        ([running("6.1.0-44-amd64"), kernels("6.1.0-44-amd64"), {"/run": "no folder"}], ()),
        # no images that name their version: the modules do
        (
            [running("6.8.9-arch1-1"), kernels("linux"), {"/lib/modules/6.8.9-arch1-1/order": ""}],
            (),
        ),
        (
            [running("6.1.0-44-amd64"), kernels("6.1.0-44-amd64"), {"/run/reboot-required": ""}],
            ("asked for by packages: not named",),
        ),
        (
            [
                running("6.1.0-44-amd64"),
                kernels("6.1.0-45-amd64"),
                {
                    "/run/reboot-required": "*** System restart required ***\n",
                    "/run/reboot-required.pkgs": "libc6\ndbus\nlibc6\n",
                },
            ],
            (
                "asked for by packages: dbus, libc6",
                "kernel 6.1.0-45-amd64 is installed, 6.1.0-44-amd64 is running",
            ),
        ),
        # a marker is enough where kernels cannot be compared
        ([{"/var/run/reboot-required": ""}], ("asked for by packages: not named",)),
        # a missing marker is not
        (
            [running("6.18.44-own")],
            Unknown(
                "no marker, and no installed kernel is shown to compare with "
                "the running 6.18.44-own"
            ),
        ),
        ([kernels("6.1.0-44-amd64")], Unknown("not there: /proc/sys/kernel/osrelease")),
    ],
)
def test_a_restart_is_pending_by_marker_or_newer_kernel_or_unknown(tmp_path, trees, reasons):
    assert software(tmp_path, *trees).restart_pending == reasons


# ---- room -------------------------------------------------------------------------------------


def mounts(*lines):
    return {"/proc/self/mountinfo": "".join(f"{line}\n" for line in lines)}


ROOT = "22 1 8:2 / / rw,relatime shared:1 - ext4 /dev/sda2 rw"  # as in proc(5)


class Room(LiveTree):
    def __init__(self, root):
        room = {"/": 40_000, "/boot/efi": 250, "/boot": 90}
        super().__init__(root, {("free bytes", folder): size for folder, size in room.items()})


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ([ROOT, "24 22 8:1 / /boot/efi rw,relatime - vfat /dev/sda1 rw"], 250),
        ([ROOT, "24 22 8:1 / /boot rw - vfat /dev/sda1 rw"], 90),
        (
            [ROOT, "24 22 8:1 / /boot rw - ext4 /dev/sda1 rw", "", "broken", "1 2 3 - x"],
            Unknown("no EFI system partition is mounted at /boot/efi, /efi, /boot"),
        ),
    ],
)
def test_room_on_the_efi_system_partition_needs_it_mounted(tmp_path, lines, expected):
    found = software(tmp_path, mounts(*lines), files=Room)

    assert (found.system_free_bytes, found.esp_free_bytes) == (40_000, expected)


def test_room_of_another_root_is_unknown(tmp_path):
    found = software(tmp_path, mounts("24 22 8:1 / /boot/efi rw - vfat /dev/sda1 rw"))

    assert found.system_free_bytes == found.esp_free_bytes == ANOTHER_ROOT
