"""The firmware of a machine's parts, from made-up trees of the kernel's files.

Files: Documentation/ABI (sysfs-class-mei, sysfs-devices-platform-ipmi, sysfs-class-tpm); IDENTIFY
DEVICE: ACS-4 §7.13; driver information: linux/ethtool.h.
"""

import errno

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.components import look_at_components
from flashworthy_agent.probes.linux.ethtool import (
    DriverInformation,
    parse_information,
)
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_common.report import Component
from flashworthy_common.values import Unknown
from support import smbios_tables as build
from support.trees import LiveTree, NoPrograms, grow


def items(root, *trees, files=FilesBelow):
    for tree in ({"/sys/class/mem/x": ""}, *trees):
        grow(root, tree)
    return look_at_components(Access(files(root), NoPrograms())).items


def named(folder, **texts):
    return {f"{folder}/{name}": f"{text}\n" for name, text in texts.items()}


# ---- drives -----------------------------------------------------------------------------------


def disk(name="sda", removable=0, /, **device):
    return named(f"/sys/block/{name}", removable=removable, dev="8:0") | {
        f"/sys/block/{name}/device/{key}": value if isinstance(value, bytes) else f"{value}\n"
        for key, value in device.items()
    }


def ata_page(model, revision):
    """VPD page 89h: 60 bytes, then IDENTIFY DEVICE; of its texts each second character is first."""
    words = bytearray(512)
    for first, text, length in ((23, revision, 8), (27, model, 40)):
        octets = text.ljust(length).encode()
        words[2 * first : 2 * first + length : 2] = octets[1::2]
        words[2 * first + 1 : 2 * first + length : 2] = octets[::2]
    return b"\0\x89\x02\x38".ljust(60, b"\0") + bytes(words)


ATA = {"vendor": "ATA", "model": "Stonevault SV500", "rev": "1.20"}


@pytest.mark.parametrize(
    ("trees", "expected"),
    [
        (
            [named("/sys/class/nvme/nvme0", model="Stonevault N1", firmware_rev="2B4QEXE7")],
            ("Stonevault N1", "2B4QEXE7"),
        ),
        # the kernel's rev is cut to four characters
        (
            [disk(**ATA, vpd_pg89=ata_page("Stonevault SV500 G2", "1.20.B7"))],
            ("Stonevault SV500 G2", "1.20.B7"),
        ),
        (
            [disk(**ATA), {"/run/udev/data/b8:0": "S:x\nE:ID_REVISION=1.20.B7\nE:ID_BUS=ata\n"}],
            ("Stonevault SV500", "1.20.B7"),
        ),
        (
            [disk(**ATA, vpd_pg89=b"\0\x89")],
            (
                "Stonevault SV500",
                Unknown("the kernel shows only its first four characters: 1.20"),
            ),
        ),
        ([disk(vendor="STONEVLT", model="SAS9", rev="C003")], ("SAS9", "C003")),
        ([disk("mmcblk0", name="SV32G", fwrev="0x08")], ("SV32G", "0x08")),
    ],
)
def test_a_drive_tells_its_own_firmware(tmp_path, trees, expected):
    (found,) = items(tmp_path, *trees)

    assert (found.kind, found.name, found.version_text) == ("drive", *expected)


@pytest.mark.parametrize(
    "tree",
    [
        disk("sr0", 1, vendor="DISC", model="Writer", rev="1.0"),
        named("/sys/block/loop0", removable=0),
        disk("vda", vendor="0x1af4"),  # a virtual disk tells nothing
        disk("nvme0n1", rev="1", model="N1"),  # told by its class
        named("/sys/class/net/lo", mtu="65536"),
    ],
)
def test_what_is_no_part_of_its_own_is_left_out(tmp_path, tree):
    assert items(tmp_path, tree) == ()


# ---- network adapters -------------------------------------------------------------------------


def drvinfo(driver, firmware):
    """struct ethtool_drvinfo: a number and then texts of 32 bytes."""
    texts = (driver, "6.1.0", firmware, "0000:00:1f.6", "")
    return b"\3\0\0\0" + b"".join(text.encode().ljust(32, b"\0") for text in texts) + bytes(32)


