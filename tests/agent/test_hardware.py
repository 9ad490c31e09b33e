"""What firmware and machine call themselves, read from made-up trees.

Tables are built after DMTF DSP0134 (tests/support/smbios_tables.py); the kernel's file names and
who may read them: drivers/firmware/dmi-id.c; variables: UEFI §3.3, their files: the kernel's
Documentation/filesystems/efivarfs.rst.
"""

import errno
import os

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.firmware import look_at_firmware
from flashworthy_agent.probes.linux.identity import look_at_identity
from flashworthy_agent.probes.linux.machine import look_at_machine
from flashworthy_common.report import BootMode
from flashworthy_common.values import Unknown
from support import smbios_tables as build
from support.trees import NoPrograms, grow

NAMES, TABLES = "/sys/class/dmi/id", "/sys/firmware/dmi/tables"
NO_TABLE = Unknown("this kernel shows no SMBIOS table")
LARK = {
    f"{NAMES}/bios_vendor": "Brightwater\n",
    f"{NAMES}/bios_version": "K1.29\n",
    f"{NAMES}/bios_date": "05/04/2023\n",
    f"{NAMES}/bios_release": "10.22\n",
    f"{NAMES}/sys_vendor": "Aldermere\n",
    f"{NAMES}/product_name": "Lark 14\n",
    f"{NAMES}/board_name": "LK14-MB\n",
    f"{NAMES}/chassis_type": "9\n",
    f"{NAMES}/chassis_asset_tag": "LIB-0017\n",
}
PHYSICAL = {"/proc/cpuinfo": "processor\t: 0\nflags\t\t: fpu vme de\n"}
GUEST = {"/proc/cpuinfo": "processor\t: 0\nflags\t\t: fpu hypervisor de\n"}


def raw_table(*structures, version=(3, 5)):
    table = build.table(*structures)
    return {
        f"{TABLES}/DMI": table,
        f"{TABLES}/smbios_entry_point": build.entry_point_64(version, len(table)),
    }


def access(root, *trees):
    for tree in trees:
        grow(root, tree)
    return Access(FilesBelow(root), NoPrograms())


# ---- names and table together -----------------------------------------------------------------


def test_the_kernels_names_come_first_and_the_table_adds_the_rest(tmp_path):
    table = raw_table(build.firmware(version="IN-TABLE", rom_size=0x7F, controller=(1, 10)))

    found = look_at_firmware(access(tmp_path, LARK, table))

    assert (found.maker, found.version_text, found.date_text) == (
        "Brightwater",
        "K1.29",
        "05/04/2023",
    )
    assert found.release == "10.22"  # DSP0134 §7.1: 0Ah, 16h is release 10.22
    assert found.controller_release == "1.10"
    assert found.rom_bytes == 8 * 2**20  # §7.1, 09h: 64 KiB times 7Fh + 1
    assert found.flash_upgradeable is True  # §7.1.1 bit 11
    assert found.source == f"{NAMES}, raw SMBIOS table"


def test_without_the_table_the_names_are_still_told(tmp_path):
    found = look_at_firmware(access(tmp_path, LARK))

    assert found.version_text == "K1.29"
    assert found.rom_bytes == Unknown(f"not there: {TABLES}/DMI")
    assert found.controller_release == Unknown(f"not there: {NAMES}/ec_firmware_release")


def test_without_the_names_the_table_is_enough(tmp_path):
    table = raw_table(build.firmware(), build.system(), build.baseboard(), build.chassis())
    look = access(tmp_path, table)

    machine, identity = look_at_machine(look), look_at_identity(look)

    assert look_at_firmware(look).version_text == "K1.29"
    assert (machine.maker, machine.product, machine.sku) == ("Aldermere", "Lark 14", "LK14-16G")
    assert (machine.board, machine.board_version) == ("LK14-MB", "A2")
    assert (identity.system_serial, identity.board_serial) == ("AL-0042", "MB-7")


def test_the_uuid_of_the_table_has_the_published_byte_order(tmp_path):
    # DSP0134 §7.2.1: 00112233-4455-6677-8899-AABBCCDDEEFF is stored as these bytes
    stored = bytes.fromhex("33221100554477668899AABBCCDDEEFF")
    look = access(tmp_path, raw_table(build.system(uuid=stored)))

    assert look_at_identity(look).smbios_uuid == "00112233-4455-6677-8899-aabbccddeeff"


