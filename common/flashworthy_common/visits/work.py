"""What one machine takes at a visit, step by step, in minutes.

- A step needs hands, or runs by itself: a battery charges, a restart runs, firmware is written.
  While one machine is busy with itself, the next can be looked after.
- Flashes take what the notes of their releases say, restarts included; one that does not say
  takes what policy assumes. Before each flash stands a full look, after the last one another.
- A machine that is not to be flashed as things stand takes no time.

The other minutes are common practice, no source; no standard sets them.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from flashworthy_common.policy import Policy
from flashworthy_common.readiness import Answer, Check, Outcome, Verdict, Who

# Minutes; common practice, no source.
LOOK = 5  # to look once more, and to start the flash
AFTER = 5  # to see that it starts, what it runs, and that disk protection is on again
REMEDY = 5  # to mend one thing on the spot
WAITING = {  # until what was mended has come about by itself
    "power.charge": 40,
    "prerequisites.restart_pending": 10,
    "prerequisites.installer": 15,
    "prerequisites.os_updates": 30,
}
MARGIN_PERCENT = 20  # of all minutes, for what comes up
LEAST_MARGIN = 10

_TO_BE_FLASHED = (Outcome.CLEAR, Outcome.PREPARE)


@dataclass(frozen=True, slots=True)
class Step:
    says: str
    minutes: int
    needs_hands: bool = True  # else it runs by itself


@dataclass(frozen=True, slots=True)
class Work:
    """The steps of one machine, in their order; none: it is not to be flashed."""

    machine_id: int
    steps: tuple[Step, ...] = ()

    @property
    def minutes(self) -> int:
        return sum(step.minutes for step in self.steps)


def work_of(machine_id: int, verdict: Verdict, policy: Policy) -> Work:
    """What a machine takes whose verdict will be this."""
    if verdict.outcome not in _TO_BE_FLASHED:
        return Work(machine_id)
    return Work(machine_id, (*_preparation(verdict), *_flashes(verdict, policy)))


def on_the_spot(verdict: Verdict) -> tuple[Check, ...]:
    """What is to be mended or looked at where the machine stands; the rest is for the desk."""
    return tuple(
        check
        for check in verdict.answered(Answer.FIX, Answer.UNKNOWN)
        if check.who not in (Who.DESK, Who.ADMINISTRATOR)
    )


def with_margin(minutes: int) -> int:
    """Minutes with what comes up; none where nothing is to be done."""
    return minutes and minutes + max(LEAST_MARGIN, -(-minutes * MARGIN_PERCENT // 100))


def _preparation(verdict: Verdict) -> Iterator[Step]:
    remedies = dict.fromkeys(check.remedy for check in on_the_spot(verdict) if check.remedy)
    if remedies:
        yield Step("; ".join(remedies), REMEDY * len(remedies))
    waiting = max((WAITING.get(check.code, 0) for check in on_the_spot(verdict)), default=0)
    if waiting:
        yield Step("wait for what was begun", waiting, needs_hands=False)


def _flashes(verdict: Verdict, policy: Policy) -> Iterator[Step]:
    for release in verdict.need.steps:
        minutes = policy.flash_minutes if release.minutes is None else release.minutes
        yield Step(f"look once more, then start {release.version_text}", LOOK)
        yield Step(f"{release.version_text} is written", minutes, needs_hands=False)
    yield Step("see that it is back, what it runs, and that its protection is on", AFTER)
