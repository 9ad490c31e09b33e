"""How fast firmware versions get their keys, and how well they are ordered.

    python tests/bench/versions.py

Keys a second of texts seen for the first time and again, beside natural sort and
`packaging.version` on the same texts in the same run; the slowest hostile text; and the scores
against real release dates. Without the shared data the texts are the examples of the schemes,
varied, and there are no scores.
"""

import contextlib
import re
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from packaging.version import InvalidVersion, Version

sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent.parent / "common")]

from test_versions import HOSTILE  # noqa: E402
from test_versions_scores import FIFTHS, fifth_of, read_pairs, score  # noqa: E402

from flashworthy_common.versions import parse_version, sort_key  # noqa: E402
from flashworthy_common.versions.parse import forget_versions  # noqa: E402
from flashworthy_common.versions.schemes import SCHEMES  # noqa: E402
from support.figures import Figure, Figures, options  # noqa: E402
from support.shared_data import shared_rows  # noqa: E402

ROUNDS = 7  # the best counts: the machine is shared
BARS = {"keys, cold": (100_000, 300_000), "keys, repeated": (3_000_000, None)}  # and goals
FLEET = 2_000  # distinct versions of a large office, for repeated texts

Texts = Sequence[tuple[str, str]]  # text, maker


def texts() -> Texts:
    try:
        rows = list(shared_rows("firmware_records.tsv.gz"))
    except pytest.skip.Exception:
        makers = {scheme.name: min(scheme.makers, default="") for scheme in SCHEMES}
        return [
            (re.sub(r"[0-9](?=[^0-9]*$)", str(digit), text), makers[scheme.name])
            for scheme in SCHEMES
            for text in scheme.examples
            for digit in range(10)
        ]
    return list({(row["bios_version"], row["sys_vendor"] or row["board_vendor"]) for row in rows})


def keys(pairs: Texts) -> None:
    for text, maker in pairs:
        sort_key(parse_version(text, maker=maker))


def natural(pairs: Texts) -> None:
    for text, _ in pairs:
        [int(part) if part.isdecimal() else part for part in re.split(r"([0-9]+)", text)]


def by_packaging(pairs: Texts) -> None:
    for text, _ in pairs:
        with contextlib.suppress(InvalidVersion):  # refusing most texts is part of its work
            Version(text)._key  # noqa: B018


def per_second(
    work: Callable[[Texts], None], pairs: Texts, before: Callable[[], None] = lambda: None
) -> float:
    """Texts a second of processor time, in the best of the rounds."""
    best = float("inf")
    for _ in range(ROUNDS):
        before()
        start = time.process_time()
        work(pairs)
        best = min(best, time.process_time() - start)
    return len(pairs) / best


def slowest_hostile_microseconds() -> float:
    slowest = 0.0
    for text in HOSTILE:
        forget_versions()
        start = time.perf_counter()
        parse_version(text, maker="")
        slowest = max(slowest, (time.perf_counter() - start) * 1e6)
    return slowest


def print_speed(figures: Figures) -> None:
    cold = texts()
    keys(cold)  # the patterns are made once for all
    repeated = (list(cold)[:FLEET] * 50)[: 50 * FLEET]
    measured = {
        "keys, cold": per_second(keys, cold, forget_versions),
        "keys, repeated": per_second(keys, repeated),
        "natural sort": per_second(natural, cold),
        "packaging.version": per_second(by_packaging, cold),
    }
    peer = {"floor": measured["natural sort"], "floor_is": "natural sort"}
    for name, figure in measured.items():
        bar, goal = BARS.get(name, (None, None))
        figures.tell(Figure(name, figure, "/s", **peer, bar=bar, goal=goal, more_is_better=True))
    figures.tell(Figure("slowest hostile text", slowest_hostile_microseconds(), "us"))


def print_scores() -> None:
    try:
        pairs = read_pairs()
    except pytest.skip.Exception as skipped:
        print(f"no scores: {skipped}")
        return
    parts = {"all": pairs} | {
        f"fifth {fifth}": [pair for pair in pairs if fifth_of(pair) == fifth] for fifth in FIFTHS
    }
    print("             pairs  cover %  error %  models cover %  error %")
    for name, part in parts.items():
        s = score(part)
        print(
            f"{name:10s} {len(part):7d}  {s.covered:7.3f}  {s.wrong:7.3f}"
            f"  {s.models_covered:14.3f}  {s.models_wrong:7.3f}"
        )


if __name__ == "__main__":
    asked, figures = options(__doc__).parse_args(), Figures("versions")
    print_speed(figures)
    print_scores()
    figures.write(asked.json)