def test_placeholders_are_told_verbatim(tmp_path):
    tree = {f"{NAMES}/product_name": "To Be Filled By O.E.M.\n", f"{NAMES}/board_name": " \n"}

    found = look_at_machine(access(tmp_path, tree))

    assert found.product == "To Be Filled By O.E.M."
    assert found.board == Unknown(f"blank: {NAMES}/board_name")


def test_the_table_knows_better_why_a_name_is_missing(tmp_path):
    look = access(tmp_path, LARK, raw_table(build.firmware(), build.system(sku="")))

    found = look_at_machine(look)

    assert found.sku == Unknown("no string is given")
    assert found.board_version == Unknown("the table holds no structure of type 2")


def test_bytes_outside_utf_8_do_not_silence_a_machine(tmp_path):
    look = access(tmp_path, LARK, {f"{NAMES}/bios_vendor": b"Soci\xe9t\xe9\n"})

    assert look_at_firmware(look).maker == "Soci\ufffdt\ufffd"


class RootOnly(FilesBelow):
    """Denies what the kernel gives to root alone (mode 0400)."""

    def _read(self, path):
        if path.endswith(("_serial", "_uuid")) or path.startswith(TABLES):
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        return super()._read(path)


def test_what_only_root_may_read_says_so(tmp_path):
    grow(tmp_path, LARK | raw_table(build.system()) | {f"{NAMES}/product_serial": "AL-0042"})
    look = Access(RootOnly(tmp_path), NoPrograms())

    identity, firmware = look_at_identity(look), look_at_firmware(look)

    assert identity.system_serial == Unknown(
        f"permission denied: {NAMES}/product_serial; run as root"
    )
    assert firmware.rom_bytes == Unknown(f"permission denied: {TABLES}/DMI; run as root")
    assert firmware.version_text == "K1.29"


@pytest.mark.parametrize(
    ("broken", "because"),
    [
        (b"", "expected the bytes of an SMBIOS table, got none"),
        (b"\xff" * 64, "the table holds no structure of type 0"),
        (b"\x00\x02\x00\x00", "the table holds no structure of type 0"),
    ],
)
def test_a_corrupt_table_leaves_reasons(tmp_path, broken, because):
    look = access(tmp_path, LARK, raw_table(build.firmware()) | {f"{TABLES}/DMI": broken})

    found = look_at_firmware(look)

    assert found.rom_bytes == Unknown(because)
    assert found.version_text == "K1.29"


def test_a_table_cut_short_is_named_in_the_source(tmp_path):
    whole = raw_table(build.firmware())
    cut = whole | {f"{TABLES}/DMI": whole[f"{TABLES}/DMI"][:-6]}

    found = look_at_firmware(access(tmp_path, cut))

    assert found.version_text == "K1.29"
    assert "corrupt: the table ends at byte" in found.source


def test_a_corrupt_entry_point_costs_only_the_uuid(tmp_path):
    tree = raw_table(build.system()) | {f"{TABLES}/smbios_entry_point": b"_SM3_"}

    found = look_at_identity(access(tmp_path, tree))

    assert found.system_serial == "AL-0042"
    assert "byte order is missing: expected an entry point" in found.smbios_uuid.because


def test_a_kernel_without_smbios_leaves_one_plain_reason(tmp_path):
    look = access(tmp_path, {"/sys/kernel/uevent_seqnum": "1"})

    firmware, machine = look_at_firmware(look), look_at_machine(look)

    assert firmware.maker == firmware.rom_bytes == firmware.boot_mode == NO_TABLE
    assert machine.product == machine.chassis_type == NO_TABLE


def test_an_offline_disk_knows_no_firmware(tmp_path):
    look = access(tmp_path, {"/etc/hostname": "reading-room-4\n"})

    assert look_at_firmware(look).version_text == ANOTHER_ROOT
    assert look_at_identity(look).hostname == "reading-room-4"


def test_the_name_in_force_comes_before_the_configured_one(tmp_path):
    tree = {"/etc/hostname": "old\n", "/proc/sys/kernel/hostname": "reading-room-4\n"}

    assert look_at_identity(access(tmp_path, tree)).hostname == "reading-room-4"


# ---- virtual ----------------------------------------------------------------------------------

