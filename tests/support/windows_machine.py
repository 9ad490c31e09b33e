"""A made-up Windows machine in the documented shapes; no real one has said any of this."""

import json
from datetime import UTC, datetime

from flashworthy_agent.capture import Capture, Head
from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.windows import firmware, machine, software
from flashworthy_agent.probes.windows import structures as layout
from flashworthy_agent.probes.windows.components import PROCESSOR_KEY
from flashworthy_agent.probes.windows.people import INSTALLING
from support import smbios_tables

NOW = datetime(2026, 11, 2, 9, 30, tzinfo=UTC)
NOT_THERE = FileNotFoundError(2, "The system cannot find the file specified")
DENIED = PermissionError(13, "Access is denied")
SYSTEM_CLASS = "6bd4efb9-23cc-4b4a-ac37-016517413e9a"  # of "Authoring an update driver package"
RECOVERY = "{3F2504E0-4F89-11D3-9A0C-0305E82C3301}"
EFI_PATH = "\\\\?\\Volume{9b2f3c1e-7d64-4c0a-8f21-5b6e7a8c9d01}\\"
TABLE = smbios_tables.table(
    smbios_tables.firmware(),
    smbios_tables.system(serial="AL-2024-0042"),
    smbios_tables.baseboard(serial="MB-99-1234567"),
    smbios_tables.chassis(),
)
TICKS_A_SECOND = 10_000_000  # of a FILETIME: 100 ns


def wrapped(table: bytes, version: tuple[int, int] = (3, 5)) -> bytes:
    """Behind the header of RawSMBIOSData ("GetSystemFirmwareTable function")."""
    return bytes([0, *version, 0]) + len(table).to_bytes(4, "little") + table


def power_status(line=1, flag=1, percent=62, seconds=0xFFFFFFFF) -> bytes:
    return bytes(layout.SystemPowerStatus(line, flag, percent, 0, seconds, 0xFFFFFFFF))


def battery(
    capabilities=0x80000000, designed=57000, full=45600, cycles=312,
    state=1, capacity=28300, rate=0,
) -> list[bytes]:  # fmt: skip
    information = layout.BatteryInformation(
        capabilities, 1, (0, 0, 0), tuple(b"LION"), designed, full, 0, 0, 0, cycles
    )
    return [bytes(information), bytes(layout.BatteryStatus(state, capacity, 11400, rate))]


def letters(text: str, size: int):
    octets = text.encode("utf-16-le").ljust(2 * size, b"\0")
    return tuple(int.from_bytes(octets[at : at + 2], "little") for at in range(0, 2 * size, 2))


def session(
    user="mira", protocol=0, number=1, idle_seconds=300, state=0, domain="ALDER"
) -> list[Answer]:
    now = 133_000_000_000 * TICKS_A_SECOND
    one = layout.SessionInformation(
        state, number, 0, 0, 0, 0, 0, 0, letters("Console", 32), letters(domain, 17),
        letters(user, 21), now, 0, now - idle_seconds * TICKS_A_SECOND if idle_seconds else 0, now,
        now,
    )  # fmt: skip
    return [protocol, bytes(one)]


def volume(
    name="C:", conversion=1, protection=1, suspended=0, code=50, kinds=((1, "{A}"), (3, RECOVERY))
) -> dict:
    """As `Win32_EncryptableVolume` answers; 50 is ERROR_NOT_SUPPORTED."""
    return {
        "name": name, "device": "\\\\?\\Volume{5d0f7c1a-1b6e-4f0e-9c55-2a7b9e3d4f02}\\",
        "conversion": conversion, "protection": protection,
        "suspended": suspended, "suspended_code": code,
        "protectors": [{"id": one, "kind": kind} for kind, one in kinds],
    }  # fmt: skip


def update(title="Cumulative update", **more) -> dict:
    return {"title": title, "severity": None, "optional": False, "kind": 1, "driver_class": None,
            "categories": [], **more}  # fmt: skip


def updates(*found: dict, result=2, searched_at: str | None = "2026-11-01T18:00:00Z") -> dict:
    return {"result": result, "searched_at": searched_at, "updates": list(found)}


