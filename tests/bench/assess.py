"""How long one verdict takes: `python tests/bench/assess.py`.

Prints the processor time of one call, in the best of many rounds, for a machine with all evidence,
and, as its floor in the same run, what making as many plain tuples of the same width costs.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.readiness import Moment, assess
from support.figures import Figure, Figures, options
from support.machines import NEED, NOW, a_machine

ROUNDS, CALLS = 50, 300  # the best counts: the machine is shared
BAR_US, GOAL_US = 100, 40


def microseconds(call: Callable[[], object]) -> float:
    """The processor time of one call, in the best of the rounds."""
    rounds = []
    for _ in range(ROUNDS):
        start = time.process_time()
        for _ in range(CALLS):
            call()
        rounds.append((time.process_time() - start) / CALLS * 1e6)
    return min(rounds)


def main() -> None:
    asked, figures = options(__doc__).parse_args(), Figures("assess")
    machine = a_machine()
    count = len(assess(machine, NEED, DEFAULT_POLICY, Moment.DESK, NOW).checks)
    floor = microseconds(lambda: [(n, "", "", "", "", "", "", "", "", "") for n in range(count)])
    for moment in Moment:
        took = microseconds(lambda: assess(machine, NEED, DEFAULT_POLICY, moment, NOW))  # noqa: B023
        name = f"assess, {moment.value}, {count} checks"
        bound = {"floor": floor, "floor_is": "as many tuples", "bar": BAR_US, "goal": GOAL_US}
        figures.tell(Figure(name, took, "us", **bound))
    figures.write(asked.json)


if __name__ == "__main__":
    main()
