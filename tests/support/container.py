"""A small Debian with a running systemd, in a container that shares this machine's loopback."""

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

_PACKAGES = "systemd-sysv,dbus,python3,python3-requests,ca-certificates"
_BOOT_SECONDS = 60.0


def need(*programs: str) -> None:
    """Skip the test unless this is root's and the programs are here."""
    if os.geteuid() != 0:
        pytest.skip("only root starts containers")
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not here")


def make_root(folder: Path) -> Path:
    """A Debian of this machine's release below `folder`; skips the test where none can be had."""
    need("mmdebstrap", "systemd-nspawn", "nsenter")
    release = dict(
        line.split("=", 1) for line in Path("/etc/os-release").read_text().splitlines() if line
    )["VERSION_CODENAME"].strip('"')
    done = subprocess.run(
        ["mmdebstrap", "--quiet", "--variant=minbase", f"--include={_PACKAGES}", release, folder],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        pytest.skip(f"mmdebstrap could not make a Debian: {done.stderr.strip()[-300:]}")
    return folder


def copy_root(pristine: Path, folder: Path) -> Path:
    """A Debian of its own below `folder`."""
    subprocess.run(["cp", "--archive", "--reflink=auto", pristine, folder], check=True)
    return folder


class Container:
    """Use as a context manager; boots from `root`."""

    def __init__(self, root: Path, *, hostname: str = "", firmware: Path | None = None) -> None:
        """
        Args:
            hostname: its own; empty: that of the folder.
            firmware: what stands for ``/sys/firmware`` inside; None: there is none.
        """
        self.root = root
        self.log = root.parent / f"{root.name}.log"
        self._options = [f"--hostname={hostname}"] if hostname else []
        if firmware is not None:
            self._options.append(f"--bind-ro={firmware}:/sys/firmware")

    def __enter__(self) -> "Container":
        command = ["systemd-nspawn", "-q", "-D", self.root, "--register=no", "--keep-unit", "-b"]
        with open(self.log, "wb") as log:
            self._process = subprocess.Popen(
                [*command, "--console=pipe", *self._options],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip
        deadline = time.monotonic() + _BOOT_SECONDS
        while not self._is_up():
            if self._process.poll() is not None or time.monotonic() > deadline:
                self._end()
                pytest.skip(f"the container does not boot: {self.log.read_text()[-500:]}")
            time.sleep(0.2)
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    @property
    def entrance(self) -> list[str]:
        """What to put before a command for it to run inside, as root, in a plain environment."""
        return ["nsenter", "--target", str(self._leader()), "--all", "--", "env", "-i",
                "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND=noninteractive"]  # fmt: skip

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """The outcome of a program inside, as its root."""
        return subprocess.run([*self.entrance, *command], capture_output=True, text=True)

    def run_killed(self, after_seconds: float, *command: str) -> bool:
        """Run a program inside, and kill it (SIGKILL) with all that it started: was it in time?"""
        process = subprocess.Popen(
            [*self.entrance, *command],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        try:
            process.wait(timeout=after_seconds)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
        status = process.wait()
        while _lives(process.pid):  # what was killed may still hold its locks for a moment
            time.sleep(0.02)
        return status == -signal.SIGKILL

    def succeed(self, *command: str) -> str:
        """What a program inside prints; it must end with 0."""
        done = self.run(*command)
        assert done.returncode == 0, (command, done.stdout, done.stderr)
        return done.stdout

    def _leader(self) -> int | None:
        """The process that is the first one inside."""
        pid = self._process.pid
        try:
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        except OSError:
            return None
        return int(children[0]) if children else None

    def _is_up(self) -> bool:
        if self._leader() is None:
            return False
        state = self.run("systemctl", "is-system-running").stdout.strip()
        return state in ("running", "degraded")

    def _end(self) -> None:
        leader = self._leader()
        if leader is not None:
            os.kill(leader, signal.SIGKILL)
        try:
            self._process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _lives(group: int) -> bool:
    """Whether some process of a group has not ended."""
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, its_group, *_ = file.read_text().rpartition(") ")[2].split()  # proc(5)
        except OSError:
            continue  # it ended meanwhile
        if int(its_group) == group and state not in "ZX":
            return True
    return False
