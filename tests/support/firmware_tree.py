"""What the kernel shows below ``/sys/firmware`` of a made-up machine, for a container to see."""

from pathlib import Path

from support import smbios_tables as build
from support.trees import grow

FIRMWARE_CLASS = "5a1d2b7e-0c3f-4c58-9a46-0e0f64b8a001"
ESRT_ENTRY = {
    "fw_class": FIRMWARE_CLASS,
    "fw_type": 1,
    "fw_version": 65565,
    "lowest_supported_fw_version": 65536,
    "capsule_flags": "0x50000",
    "last_attempt_version": 65570,
    "last_attempt_status": 6,  # mains power was not connected (UEFI §23.4)
}
_ENTRY_POINT_BYTES = 24  # DSP0134 §5.2.2


def grow_firmware(folder: Path, number: int) -> Path:
    """Machine `number`: an SMBIOS table of its own, and an ESRT with one failed attempt.

    All is for root only, as the kernel has it.
    """
    table = build.table(
        build.firmware(),
        build.system(serial=f"AL-{number:04}", uuid=bytes([number]) * 16),
        build.baseboard(serial=f"MB-{number}"),
        build.chassis(serial=f"CH-{number}", asset_tag=f"LIB-{number:04}"),
    )
    entry = {f"/efi/esrt/entries/entry0/{name}": f"{value}\n" for name, value in ESRT_ENTRY.items()}
    grow(folder, {
        "/dmi/tables/smbios_entry_point": build.dump(table, (3, 2))[:_ENTRY_POINT_BYTES],
        "/dmi/tables/DMI": table,
        **entry,
    })  # fmt: skip
    (folder / "efi" / "efivars").mkdir()
    for file in folder.rglob("*"):
        if file.is_file():
            file.chmod(0o400)
    return folder
