"""How long the need of one combination takes: `python tests/bench/need.py`.

Prints processor time, the median of many calls, for a combination whose model has 50 releases,
each with a reason of its own: one flash to the target, two, five, and one after the other.
"""

import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_common.need import need_of
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
        took = []
        for _ in range(CALLS):
            start = time.process_time()
            need = need_of(COMBINATION, releases, [REVIEW])
            took.append(time.process_time() - start)
        milliseconds = statistics.median(took) * 1e3
        print(f"need_of, {name}: {milliseconds:.2f} ms, {len(need.steps)} steps")


if __name__ == "__main__":
    main()
