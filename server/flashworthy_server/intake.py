"""What comes from many at once is written together, in one transaction, with no wait for more.

Whoever comes while nobody writes takes everything that waits, writes it, and tells each what came
of its own. So a lone report is written at once, and under load one commit serves many: on a disk
on which a commit takes milliseconds, that decides how many reports a second there can be.

- What waits is bounded; beyond that, and for whoever waits too long, the server is busy.
- Nobody is told anything before the transaction has ended.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from flashworthy_server.errors import BusyError

Item = TypeVar("Item")
Result = TypeVar("Result")
Write = Callable[[Sequence[Item]], Sequence[Result | Exception]]


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much an intake takes."""

    most_waiting: int
    most_together: int  # written in one transaction
    wait_seconds: float  # until writing an item has begun


@dataclass(eq=False, slots=True)
class _Slot(Generic[Item, Result]):
    """One item on its way, and what came of it."""

    item: Item
    result: Result | Exception | None = None


class Intake(Generic[Item, Result]):
    """One queue; every process has its own."""

    def __init__(self) -> None:
        self._waiting: deque[_Slot[Item, Result]] = deque()
        self._changed = threading.Condition()
        self._is_writing = False

    @property
    def waiting(self) -> int:
        """How many items wait for their turn."""
        return len(self._waiting)

    def hand_in(self, item: Item, write: Write[Item, Result], bounds: Bounds) -> Result:
        """Have an item written, together with whatever waits.

        Args:
            write: writes items in their order; what came of each, or why it failed.

        Raises:
            BusyError: too much waits already, or it took too long until this one was begun with.
        """
        slot = self._queued(item, bounds)
        while slot.result is None:
            batch = self._turn(slot, bounds)
            if batch:
                self._write(batch, write)
        if isinstance(slot.result, Exception):
            raise slot.result
        return slot.result

    def _queued(self, item: Item, bounds: Bounds) -> _Slot[Item, Result]:
        slot: _Slot[Item, Result] = _Slot(item)
        with self._changed:
            if len(self._waiting) >= bounds.most_waiting:
                raise BusyError("too many reports wait to be written: try again later")
            self._waiting.append(slot)
        return slot

    def _turn(self, slot: _Slot[Item, Result], bounds: Bounds) -> list[_Slot[Item, Result]]:
        """Wait for the slot's result, which gives none, or for the turn to write these."""
        end = time.monotonic() + bounds.wait_seconds
        with self._changed:
            while self._is_writing and slot.result is None:
                in_time = self._changed.wait(end - time.monotonic())
                if not in_time and slot in self._waiting:
                    self._waiting.remove(slot)
                    raise BusyError("the database is busy: try again later")
            if slot.result is not None:
                return []
            self._is_writing = True
            count = min(len(self._waiting), bounds.most_together)
            return [self._waiting.popleft() for _ in range(count)]

    def _write(self, batch: list[_Slot[Item, Result]], write: Write[Item, Result]) -> None:
        results: Sequence[Result | Exception]
        try:
            results = write([slot.item for slot in batch])
        except Exception as error:  # noqa: BLE001  (raised where each of them was handed in)
            results = [error] * len(batch)
        with self._changed:
            for slot, result in zip(batch, results, strict=True):
                slot.result = result
            self._is_writing = False
            self._changed.notify_all()