VIRTUAL_PRODUCT = "SMBIOS type 1: Virtual Machine"
VM_BIT = raw_table(build.firmware(extension=(0, 1 << 4)))  # DSP0134 §7.1.2.2 bit 4


@pytest.mark.parametrize(
    ("trees", "virtual", "evidence"),
    [
        ([PHYSICAL], False, "/proc/cpuinfo: no flag hypervisor"),
        ([GUEST, VM_BIT], True, "the firmware says so: SMBIOS type 0, virtual machine bit"),
        ([GUEST, {f"{NAMES}/sys_vendor": "QEMU\n"}], True, "SMBIOS type 1: QEMU"),
        ([GUEST, {f"{NAMES}/product_name": "Virtual Machine\n"}], True, VIRTUAL_PRODUCT),
        # the control domain runs on the hypervisor, yet the machine is its own
        (
            [GUEST, {"/sys/hypervisor/type": "xen", "/proc/xen/capabilities": "control_d\n"}],
            False,
            "/proc/xen/capabilities: control domain",
        ),
    ],
)
def test_virtual_is_said_with_its_evidence(tmp_path, trees, virtual, evidence):
    found = look_at_machine(access(tmp_path, *trees))

    assert (found.virtual, found.virtual_evidence) == (virtual, evidence)


@pytest.mark.parametrize(
    ("trees", "because"),
    [
        ([LARK], "not there: /proc/cpuinfo"),
        # a real machine shows a hypervisor too when its own system runs above one
        (
            [LARK, GUEST],
            "a hypervisor runs below this system; is it a virtual machine's or its own?",
        ),
        # another architecture: an unset bit of SMBIOS says nothing either
        (
            [{"/proc/cpuinfo": "Features\t: fp asimd\n"}, raw_table(build.firmware())],
            "/proc/cpuinfo lists no flags as an x86 processor has them",
        ),
    ],
)
def test_not_virtual_is_never_guessed(tmp_path, trees, because):
    found = look_at_machine(access(tmp_path, *trees))

    assert found.virtual == found.virtual_evidence == Unknown(because)


# ---- how it was started -----------------------------------------------------------------------

VARIABLES = "/sys/firmware/efi/efivars"
GUID = "8be4df61-93ca-11d2-aa0d-00e098032b8c"  # EFI_GLOBAL_VARIABLE, UEFI §3.3


def variable(name, content):
    return {f"{VARIABLES}/{name}-{GUID}": content}


def test_uefi_is_told_by_the_kernels_folder(tmp_path):
    found = look_at_firmware(access(tmp_path, LARK, {"/sys/firmware/efi/runtime": "0x0"}))

    assert found.boot_mode is BootMode.UEFI
    assert found.secure_boot == Unknown(f"not there: {VARIABLES}/SecureBoot-{GUID}")


def test_a_machine_with_smbios_and_without_uefi_was_started_the_old_way(tmp_path):
    found = look_at_firmware(access(tmp_path, LARK))

    assert found.boot_mode is BootMode.LEGACY
    assert found.secure_boot == Unknown("the system was not started by UEFI")


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"\x06\0\0\0\x01", True),
        (b"\x06\0\0\0\0", False),
        (
            b"\x06\0\0\0\x02",  # reserved, UEFI §3.3
            Unknown("expected 4 bytes and then 00 or 01 in SecureBoot, got 06 00 00 00 02"),
        ),
        (
            b"\x06\0\0\0",
            Unknown("expected 4 bytes and then 00 or 01 in SecureBoot, got 06 00 00 00"),
        ),
        (
            b"\x06\0\0\0\x01\0",
            Unknown("expected 4 bytes and then 00 or 01 in SecureBoot, got 06 00 00 00 01 00"),
        ),
    ],
)
def test_secure_boot_is_one_byte_behind_its_attributes(tmp_path, content, expected):
    found = look_at_firmware(access(tmp_path, variable("SecureBoot", content)))

    assert found.secure_boot == expected


def test_setup_mode_is_told_beside_secure_boot(tmp_path):
    trees = variable("SecureBoot", b"\x06\0\0\0\x01"), variable("SetupMode", b"\x06\0\0\0\x01")

    found = look_at_firmware(access(tmp_path, *trees))

    assert (found.secure_boot, found.setup_mode) == (True, True)
