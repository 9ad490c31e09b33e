"""How long the need of one combination takes: `python tests/bench/need.py`.

Prints processor time, the median of many calls, for a combination whose model has 50 releases,
each with a reason of its own: one flash to the target, two, five, and one after the other. First
for the model's first combination, whose versions must all be read and ordered, then for others of
the model, which share that.
"""

import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_common.need import need_of
from flashworthy_common.ordering import forget_orders
from flashworthy_common.reasons import ReasonKind, StatedReason
from flashworthy_common.releases import Release, Requirements
from support.machines import FOLIO, REVIEW

RELEASES, CALLS = 50, 300
COMBINATION = replace(FOLIO, version_text="1.00")


def a_release(number: int, least: int) -> Release:
    hole = StatedReason(
        kind=ReasonKind.SECURITY,
        says="closes a hole",
        source="https://quillmark.example/notes",
        advisories=(f"CVE-2026-{number:05d}",),
    )
    return Release(
        machine_maker="Quillmark",
        models=("Folio 14*", "Folio 15"),
        version_text=f"1.{number:02d}",
        minutes=20,
        reasons=(hole,),
        requires=Requirements(firmware=f"1.{least:02d}" if least else None),
    )


SCENES = {
    "one flash": lambda number: 0,
    "two flashes": lambda number: 40 if number == RELEASES else 0,
    "a stone every ten": lambda number: (number - 1) // 10 * 10,
    "each after the last": lambda number: number - 1,
}


def main() -> None:
    for name, least in SCENES.items():
        releases = [a_release(number, least(number)) for number in range(1, RELEASES + 1)]
        first, further = _milliseconds(releases, is_first=True), _milliseconds(releases)
        steps = len(need_of(COMBINATION, releases, [REVIEW]).steps)
        print(f"need_of, {name} ({steps} steps): first {first:.2f} ms, further {further:.2f} ms")


def _milliseconds(releases: list[Release], *, is_first: bool = False) -> float:
    took = []
    for _ in range(CALLS):
        if is_first:
            forget_orders()
        start = time.process_time()
        need_of(COMBINATION, releases, [REVIEW])
        took.append(time.process_time() - start)
    return statistics.median(took) * 1e3


if __name__ == "__main__":
    main()
