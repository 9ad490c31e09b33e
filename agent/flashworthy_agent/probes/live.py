"""Raw inputs of the running system.

- Programs run without a shell, in the C locale, with nothing on standard input, and are ended with
  everything that they started once their time is over.
- What only one platform has is loaded when it is asked for.
"""

import os
import shutil
import signal
import subprocess
from importlib import import_module
from pathlib import Path

from flashworthy_agent.probes.inputs import Answer, FilesBelow

_PROBES = "flashworthy_agent.probes"
_WINDOWS = f"{_PROBES}.windows.live"
# Kinds that have a module of their own, and the function there that answers them.
_LOADED = {
    "network driver": (f"{_PROBES}.linux.live", "driver_information"),
    "UPS": (f"{_PROBES}.ups_server", "conversation"),
    "registry value": (_WINDOWS, "registry_value"),
    "registry keys": (_WINDOWS, "registry_keys"),
    "firmware table": (_WINDOWS, "firmware_table"),
    "firmware type": (_WINDOWS, "firmware_type"),
    "firmware variable": (_WINDOWS, "firmware_variable"),
    "power status": (_WINDOWS, "power_status"),
    "batteries": (_WINDOWS, "batteries"),
    "sessions": (_WINDOWS, "sessions"),
    "own session": (_WINDOWS, "own_session"),
    "process names": (_WINDOWS, "process_names"),
    "has mutex": (_WINDOWS, "has_mutex"),
    "script": (f"{_PROBES}.windows.script", "run_script"),
    "uptime": (_WINDOWS, "uptime_ms"),
}


class RunningSystem(FilesBelow):
    """This very machine."""

    is_live = True

    def __init__(self) -> None:
        super().__init__(Path("/"))
        self._readers |= {
            "program": run,
            "has program": lambda name: shutil.which(name) is not None,
            "free bytes": lambda folder: shutil.disk_usage(folder).free,
            "environment": os.environ.get,
            "architecture": _architecture,
        }

    def ask(self, kind: str, *about: str | int, **limits: float) -> Answer:
        if kind in _LOADED:
            module, function = _LOADED[kind]
            self._readers[kind] = getattr(import_module(module), function)
        return super().ask(kind, *about, **limits)

    def _place(self, path: str) -> str:
        return path


def _architecture() -> str:
    if hasattr(os, "uname"):
        return os.uname().machine
    return os.environ.get("PROCESSOR_ARCHITECTURE", "")


def run(*arguments: str, seconds: float) -> Answer:
    """Status, output and complaint; the status is none where its time was over."""
    process = subprocess.Popen(
        arguments,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"LC_ALL": "C"},
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
    with process:
        try:
            output, complaint = process.communicate(timeout=seconds)
        except subprocess.TimeoutExpired:
            _end(process)
            output, complaint = process.communicate()
            return [None, output, complaint]
    return [process.returncode, output, complaint]


def _end(process: "subprocess.Popen[bytes]") -> None:
    """And all that it started, where the system keeps them together."""
    if hasattr(os, "killpg"):
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
