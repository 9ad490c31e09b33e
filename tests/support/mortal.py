"""Agents that are killed (SIGKILL) at a chosen moment; run as a program, it breeds them.

Whatever reaches the disk or the network is counted: opening a file to write, fsync, rename, unlink,
making a folder, connecting, sending and receiving. An agent dies just before the n-th of them, or
in the middle of it (``torn``: half of what it was writing is on disk, as after a power cut).

Each agent is a fork of a process that has loaded everything once: a kill then costs some ten
milliseconds. Nothing in the product knows of it.
"""

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class End:
    """How an agent ended."""

    status: int | None  # None: it was killed
    moments: tuple[str, ...]  # what it came to, in order
    spooled: tuple[str, ...]  # ids of the reports that were in the spool, whole


class Breeder:
    """Use as a context manager."""

    def __enter__(self) -> "Breeder":
        self._process = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate(timeout=10)

    def run(self, *arguments: str, kill_at: int | None = None, torn: bool = False) -> End:
        """One agent with these arguments.

        Args:
            kill_at: the number of the moment, from 0; None: it lives.
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        order = {"arguments": arguments, "kill_at": kill_at, "torn": torn}
        print(json.dumps(order), file=self._process.stdin, flush=True)
        told = json.loads(self._process.stdout.readline())
        return End(told["status"], tuple(told["moments"]), tuple(told["spooled"]))


def _breed() -> None:
    import requests  # noqa: F401  (what is loaded here, no agent has to load)

    from flashworthy_agent import commands  # noqa: F401
    from flashworthy_agent.cli import main

    for line in sys.stdin:
        order = json.loads(line)
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            _Fate(writing, order["kill_at"], order["torn"]).watch()
            silence = os.open(os.devnull, os.O_WRONLY)
            for stream in (1, 2):
                os.dup2(silence, stream)
            os._exit(main(order["arguments"]))
        os.close(writing)
        with open(reading) as pipe:
            told = [entry.split(" ", 1) for entry in pipe.read().splitlines()]
        ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        assert ended in (0, 1, -signal.SIGKILL), ended
        answer = {
            "status": None if ended < 0 else ended,
            "moments": [what for kind, what in told if kind == "moment"],
            "spooled": [what for kind, what in told if kind == "spooled"],
        }
        print(json.dumps(answer), flush=True)


class _Fate:
    def __init__(self, pipe: int, kill_at: int | None, torn: bool) -> None:
        self._pipe, self._kill_at, self._torn, self._count = pipe, kill_at, torn, 0
        self._write, self._replace = os.write, os.replace

    def watch(self) -> None:
        for name in ("fsync", "unlink", "mkdir"):
            self._wrap(os, name)
        self._wrap(os, "open", lambda path, flags, *_: bool(flags & (os.O_WRONLY | os.O_RDWR)))
        self._wrap(os, "replace", after=self._note_spooled)
        for name in ("connect", "send", "sendall", "recv", "recv_into"):
            self._wrap(socket.socket, name)

    def _wrap(
        self,
        owner: Any,
        name: str,
        counts: Callable[..., bool] = lambda *_: True,
        after: Callable[..., None] = lambda *_: None,
    ) -> None:
        original = getattr(owner, name)

        def wrapped(*arguments: Any, **named: Any) -> Any:
            if counts(*arguments):
                self._meet(name, arguments)
            result = original(*arguments, **named)
            after(*arguments)
            return result

        setattr(owner, name, wrapped)

    def _meet(self, name: str, arguments: tuple[Any, ...]) -> None:
        self._tell("moment", name)
        if self._count == self._kill_at:
            if self._torn and name == "fsync" and os.path.isfile(f"/proc/self/fd/{arguments[0]}"):
                os.ftruncate(arguments[0], os.fstat(arguments[0]).st_size // 2)
            os.kill(os.getpid(), signal.SIGKILL)
        self._count += 1

    def _note_spooled(self, _: Any, target: Any) -> None:
        target = Path(target)
        if target.parent.name == "spool":
            self._tell("spooled", target.name.removesuffix(".json.gz").rpartition("_")[2])

    def _tell(self, kind: str, what: str) -> None:
        self._write(self._pipe, f"{kind} {what}\n".encode())


if __name__ == "__main__":
    _breed()
