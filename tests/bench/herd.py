"""Draws what a server sees when it comes back after an outage.

    python tests/bench/herd.py [--agents 100000] [--hours 1]

One row per two minutes; a full bar is three times the ordinary number of reports. Goal: the worst
minute stays below 3 times the mean (2.2 is the aim), and everything has come in within an hour.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.figures import Figure, Figures, options
from support.outage import Outcome, after_outage

ROW_MINUTES, FULL_BAR, FULL = 2, 60, 3.0


def rows(outcome: Outcome) -> list[str]:
    drawn = []
    back = int(outcome.back_at // 60)
    for minute in range(back - 70, back + 75, ROW_MINUTES):
        found = [outcome.reports[one] for one in range(minute, minute + ROW_MINUTES)]
        share = sum(found) / ROW_MINUTES / outcome.mean
        bar = "#" * min(FULL_BAR, round(share * FULL_BAR / FULL))
        drawn.append(f"{minute - back:+4d} min  {share:4.2f}  {bar}")
    return drawn


def main() -> None:
    parser = options(__doc__)
    parser.add_argument("--agents", type=int, default=100_000)
    parser.add_argument("--hours", type=float, default=1.0, help="of the outage")
    asked, figures = parser.parse_args(), Figures("herd")
    started = time.perf_counter()
    outcome = after_outage(asked.agents, hours=asked.hours)
    took = time.perf_counter() - started
    print(*rows(outcome), sep="\n")
    print(f"\n{asked.agents} agents, one report an hour each: {outcome.mean:.0f} a minute")
    print(f"outage of {asked.hours:g} h; simulated in {took:.1f} s")
    mean = {"floor": 1.0, "floor_is": "reports spread evenly"}
    worst = Figure("worst minute after it", outcome.peak, "of the mean", **mean, bar=3, goal=2.2)
    figures.tell(worst)
    figures.tell(Figure("all in after", outcome.drained_after_minutes, "minutes", bar=60.1))
    figures.write(asked.json)


if __name__ == "__main__":
    main()