def said(**answers) -> list[Answer]:
    """What the script prints: a line for each question, its items or the words of a failure."""
    usual = {
        "computer": [{"hypervisor": False}],
        "partitions": [{"kind": "{c12a7328-f81f-11d2-ba4b-00a0c93ec93b}", "is_system": True,
                        "paths": [EFI_PATH]},
                       {"kind": "{ebd0a0a2-b9e5-4433-87c0-68b6b72699c7}", "is_system": False,
                        "paths": ["C:\\"]}],
        "drives": [{"name": "Tern 512", "firmware": "FX1.04"}],
        "tpm": [{"maker": "ALDR", "standard": "2.0, 0, 1.59", "firmware": "7.2.1.0"}],
        "volumes": [volume()],
        "updates": [updates(update(severity="Critical"), update("Reader 7.1"))],
    }  # fmt: skip
    lines = [
        {"question": name, "failed" if isinstance(found, str) else "found": found}
        for name, found in (usual | answers).items()
    ]
    text = "".join(json.dumps(line, separators=(",", ":")) + "\r\n" for line in lines)
    return [0, text.encode(), b""]


def value(key: str, name: str, found: Answer | OSError, kind: int = 1) -> dict:
    answer = found if isinstance(found, OSError) else [kind, found]
    return {("registry value", key, name): answer}


def number(key: str, name: str, found: int) -> dict:
    return value(key, name, found, 4)


def esrt_entry(
    name: str = f"{{{SYSTEM_CLASS}}}", kind=1, version=0x10002, lowest=0x10001, flags=0,
    tried=0x10002, status=0,
) -> dict:  # fmt: skip
    key = rf"{firmware.ESRT_KEY}\{name}"
    told = {
        "Type": kind,
        "Version": version,
        "LowestSupportedVersion": lowest,
        "CapsuleFlags": flags,
        "LastAttemptVersion": tried,
        "LastAttemptStatus": status,
    }
    return {("registry value", key, label): [4, one] for label, one in told.items()}


def firmware_package(version: int, name: str = f"RES_{{{SYSTEM_CLASS}}}") -> dict:
    device = rf"{firmware.RESOURCES_KEY}\{name}"
    return {
        ("registry keys", firmware.RESOURCES_KEY): [name],
        ("registry keys", device): ["0"],
        **number(rf"{device}\0\Device Parameters", "FirmwareVersion", version),
    }


ANSWERS: dict[Question, Answer | OSError] = {
    ("firmware table", "RSMB"): wrapped(TABLE),
    ("firmware type",): 2,
    ("firmware variable", "SetupMode", firmware.GLOBAL_VARIABLE): b"\0",
    ("firmware variable", "OsIndications", firmware.GLOBAL_VARIABLE): NOT_THERE,
    **number(firmware.SECURE_BOOT_KEY, "UEFISecureBootEnabled", 1),
    ("registry keys", firmware.ESRT_KEY): [f"{{{SYSTEM_CLASS}}}"],
    **esrt_entry(),
    ("registry keys", firmware.RESOURCES_KEY): NOT_THERE,
    ("power status",): power_status(),
    ("batteries",): [battery()],
    ("sessions",): [session(""), session(), session("joost", protocol=2, number=2)],
    ("own session",): 1,
    ("process names",): ["System", "explorer.exe"],
    ("has mutex", INSTALLING): False,
    ("uptime",): 566_930,
    ("environment", "SystemDrive"): "C:",
    ("is root",): True,
    ("free bytes", "C:\\"): 40_000_000_000,
    ("free bytes", EFI_PATH): 70_000_000,
    **value(machine.NAME_IN_FORCE, "ComputerName", "READING-ROOM-4"),
    **value(software.NEW_NAME, "ComputerName", "READING-ROOM-4"),
    **value(software.VERSION_KEY, "ProductName", "Windows 10 Pro"),
    **value(software.VERSION_KEY, "DisplayVersion", "23H2"),
    **value(software.VERSION_KEY, "CurrentBuildNumber", "22631"),
    **number(software.VERSION_KEY, "UBR", 3007),
    **number(software.VERSION_KEY, "CurrentMajorVersionNumber", 10),
    **number(software.VERSION_KEY, "CurrentMinorVersionNumber", 0),
    ("registry keys", software.SERVICING_KEY): NOT_THERE,
    ("registry keys", software.UPDATE_KEY): NOT_THERE,
    **value(software.SESSION_KEY, software.RENAMES, NOT_THERE),
    **value(PROCESSOR_KEY, "Update Revision", bytes.fromhex("00000000f4000000"), 3),
    **value(PROCESSOR_KEY, "ProcessorNameString", "Oakbridge 7"),
    ("script", "with updates"): said(),
}


def capture(*changes: dict[Question, Answer | OSError], look_for=()) -> Capture:
    """The machine with some answers changed."""
    answers = dict(ANSWERS)
    for change in changes:
        answers |= change
    head = Head(
        platform="win32", taken_at=NOW, agent_version="0.1.0", is_live=True, ids_replaced=False,
        made_up=True, look_for=look_for,
    )  # fmt: skip
    return Capture(head, answers)