@pytest.mark.parametrize(
    ("told", "firmware"), [("0.5-4", "0.5-4"), ("", ""), ("N/A", ""), ("a" * 31, "a" * 31)]
)
def test_driver_information_is_read_as_the_kernel_lays_it_out(told, firmware):
    assert parse_information(drvinfo("e1000e", told)) == DriverInformation("e1000e", firmware)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (drvinfo("e1000e", "0.5-4"), ("eth0 (e1000e)", "0.5-4")),
        (
            drvinfo("virtio_net", ""),
            ("eth0 (virtio_net)", Unknown("its driver tells no firmware version")),
        ),
        (
            OSError(errno.ENODEV, "No such device"),
            ("eth0", Unknown("eth0: its driver does not tell: No such device")),
        ),
    ],
)
def test_an_adapter_is_told_with_its_driver(tmp_path, told, expected):
    def tree(root):
        return LiveTree(root, {("network driver", "eth0"): told})

    (found,) = items(tmp_path, named("/sys/class/net/eth0/device", id="1"), files=tree)

    assert (found.kind, found.name, found.version_text) == ("network adapter", *expected)


def test_an_adapter_of_another_root_is_not_asked_here(tmp_path):
    (found,) = items(tmp_path, named("/sys/class/net/lo/device", id="1"))

    assert (found.name, found.version_text) == ("lo", ANOTHER_ROOT)


def test_the_kernel_is_asked_for_real():
    with pytest.raises(OSError, match=r"No such device|not supported"):
        RunningSystem().ask("network driver", "no-such-adapter-here")  # cut to 15 characters


# ---- the rest ---------------------------------------------------------------------------------

NO_TPM_VERSION = Unknown("the kernel does not show its firmware's version")
CAPS = "Manufacturer: 0x4e544300\nTCG version: 1.2\nFirmware version: 13.9\n"


@pytest.mark.parametrize(
    ("trees", "expected"),
    [
        (
            [named("/sys/class/tpm/tpm0", tpm_version_major=2)],
            Component(kind="TPM", name="TPM 2.0", version_text=NO_TPM_VERSION),
        ),
        (
            [named("/sys/class/tpm/tpm0/device", description="TPM 2.0 Device")],
            Component(kind="TPM", name="TPM 2.0 Device", version_text=NO_TPM_VERSION),
        ),
        (
            [named("/sys/class/tpm/tpm0", tpm_version_major=1, caps=CAPS)],
            Component(kind="TPM", name="TPM 1.2", version_text="13.9"),
        ),
        (
            [named("/sys/class/ipmi/ipmi0/device/bmc", firmware_revision="2.54")],
            Component(kind="management controller", name="ipmi0", version_text="2.54"),
        ),
        (
            [named("/sys/class/mei/mei0", fw_ver="0:16.1.25.1885\n0:16.1.25.1885\n0:16.0.0.1")],
            Component(kind="management controller", name="mei0", version_text="16.1.25.1885"),
        ),
        (
            [{"/proc/cpuinfo": "processor\t: 0\nmodel name\t: Oakbridge 7\nmicrocode\t: 0xf4\n\n"
                               "processor\t: 1\nmicrocode\t: 0xf4\n"}],
            Component(kind="microcode", name="Oakbridge 7", version_text="0xf4"),
        ),
        (
            [{"/sys/firmware/dmi/tables/DMI": build.table(build.inventory(name="dock"))}],
            Component(kind="listed by firmware", name="dock", version_text="0x0001002d"),
        ),
        (
            [{"/sys/class/dmi/id/bios_vendor": "Brightwater"}],
            Component(
                kind="listed by firmware",
                name="SMBIOS type 45",
                version_text=Unknown("not there: /sys/firmware/dmi/tables/DMI"),
            ),
        ),
    ],
)  # fmt: skip
def test_a_part_tells_its_firmware_or_why_not(tmp_path, trees, expected):
    assert items(tmp_path, *trees) == (expected,)


def test_a_machine_without_such_parts_has_none(tmp_path):
    assert items(tmp_path, {"/proc/cpuinfo": "processor\t: 0\n"}) == ()


def test_an_offline_disk_knows_no_parts(tmp_path):
    access = Access(FilesBelow(tmp_path), NoPrograms())

    assert look_at_components(access).items == ANOTHER_ROOT
