"""What UEFI tells: earlier attempts at an update, and what waits for the next restart.

ESRT: UEFI §23.4; the kernel's files for it: Documentation/ABI/testing/sysfs-firmware-efi-esrt, and
drivers/firmware/efi/esrt.c for how their numbers are written. OsIndications: UEFI §8.5.4.
"""

import errno
import os

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.firmware import look_at_firmware
from flashworthy_common.report import EsrtEntry
from flashworthy_common.values import Unknown
from support.trees import NoPrograms, grow

EFI = "/sys/firmware/efi"
GUID = "8be4df61-93ca-11d2-aa0d-00e098032b8c"  # EFI_GLOBAL_VARIABLE, UEFI §3.3
SYSTEM, DOCK = "5a1d2b7e-0c3f-4c58-9a46-0e0f64b8a001", "5a1d2b7e-0c3f-4c58-9a46-0e0f64b8a002"
UEFI = {f"{EFI}/runtime": "0x0\n", f"{EFI}/efivars/SecureBoot-{GUID}": b"\x06\0\0\0\x01"}
LEGACY = {"/sys/class/dmi/id/bios_vendor": "Brightwater\n"}
NOT_UEFI = Unknown("the system was not started by UEFI")


def firmware(root, *trees, files=FilesBelow):
    for tree in trees:
        grow(root, tree)
    return look_at_firmware(Access(files(root), NoPrograms()))


# ---- ESRT -------------------------------------------------------------------------------------


def entry(number=0, **values):
    attributes = {
        "fw_class": SYSTEM,
        "fw_type": 1,
        "fw_version": 65565,
        "lowest_supported_fw_version": 65536,
        "capsule_flags": "0x0",
        "last_attempt_version": 0,
        "last_attempt_status": 0,
    } | values
    folder = f"{EFI}/esrt/entries/entry{number}"
    return {f"{folder}/{name}": f"{value}\n" for name, value in attributes.items()}


def test_an_entry_is_told_in_its_own_numbers(tmp_path):
    # capsule flags are hexadecimal, all else decimal (esrt.c); status 6: no mains (UEFI §23.4)
    tree = entry(capsule_flags="0x50000", last_attempt_version=65570, last_attempt_status=6)

    assert firmware(tmp_path, UEFI, tree).esrt == (
        EsrtEntry(
            firmware_class=SYSTEM,
            firmware_type=1,
            version=65565,
            lowest_supported_version=65536,
            capsule_flags=0x50000,
            last_attempt_version=65570,
            last_attempt_status=6,
        ),
    )


def test_every_entry_is_told(tmp_path):
    found = firmware(tmp_path, UEFI, entry(0), entry(1, fw_class=DOCK, fw_type=2)).esrt

    assert [(one.firmware_class, one.firmware_type) for one in found] == [(SYSTEM, 1), (DOCK, 2)]


@pytest.mark.parametrize(
    ("trees", "because"),
    [
        ([UEFI], "this firmware has no ESRT"),
        ([LEGACY], NOT_UEFI.because),
        ([{}], "only the running system can tell; this is another root"),
        # a class is unique in the table (UEFI §23.4)
        ([UEFI, entry(0), entry(1)], f"corrupt: class {SYSTEM} stands twice in the ESRT"),
        (
            [UEFI, entry(0), entry(1, fw_class="no class")],
            f"expected a GUID in {EFI}/esrt/entries/entry1/fw_class, got 'no class'",
        ),
        (
            [UEFI, entry(0, fw_version=2**32)],
            f"expected a number of 32 bits in {EFI}/esrt/entries/entry0/fw_version, "
            "got '4294967296'",
        ),
    ],
)
def test_a_table_that_cannot_be_relied_on_is_none(tmp_path, trees, because):
    assert firmware(tmp_path, *trees).esrt == Unknown(because)


def test_only_root_may_read_it(tmp_path):
    class RootOnly(FilesBelow):
        def _read(self, path):
            if "/esrt/" in path:
                raise OSError(errno.EACCES, os.strerror(errno.EACCES))
            return super()._read(path)

    found = firmware(tmp_path, UEFI, entry(), files=RootOnly)

    assert found.esrt == Unknown(
        f"permission denied: {EFI}/esrt/entries/entry0/fw_class; run as root"
    )


def test_what_an_entry_may_lack_it_may_lack(tmp_path):
    (found,) = firmware(tmp_path, UEFI, entry(last_attempt_status="soon")).esrt

    assert found.last_attempt_status == Unknown(
        f"expected a number of 32 bits in {EFI}/esrt/entries/entry0/last_attempt_status, got 'soon'"
    )


# ---- what waits for the next restart ----------------------------------------------------------

MOUNTED = {"/proc/self/mountinfo": "24 22 8:1 / /boot/efi rw shared:2 - vfat /dev/sda1 rw\n"}
ESP = MOUNTED | {"/boot/efi/EFI/alder/shim.efi": ""}
ASKED = "the firmware is asked to look for capsule files"


def indications(bits, size=8):
    value = b"\x07\0\0\0" + bits.to_bytes(size, "little")
    return {f"{EFI}/efivars/OsIndications-{GUID}": value}


@pytest.mark.parametrize(
    ("trees", "expected"),
    [
        ([UEFI, ESP], ()),
        ([UEFI, ESP, indications(0)], ()),
        ([UEFI, ESP, indications(1)], ()),  # bit 0: into the firmware's own menu
        ([UEFI, ESP, indications(4)], (ASKED,)),  # bit 2: file capsule delivery
        ([UEFI, ESP, {"/boot/efi/EFI/UpdateCapsule/k134.cap": ""}], ("capsule file k134.cap",)),
        # FAT does not tell capital letters from small ones
        ([UEFI, MOUNTED, {"/boot/efi/efi/UPDATECAPSULE/A.CAP": ""}],
         ("capsule file A.CAP",)),
        ([UEFI, ESP, indications(5), {"/boot/efi/EFI/UpdateCapsule/k134.cap": ""}],
         (ASKED, "capsule file k134.cap")),
        ([UEFI, MOUNTED, {"/boot/efi/other": ""}], ()),
        # one source that says so is enough
        ([UEFI, indications(4)], (ASKED,)),
        ([{f"{EFI}/runtime": ""}, ESP, {"/boot/efi/EFI/UpdateCapsule/k134.cap": ""}],
         ("capsule file k134.cap",)),
        # one that cannot be seen is not nothing
        ([UEFI], Unknown("not there: /proc/self/mountinfo")),
        ([UEFI, MOUNTED], Unknown("not there: /boot/efi")),
        ([{f"{EFI}/runtime": ""}, ESP],
         Unknown(f"not there: {EFI}/efivars/OsIndications-{GUID}")),
        ([UEFI, ESP, indications(4, size=4)],
         Unknown("expected 4 and 8 bytes in OsIndications, got 07 00 00 00 04 00 00 00")),
        ([LEGACY, ESP], NOT_UEFI),
    ],
)  # fmt: skip
def test_nothing_waits_only_where_both_places_were_looked_at(tmp_path, trees, expected):
    assert firmware(tmp_path, *trees).update_queued == expected
