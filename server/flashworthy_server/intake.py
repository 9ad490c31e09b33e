"""What comes from many at once is written together, in one transaction.

Whoever comes while nobody writes waits a moment for those who are on their way already, and for as
many as were written together the last time; gets the database ready, takes everything that waits by
then, writes it, and tells each what came of its own. So where one report comes after the other each
is written at once, and under load one transaction serves many: on a disk on which a commit takes
milliseconds, that decides how many reports a second there can be.

- What waits is bounded; beyond that, and for whoever waits too long, the server is busy.
- Nobody is told anything before the transaction has ended.
- Nobody is woken who has nothing to do: each waits for itself, until it is answered or its turn.
- Whoever was written is told before anybody begins to read the next: otherwise answers that are
  there wait for the interpreter behind what only begins.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Generic, TypeVar, cast

from flashworthy_server.errors import BusyError

Item = TypeVar("Item")
Result = TypeVar("Result")
Take = Callable[[], Sequence[Item]]
Write = Callable[[Take[Item]], Sequence[Result | Exception]]

_MOMENT_SECONDS = 0.02  # to read and check eight takes half; who is slower is not waited for


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much an intake takes."""

    most_waiting: int
    most_together: int  # written in one transaction
    wait_seconds: float  # until writing an item has begun


def _closed_lock() -> threading.Lock:
    lock = threading.Lock()
    lock.acquire()
    return lock


@dataclass(eq=False, slots=True)
class _Slot(Generic[Item, Result]):
    """One item on its way, and what came of it."""

    item: Item
    result: Result | Exception | None = None
    woken: threading.Lock = field(default_factory=_closed_lock)  # opened once: done, or its turn


class Intake(Generic[Item, Result]):
    """One queue; every process has its own."""

    def __init__(self) -> None:
        self._lock = threading.Lock()  # of all below
        self._waiting: deque[_Slot[Item, Result]] = deque()
        self._is_writing = False
        self._coming = 0
        self._changed = threading.Condition(self._lock)  # enough may be there
        self._last_together = 1  # how many were written the last time
        self._to_be_told = 0  # were written, and have not gone on yet
        self._all_told = threading.Condition(self._lock)

    @property
    def waiting(self) -> int:
        """How many items wait to be taken."""
        return len(self._waiting)

    @contextmanager
    def expecting(self) -> Iterator[None]:
        """Whoever makes an item ready to be handed in next, so that who writes lets it join."""
        with self._lock:
            self._all_told.wait_for(lambda: not self._to_be_told, _MOMENT_SECONDS)
            self._coming += 1
        try:
            yield
        finally:
            with self._lock:
                self._coming -= 1
                if not self._coming:
                    self._changed.notify()

    def hand_in(self, item: Item, write: Write[Item, Result], bounds: Bounds) -> Result:
        """Have an item written, together with whatever waits.

        Args:
            write: takes items, once the database is ready for them, and writes them in their
                order; what came of each, or why it failed.

        Raises:
            BusyError: too much waits already, or it took too long until this one was begun with.
        """
        slot: _Slot[Item, Result] = _Slot(item)
        if not self._join(slot, bounds):
            self._wait(slot, bounds)
        if slot.result is None:
            self._write(write, bounds)
        else:
            self._note_told()
        if isinstance(slot.result, Exception):
            raise slot.result
        return cast(Result, slot.result)  # whoever writes takes the oldest item, which is its own

    def _join(self, slot: _Slot[Item, Result], bounds: Bounds) -> bool:
        """Queue, and say whether it is this one's turn at once."""
        with self._lock:
            if len(self._waiting) >= bounds.most_waiting:
                raise BusyError("too many reports wait to be written: try again later")
            self._waiting.append(slot)
            if len(self._waiting) >= self._last_together:
                self._changed.notify()
            is_its_turn, self._is_writing = not self._is_writing, True
        return is_its_turn

    def _wait(self, slot: _Slot[Item, Result], bounds: Bounds) -> None:
        """Until it was written, or it is this one's turn to write."""
        if slot.woken.acquire(timeout=bounds.wait_seconds):
            return
        with self._lock:
            is_its_turn = slot.woken.acquire(blocking=False)
            if not is_its_turn and slot in self._waiting:
                self._waiting.remove(slot)
                raise BusyError("the database is busy: try again later")
        if not is_its_turn:
            slot.woken.acquire()  # it is being written

    def _write(self, write: Write[Item, Result], bounds: Bounds) -> None:
        self._let_join(bounds.most_together)
        batch: list[_Slot[Item, Result]] = []

        def take() -> Sequence[Item]:
            with self._lock:
                while self._waiting and len(batch) < bounds.most_together:
                    batch.append(self._waiting.popleft())
            return [slot.item for slot in batch]

        results: Sequence[Result | Exception]
        try:
            results = write(take)
        except Exception as error:  # noqa: BLE001  (raised where each of them was handed in)
            results = [error] * len(batch or take())
        for slot, result in zip(batch, results, strict=True):
            slot.result = result
        self._last_together = len(batch)
        self._hand_on(len(batch) - 1)
        for slot in batch[1:]:
            slot.woken.release()

    def _let_join(self, most: int) -> None:
        """Wait for those on their way, and until as many are there as the last time."""

        def are_enough() -> bool:
            waiting = len(self._waiting)
            return waiting >= most or (not self._coming and waiting >= self._last_together)

        with self._changed:
            self._changed.wait_for(are_enough, _MOMENT_SECONDS)

    def _note_told(self) -> None:
        with self._lock:
            self._to_be_told -= 1
            if not self._to_be_told:
                self._all_told.notify_all()

    def _hand_on(self, to_be_told: int) -> None:
        """Wake whoever has waited longest, to write next."""
        with self._lock:
            self._to_be_told += to_be_told
            self._is_writing = bool(self._waiting)
            if self._waiting:
                self._waiting[0].woken.release()
