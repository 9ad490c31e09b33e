"""How reading grows with the site: `python tests/bench/reads.py 1000 100000 [--mix wild]`.

For sites of each size (`sites`): a page of 50, one in the middle by keyset, every filter, one
machine, the overview; medians in process, in milliseconds. The floor of each is the same on the
first site, asked in turn with the others: bar 2.5 times, and 5 ms.
"""

import random
import statistics
import sys
from collections.abc import Callable
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

ROWS, ROUNDS = 50, 25
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


Question = Callable[[], object]


def medians_ms(asked: list[Question], clock: Callable[[], float]) -> list[float]:
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
        return lambda: service.page_of_machines(site, filters, after=after, count=ROWS)

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
        "one machine": lambda: service.view_machine(site, drawn.randrange(1, count + 1)),
        "overview": lambda: overview(site),
    }


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
        took = medians_ms([one[name] for one in each], asked.clock)
        for count, ms in zip(asked.sizes, took, strict=True):
            is_first = count == asked.sizes[0]
            figures.tell(
                Figure(
                    f"{count:,} machines, {asked.mix}: {name}",
                    ms,
                    "ms",
                    floor=took[0],
                    floor_is=f"at {asked.sizes[0]:,}",
                    bar=BAR_MS if is_first else min(BAR_MS, BAR_TIMES * took[0]),
                )
            )
    for one in tested:
        one.site.database.close()
    figures.write(asked.json)


if __name__ == "__main__":
    main()
