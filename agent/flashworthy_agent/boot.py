"""Which start of the system this is: something that is another one after each start.

It is asked on every call of the schedule, so that the first call after a start is told from others.
"""

import sys
from importlib import import_module
from pathlib import Path

_FILE = "proc/sys/kernel/random/boot_id"  # random(4)
# A number that Windows counts up at each start; *from memory*
_COUNTED = (
    r"SYSTEM\CurrentControlSet\Control\Session Manager\Memory Management\PrefetchParameters",
    "BootId",
)
_ASKED = ("/usr/sbin/sysctl", "-n", "kern.bootsessionuuid")  # of macOS' kernel; *from memory*
_PATIENCE_SECONDS = 5.0


def boot_id(root: Path) -> str | None:
    """Of the system below `root`; none where it cannot be told."""
    told = {"win32": _counted, "darwin": _asked}.get(sys.platform, lambda: _read(root))
    try:
        return told() or None
    except (OSError, UnicodeDecodeError):
        return None


def _read(root: Path) -> str:
    return (root / _FILE).read_text("ascii").strip()


def _counted() -> str:
    live = import_module("flashworthy_agent.probes.windows.live")  # late: only Windows has it
    return str(live.registry_value(*_COUNTED)[1])


def _asked() -> str:
    from flashworthy_agent.probes.live import run  # late: only macOS has to ask

    status, output, _ = run(*_ASKED, seconds=_PATIENCE_SECONDS)
    return output.decode("ascii").strip() if status == 0 else ""
