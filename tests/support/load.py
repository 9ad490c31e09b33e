"""Many requests at once over loopback, with as little work of its own as Python allows.

Requests are bytes made beforehand. A few connections are kept busy from one thread: each sends the
next request as soon as its answer is there, so that as many requests as connections are under way.
"""

import select
import socket
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

CHUNK_BYTES = 65_536
PATIENCE_SECONDS = 30.0


@dataclass
class Load:
    """What came of it."""

    seconds: float = 0.0
    statuses: Counter[int] = field(default_factory=Counter)
    latencies: list[float] = field(default_factory=list)  # seconds
    answered: list[int] = field(default_factory=list)  # places of the requests that got a 2xx

    @property
    def per_second(self) -> float:
        return len(self.latencies) / self.seconds

    def percentile_ms(self, share: float) -> float:
        """The latency in ms that `share` of all requests stay below."""
        ordered = sorted(self.latencies)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))] * 1000


def post(path: str, body: bytes, **headers: str) -> bytes:
    """A request as bytes; names of headers have underscores for hyphens."""
    lines = [f"POST {path} HTTP/1.1", "Host: 127.0.0.1", f"Content-Length: {len(body)}"]
    lines += [f"{name.replace('_', '-')}: {text}" for name, text in headers.items()]
    return "\r\n".join([*lines, "", ""]).encode() + body


def drive(
    port: int, requests: Sequence[bytes], *, connections: int, seconds: float = 3600.0
) -> Load:
    """Send requests in their order until all are answered or the time is over.

    A connection that fails ends; what it had sent counts as unanswered.
    """
    found, waiting = Load(), iter(enumerate(requests))
    poll = select.epoll()
    lanes: dict[int, _Lane] = {}
    start = time.perf_counter()
    end = start + seconds
    try:
        for place, request in islice(waiting, connections):
            lane = _Lane(port)
            lanes[lane.socket.fileno()] = lane
            poll.register(lane.socket, select.EPOLLIN)
            lane.send(place, request)
        while lanes:
            ready = poll.poll(PATIENCE_SECONDS)
            if not ready:
                break
            for number, _ in ready:
                if not _go_on(lanes[number], found, waiting, end):
                    lanes.pop(number).socket.close()
    finally:
        for lane in lanes.values():
            lane.socket.close()
        poll.close()
    found.seconds = time.perf_counter() - start
    return found


def _go_on(lane: "_Lane", found: Load, waiting: Iterator[tuple[int, bytes]], end: float) -> bool:
    """Take in what came; whether the lane still waits for something."""
    try:
        status = lane.receive()
    except OSError:
        return False
    if status is None:
        return True
    now = time.perf_counter()
    found.latencies.append(now - lane.sent_at)
    found.statuses[status] += 1
    if status < 300:
        found.answered.append(lane.place)
    following = next(waiting, None) if now < end else None
    if following is None:
        return False
    try:
        lane.send(*following)
    except OSError:
        return False
    return True


class _Lane:
    """One connection, with one request under way."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.socket = _connected(port)
        self.place, self.sent_at, self._got = 0, 0.0, b""

    def send(self, place: int, request: bytes) -> None:
        self.place, self.sent_at = place, time.perf_counter()
        self.socket.sendall(request)

    def receive(self) -> int | None:
        """The status, once the whole answer is there."""
        piece = self.socket.recv(CHUNK_BYTES)
        if not piece:
            raise ConnectionError("closed before the answer")
        got = self._got = self._got + piece
        head = got.find(b"\r\n\r\n")
        if head < 0 or len(got) < head + 4 + _length(got[:head]):
            return None
        self._got = b""
        return int(got[9:12])


def _length(head: bytes) -> int:
    lower = head.lower()
    at = lower.find(b"content-length:")
    return 0 if at < 0 else int(lower[at + 15 :].split(b"\r\n", 1)[0])


def _connected(port: int) -> Any:
    made = socket.create_connection(("127.0.0.1", port), PATIENCE_SECONDS)
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made
