"""Many requests at once over loopback, with as little work of its own as Python allows.

Requests are bytes made beforehand. Each goes over a connection of its own, as agents send their
reports, and as a proxy hands them on. A few are kept under way from one thread: the next is sent
as soon as an answer is there.
"""

import select
import socket
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field

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
    lines = [f"POST {path} HTTP/1.1", "Host: 127.0.0.1", "Connection: close"]
    lines += [f"Content-Length: {len(body)}"]
    lines += [f"{name.replace('_', '-')}: {text}" for name, text in headers.items()]
    return "\r\n".join([*lines, "", ""]).encode() + body


def drive(
    port: int, requests: Sequence[bytes], *, connections: int, seconds: float = 3600.0
) -> Load:
    """Send requests in their order until all are answered or the time is over.

    After a connection that fails, one fewer is kept under way; what it had sent is unanswered.
    """
    found, waiting = Load(), iter(enumerate(requests))
    poll = select.epoll()
    lanes: dict[int, _Lane] = {}
    start = time.perf_counter()
    end = start + seconds

    def send_next() -> None:
        following = next(waiting, None) if time.perf_counter() < end else None
        if following is not None:
            with suppress(OSError):
                lane = _Lane(port, *following)
                lanes[lane.socket.fileno()] = lane
                poll.register(lane.socket, select.EPOLLIN)

    try:
        for _ in range(connections):
            send_next()
        while lanes and (ready := poll.poll(PATIENCE_SECONDS)):
            for number, _ in ready:
                if lanes[number].has_ended(found):
                    lane = lanes.pop(number)
                    lane.socket.close()
                    if lane.is_answered:
                        send_next()
    finally:
        for lane in lanes.values():
            lane.socket.close()
        poll.close()
    found.seconds = time.perf_counter() - start
    return found


class _Lane:
    """One connection, with one request under way."""

    def __init__(self, port: int, place: int, request: bytes) -> None:
        self.place, self.is_answered, self._got = place, False, b""
        self._sent_at = time.perf_counter()
        self.socket = socket.create_connection(("127.0.0.1", port), PATIENCE_SECONDS)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket.sendall(request)

    def has_ended(self, found: Load) -> bool:
        """Take in what came, and note the answer once it is whole."""
        try:
            piece = self.socket.recv(CHUNK_BYTES)
        except OSError:
            return True
        got = self._got = self._got + piece
        head = got.find(b"\r\n\r\n")
        if head < 0 or len(got) < head + 4 + _length(got[:head]):
            return not piece
        self.is_answered, status = True, int(got[9:12])
        found.latencies.append(time.perf_counter() - self._sent_at)
        found.statuses[status] += 1
        if status < 300:
            found.answered.append(self.place)
        return True


def _length(head: bytes) -> int:
    lower = head.lower()
    at = lower.find(b"content-length:")
    return 0 if at < 0 else int(lower[at + 15 :].split(b"\r\n", 1)[0])
