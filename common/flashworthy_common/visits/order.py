"""In which order one person works through the machines of a visit.

One pair of hands serves all machines; what runs by itself runs beside it. Of the machines that can
be looked after, the one comes first that still takes longest after this step. Where each machine
takes hands once and then runs by itself, no order is over earlier (Jackson's rule of the largest
delivery time first); where hands are needed again in between, it is a good order and no more.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from flashworthy_common.visits.work import Step, Work


@dataclass(frozen=True, slots=True)
class Slot:
    """When a step of a machine runs, in minutes from the begin of the visit."""

    machine_id: int
    step: Step
    begins: int

    @property
    def ends(self) -> int:
        return self.begins + self.step.minutes


@dataclass(frozen=True, slots=True)
class Schedule:
    slots: tuple[Slot, ...]  # by their begin

    @property
    def minutes(self) -> int:
        """From the first step to the end of the last, without a margin."""
        return max((slot.ends for slot in self.slots), default=0)

    @property
    def machine_ids(self) -> tuple[int, ...]:
        """In the order in which they are first looked after."""
        return tuple(dict.fromkeys(slot.machine_id for slot in self.slots))

    def at_a_time(self, machine_ids: frozenset[int]) -> int:
        """How many of these machines are busy with themselves at the same time, at most."""
        running = [
            slot
            for slot in self.slots
            if slot.machine_id in machine_ids and not slot.step.needs_hands
        ]
        begins = [slot.begins for slot in running]
        return max((sum(s.begins <= each < s.ends for s in running) for each in begins), default=0)


def schedule(works: Sequence[Work]) -> Schedule:
    """The steps of all machines, each when it probably runs."""
    open_ = [_Open(deque(work.steps), work.machine_id, work.minutes) for work in works]
    slots: list[Slot] = []
    hands_free_at = 0
    while waiting := [each for each in open_ if each.steps]:
        now = max(hands_free_at, min(each.ready_at for each in waiting))
        ready = [each for each in waiting if each.ready_at <= now]
        chosen = max(ready, key=lambda each: each.minutes_after)
        slots += chosen.take(now)
        hands_free_at = max(hands_free_at, chosen.hands_until)
    return Schedule(tuple(sorted(slots, key=lambda slot: slot.begins)))


@dataclass(slots=True)
class _Open:
    """A machine whose steps are not all planned yet."""

    steps: deque[Step]
    machine_id: int
    minutes_left: int  # of all these steps
    ready_at: int = 0
    hands_until: int = 0

    @property
    def minutes_after(self) -> int:
        """What is left once the next step with hands is over."""
        return self.minutes_left - self.steps[0].minutes

    def take(self, now: int) -> list[Slot]:
        """Plan the next step, and what then runs by itself."""
        taken: list[Slot] = []
        while self.steps and (not taken or not self.steps[0].needs_hands):
            step = self.steps.popleft()
            self.minutes_left -= step.minutes
            taken.append(Slot(self.machine_id, step, now))
            now += step.minutes
            if step.needs_hands:
                self.hands_until = now
        self.ready_at = now
        return taken
