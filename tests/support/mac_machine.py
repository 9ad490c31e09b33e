"""A made-up macOS machine in the documented shapes; no real one has said any of this."""

import json
import plistlib
from datetime import UTC, datetime
from typing import Any

from flashworthy_agent.capture import Capture, Head
from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.macos import answers, machine, people, power, protection, updates

NOW = datetime(2026, 11, 2, 9, 30, tzinfo=UTC)
NOT_THERE = FileNotFoundError(2, "No such file or directory")
DENIED = PermissionError(13, "Permission denied")
UUID = "6F1C2D3E-4A5B-4C6D-8E7F-90A1B2C3D4E5"
SERIAL = "ALDR2024X042"
RECOVERY_USER = "5B6E7A8C-9D01-4F0E-9C55-2A7B9E3D4F02"


def said(text: str | bytes = b"", status: int | None = 0, complaint: bytes = b"") -> list[Answer]:
    return [status, text.encode() if isinstance(text, str) else text, complaint]


def printed(value: Any) -> list[Answer]:
    """As a program prints a property list."""
    return said(plistlib.dumps(value))


def program(arguments: tuple[str, ...], answer: Answer | OSError) -> dict[Question, Any]:
    return {("program", *arguments): answer}


def overview(**changes: Any) -> dict[str, Any]:
    """SPHardwareDataType of a machine with the platform's own processor; None leaves one out."""
    usual = {
        "_name": "hardware_overview",
        "activation_lock_status": "activation_lock_disabled",
        "boot_rom_version": "18000.41.10",
        "chip_type": "Oakbridge 7",
        "machine_model": "Lark14,2",
        "machine_name": "Lark 14",
        "model_number": "L14000AB/A",
        "number_processors": "proc 8:4:4",
        "os_loader_version": "18000.41.10",
        "physical_memory": "16 GB",
        "platform_UUID": UUID,
        "provisioning_UDID": "00009911-000A1B2C3D4E5F60",
        "serial_number": SERIAL,
    }
    return {name: value for name, value in (usual | changes).items() if value is not None}


WITH_INTEL = {"chip_type": None, "cpu_type": "Oakbridge i5", "SMC_version_system": "2.46f12"}


def profile(bridge: dict[str, Any] | None = None, **changes: Any) -> dict[Question, Any]:
    drive = {"_name": "Tern 512", "bsd_name": "disk0", "device_model": "Tern 512",
             "device_revision": "FX1.04", "device_serial": "0ba018e4045c5e3e"}  # fmt: skip
    told = {
        "SPHardwareDataType": [overview(**changes)],
        "SPiBridgeDataType": [bridge or {"ibridge_secure_boot": "Full Security"}],
        "SPNVMeDataType": [{"_name": "Tern Controller", "_items": [drive]}],
        "SPSerialATADataType": [],
    }
    return program(answers.PROFILER, said(json.dumps(told, indent=2)))


PMSET = "Now drawing from '{}'\n -InternalBattery-0 (id=4653155)\t{}\n"


def pmset(
    source="AC Power", line="62%; AC attached; not charging present: true"
) -> dict[Question, Any]:
    return program(power.SOURCES, said(PMSET.format(source, line)))


def battery(**changes: Any) -> dict[Question, Any]:
    usual = {"AppleRawCurrentCapacity": 3100, "AppleRawMaxCapacity": 5000, "DesignCapacity": 5600,
             "MaxCapacity": 100, "CycleCount": 312, "Amperage": 0, "ExternalConnected": True,
             "Serial": "F8Y0420ALDR"}  # fmt: skip
    return program(power.REGISTRY, printed([usual | changes]))


def volume(name: str, *roles: str, file_vault: bool = True) -> dict[str, Any]:
    return {
        "Name": name, "Roles": list(roles), "FileVault": file_vault, "Encryption": True,
        "Locked": False, "CryptoMigrationOn": False, "DeviceIdentifier": "disk3s5",
        "APFSVolumeUUID": RECOVERY_USER,
    }  # fmt: skip


def volumes(*found: dict[str, Any], container: str = "disk3") -> dict[Question, Any]:
    listed = {"Containers": [{"ContainerReference": container, "Volumes": list(found)}]}
    return program(protection.VOLUMES, printed(listed))


SYSTEM = volume("Inland", "System")
DATA = volume("Inland - Data", "Data")


def preferences(**changes: Any) -> dict[Question, Any]:
    """What a search for updates wrote down; None leaves a key out."""
    usual = {
        "AutomaticCheckEnabled": True,
        "LastSuccessfulDate": datetime(2026, 11, 1, 18, 0),  # noqa: DTZ001  (plist: UTC, unsaid)
        "LastAttemptSystemVersion": "15.1 (24B83)",
        "LastUpdatesAvailable": 1,
        "LastRecommendedUpdatesAvailable": 1,
        "RecommendedUpdates": [
            {"Display Name": "System Update", "Display Version": "15.2",
             "Identifier": "MSU_UPDATE_24C101", "Product Key": "MSU_UPDATE_24C101"}
        ],
    }  # fmt: skip
    told = {name: value for name, value in (usual | changes).items() if value is not None}
    return {("file", updates.PREFERENCES): plistlib.dumps(told, fmt=plistlib.FMT_BINARY)}


WHO = (
    "mira     console      Nov  2 08:05 00:40   143 \n"
    "joost    ttys001      Nov  2 09:10 00:05   431 (10.0.0.7)\n"
)

ANSWERS: dict[Question, Answer | OSError] = {
    **profile(),
    **program(answers.PLATFORM, printed([{
        "IOPlatformUUID": UUID, "IOPlatformSerialNumber": SERIAL,
        "manufacturer": b"Alder Works\0", "model": b"Lark14,2\0",
    }])),
    **program(answers.KERNEL, said(
        "kern.osrelease: 24.1.0\n"
        "kern.boottime: { sec = 1793608200, usec = 0 } Mon Nov  2 08:30:00 2026\n"
        "kern.hv_vmm_present: 0\n"
    )),
    **program(machine.HOSTNAME, said("Reading-Room-4\n")),
    **pmset(),
    **battery(),
    **volumes(SYSTEM, DATA, volume("Preboot", "Preboot"), volume("VM", "VM")),
    **program(protection.SYSTEM_VOLUME, printed({
        "APFSContainerReference": "disk3", "DeviceIdentifier": "disk3s1s1",
        "ParentWholeDisk": "disk3", "VolumeUUID": RECOVERY_USER,
    })),
    **program(protection.STATUS, said("FileVault is On.\n")),
    **program(people.SESSIONS, said(WHO)),
    **program(people.INPUT, printed([{"HIDIdleTime": 300_000_000_000}])),
    **program(people.PROCESSES, said("launchd\nFinder\n")),
    ("file", answers.SYSTEM_VERSION): plistlib.dumps({
        "ProductName": "macOS", "ProductVersion": "15.1", "ProductBuildVersion": "24B83",
    }),
    **preferences(),
    ("free bytes", "/"): 40_000_000_000,
    ("is root",): True,
}  # fmt: skip


def capture(*changes: dict[Question, Any], look_for=(), ups=()) -> Capture:
    """The machine with some answers changed."""
    held = dict(ANSWERS)
    for change in changes:
        held |= change
    head = Head(
        platform="darwin", taken_at=NOW, agent_version="0.1.0", is_live=True, ids_replaced=False,
        made_up=True, look_for=look_for, ups=ups,
    )  # fmt: skip
    return Capture(head, held)
