"""How reading grows with the site: `python tests/bench/reads.py 1000 100000 [--mix wild]`.

For sites of each size (`sites`): a page of 50, one in the middle by keyset, every filter, one
machine, the overview; medians in process, in milliseconds. The floor of each is the same on the
first site, asked in turn with the others: bar 2.5 times, and 5 ms. Where the first site does not
fill a page, all are asked for as many rows as it has, and the others for a full page too: 5 ms.
"""

import random
import statistics
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import sites
from sqlalchemy import select

from flashworthy_server.services import machines as service
from flashworthy_server.services.machines import Filters
from flashworthy_server.services.overview import overview
from flashworthy_server.site import Site
from flashworthy_server.tables import combinations, machines
from support.figures import Figure, Figures, clock_of, options

ROWS, ROUNDS = 50, 25  # of a full page; of a measurement
BAR_TIMES, BAR_MS = 2.5, 5.0
FILTERS = {
    "outcome undecided": {"outcome": "undecided"},
    "outcome prepare": {"outcome": "prepare"},
    "standing behind": {"standing": "behind"},
    "standing unreadable": {"standing": "unreadable"},
    "standing ahead": {"standing": "ahead"},
    "priority scheduled": {"priority": "scheduled"},
    "priority immediate": {"priority": "immediate"},
    "attention battery-worn": {"attention": "battery-worn"},
    "attention secure-boot-off": {"attention": "secure-boot-off"},
    "attention silent": {"attention": "silent"},
    "attention priority": {"attention": "priority"},
    "place": {"place": "Site 07 / building 07"},
    "site": {"place": "Site 07"},
    "out of service": {"out_of_service": True},
}


Question = Callable[[int], object]  # for so many rows, where it is a page


def medians_ms(asked: list[Callable[[], object]], clock: Callable[[], float]) -> list[float]:
    """Of each, asked in turn, so that whatever else the machine does meets all of them."""
    took: list[list[float]] = [[] for _ in asked]
    for round_ in range(ROUNDS + 1):
        for each, question in zip(took, asked, strict=True):
            start = clock()
            question()
            if round_ > 0:  # the first one makes statements and fills caches
                each.append((clock() - start) * 1e3)
    return [statistics.median(each) for each in took]


def questions(site: Site, count: int) -> dict[str, Question]:
    drawn = random.Random(3)

    def page(after: tuple[str, int] | None = None, **asked: object) -> Question:
        filters = Filters(**asked)  # type: ignore[arg-type]
        return lambda rows: service.page_of_machines(site, filters, after=after, count=rows)

    with site.database.reading() as connection:
        of_model = select(combinations.c.maker, combinations.c.model).join(
            machines, machines.c.combination_id == combinations.c.id
        )
        maker, model = connection.execute(of_model.where(machines.c.id == count // 2)).one()
        middle = connection.execute(
            select(machines.c.name).where(machines.c.id == count // 2)
        ).scalar_one()
    return {
        "first page": page(),
        "page in the middle": page((middle, 0)),
        **{f"page, {name}": page(**asked) for name, asked in FILTERS.items()},
        "page, model": page(maker=maker, model=model),
        "page, maker": page(maker=maker),
        "one machine": lambda _: service.view_machine(site, drawn.randrange(1, count + 1)),
        "overview": lambda _: overview(site),
    }


def tell(
    figures: Figures,
    name: str,
    sizes: list[int],
    asked: list[Question],
    clock: Callable[[], float],
) -> None:
    rows = rows_of(asked[0](ROWS))
    others = asked[1:] if rows and rows < ROWS else []
    alike = [partial(each, rows) for each in asked]
    took = medians_ms([*alike, *(partial(each, ROWS) for each in others)], clock)
    for place, ms in enumerate(took):
        is_full = place >= len(asked)
        size = sizes[place - len(asked) + 1] if is_full else sizes[place]
        shown = f", {ROWS if is_full else rows} rows" if rows else ""
        is_held_against_first = 0 < place < len(asked)
        figures.tell(
            Figure(
                f"{size:,} machines, {name}{shown}",
                ms,
                "ms",
                floor=took[0],
                floor_is=f"at {sizes[0]:,}{f', {rows} rows' if is_full else ''}",
                bar=min(BAR_MS, BAR_TIMES * took[0]) if is_held_against_first else BAR_MS,
            )
        )


def rows_of(answer: object) -> int:
    """How many rows of a page came, one at least; 0 for what is no page."""
    return max(1, len(answer.rows)) if isinstance(answer, service.Page) else 0


def main() -> None:
    parser = options(__doc__)
    clock_of(parser)
    parser.add_argument("sizes", type=int, nargs="*", default=[1_000, 100_000])
    parser.add_argument("--mix", choices=sites.MIXES, default="office")
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked = parser.parse_args()
    figures = Figures("reads")
    tested = [
        sites.open_bench(sites.site_file(count, asked.mix, asked.folder)) for count in asked.sizes
    ]
    each = [questions(one.site, count) for one, count in zip(tested, asked.sizes, strict=True)]
    for name in each[0]:
        tell(figures, f"{asked.mix}: {name}", asked.sizes, [one[name] for one in each], asked.clock)
    for one in tested:
        one.site.database.close()
    figures.write(asked.json)


if __name__ == "__main__":
    main()
