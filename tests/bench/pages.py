"""Server time of every page: `python tests/bench/pages.py [--machines 100000] [--mix office]`.

Prints, for each page and at 1,000 machines and at `--machines`, the median and the worst of many
requests in this process, in milliseconds (SQLite; of processor time with `--cpu`), the bytes of the
answer, and how much longer it takes at more machines. The bar is 50 ms.
"""

import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from bench import sites
from flashworthy_server.services import today
from flashworthy_server.services.who import Role
from support.browser import Browser
from support.figures import Figure, Figures, clock_of, options
from support.library import paths
from support.site import TestedSite

Clock = Callable[[], float]  # seconds

FEW, CALLS = 1_000, 15
BAR_MS = 50
# Beside the pages of the application's own map: what people ask of them at a large site.
ASKED = (
    "/machines?outcome=prepare",
    "/machines?priority=immediate",
    "/machines?attention=silent",
    "/machines?place=Site+07",
    "/machines?maker=Quillmark&standing=behind",
    "/machines?older=5",
    "/machines?text=0042",
    "/machines?text=nothing-is-named-so",
)


def timings(tested: TestedSite, clock: Clock) -> Iterator[tuple[str, list[float], int]]:
    """Path, milliseconds of each call, and bytes, of every page that is there."""
    today.note_counts(tested.site)
    browser: Browser = tested.browser(Role.ADMINISTRATOR)
    for path in (*sorted(path for _, path in paths()), *ASKED):
        with browser.client.get(path) as first:
            is_page = first.status_code == 200 and first.content_type.startswith("text/html")
        if is_page:
            taken = [_call(browser, path, clock) for _ in range(CALLS)]
            yield path, [ms for ms, _ in taken], taken[0][1]


def _call(browser: Browser, path: str, clock: Clock) -> tuple[float, int]:
    began = clock()
    with browser.client.get(path) as answer:
        size = len(answer.data)
    return 1000 * (clock() - began), size


def measured(
    machines: int, mix: str, folder: Path, clock: Clock
) -> dict[str, tuple[list[float], int]]:
    made = sites.site_file(machines, mix, folder)
    with tempfile.TemporaryDirectory() as scratch:
        tested = sites.open_bench(sites.a_copy(made, Path(scratch)))
        return {path: (taken, size) for path, taken, size in timings(tested, clock)}


def main() -> None:
    parser = options(__doc__)
    clock_of(parser)
    parser.add_argument("--machines", type=int, default=100_000)
    parser.add_argument("--mix", choices=sites.MIXES, default="office")
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked, figures = parser.parse_args(), Figures("pages")
    few = measured(FEW, asked.mix, asked.folder, asked.clock)
    many = measured(asked.machines, asked.mix, asked.folder, asked.clock)
    print(f"{'page':<46}{'1k ms':>8}{'ms':>8}{'worst':>8}{'times':>7}{'KB':>6}")
    for path, (taken, size) in many.items():
        before, now = (statistics.median(each) for each in (few.get(path, (taken, 0))[0], taken))
        figure = Figure(path, now, "ms", floor=before, floor_is=f"at {FEW:,}", bar=BAR_MS)
        figures.found.append(figure)
        too_slow = "" if figure.holds else " > bar"
        print(
            f"{path[:45]:<46}{before:>8.1f}{now:>8.1f}{max(taken):>8.1f}"
            f"{now / before:>7.1f}{size / 1024:>6.0f}{too_slow}"
        )
    figures.write(asked.json)


if __name__ == "__main__":
    main()
