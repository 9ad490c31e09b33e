"""What a benchmark prints and writes: each figure with its bar, and its floor in the same run."""

import argparse
import json
import platform
import time
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path


@dataclass(frozen=True)
class Figure:
    """One measured figure.

    `floor` is what cannot be undercut or what something comparable costs, measured in the same run
    and in the same unit; none where there is none. `bar` and `goal` are limits, upper ones unless
    `more_is_better`.
    """

    name: str
    value: float
    unit: str
    floor: float | None = None
    floor_is: str = ""
    bar: float | None = None
    goal: float | None = None
    more_is_better: bool = False

    @property
    def ratio(self) -> float | None:
        return self.value / self.floor if self.floor else None

    @property
    def holds(self) -> bool | None:
        """Whether it keeps to its bar; none where there is none."""
        if self.bar is None:
            return None
        return self.value >= self.bar if self.more_is_better else self.value <= self.bar

    def line(self) -> str:
        parts = [f"{self.name}: {_number(self.value)} {self.unit}"]
        if self.ratio is not None:
            floor = f"{self.floor_is}, {_number(self.floor or 0)} {self.unit}"
            parts.append(f"{self.ratio:.2f} times the floor ({floor})")
        if self.bar is not None:
            limit = "at least" if self.more_is_better else "at most"
            goal = f", goal {_number(self.goal)}" if self.goal is not None else ""
            kept = "keeps to" if self.holds else "MISSES"
            parts.append(f"{kept} {limit} {_number(self.bar)}{goal}")
        return "; ".join(parts)


@dataclass
class Figures:
    """The figures of one command, printed as they come."""

    benchmark: str
    found: list[Figure] = field(default_factory=list)

    def tell(self, figure: Figure) -> Figure:
        self.found.append(figure)
        print(figure.line(), flush=True)
        return figure

    def write(self, path: Path | None) -> None:
        """Write all of them as JSON; with none, nothing."""
        if path is not None:
            rows = [
                {**asdict(each), "ratio": each.ratio, "holds": each.holds} for each in self.found
            ]
            told = {
                "benchmark": self.benchmark,
                "at": datetime.now(UTC).isoformat(timespec="seconds"),
                "python": platform.python_version(),
                "figures": rows,
            }
            path.write_text(json.dumps(told, indent=1) + "\n")


def options(description: str | None) -> argparse.ArgumentParser:
    """The command line that all benchmarks share."""
    parser = argparse.ArgumentParser(description=(description or "").partition("\n")[0])
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write the figures there")
    return parser


def clock_of(parser: argparse.ArgumentParser) -> None:
    """Let processor time be asked for, where others use the machine."""
    parser.add_argument(
        "--cpu",
        dest="clock",
        action="store_const",
        const=time.process_time,
        default=time.perf_counter,
        help="processor time of this process instead of wall time",
    )


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
