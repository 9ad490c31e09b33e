"""The talk with a UPS server itself; what it says is read by `flashworthy_agent.probes.ups`.

Apart from that, since a machine without a UPS, and a replay, need no sockets.
"""

import socket
import time
from collections.abc import Iterator
from contextlib import suppress

from flashworthy_agent.errors import UpsError
from flashworthy_agent.probes.ups import MAX_ANSWER_BYTES, read_list, require_known


def conversation(name: str, host: str, port: int, *, seconds: float) -> list[str]:
    """All that a UPS server says, asked which UPSes it has and then for this one's variables.

    Raises:
        OSError: it cannot be reached, or says no more within so many seconds.
    """
    said: list[str] = []
    with socket.create_connection((host, port), seconds) as connection:
        lines = _noted(_lines(connection, time.monotonic() + seconds), said)
        with suppress(UpsError):  # what it said is judged by whoever asked
            connection.sendall(b"LIST UPS\n")
            require_known(lines, name)
            connection.sendall(f"LIST VAR {name}\n".encode())
            read_list(lines, f"VAR {name}")
    return said


def _noted(lines: Iterator[str], notes: list[str]) -> Iterator[str]:
    for line in lines:
        notes.append(line)
        yield line


def _lines(connection: socket.socket, deadline: float) -> Iterator[str]:
    received, rest = 0, b""
    while received < MAX_ANSWER_BYTES:
        connection.settimeout(max(0.001, deadline - time.monotonic()))
        piece = connection.recv(1 << 14)
        if not piece:
            return
        received += len(piece)
        *whole, rest = (rest + piece).split(b"\n")
        yield from (line.decode("utf-8", "replace").rstrip("\r") for line in whole)
