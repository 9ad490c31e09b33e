"""How reading grows with the site: `python tests/bench/reads.py 1000 100000 [--mix wild]`.

For sites of each size (`sites`): a page of 50, one in the middle by keyset, every filter, one
machine, the overview; medians in process, in milliseconds. The floor of each is the same on the
smallest site in the same run: bar 2.5 times, and 5 ms.
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


def median_ms(work: Callable[[], object], clock: Callable[[], float]) -> float:
    took = []
    work()
    for _ in range(ROUNDS):
        start = clock()
        work()
        took.append((clock() - start) * 1e3)
    return statistics.median(took)


def questions(site: Site, count: int) -> dict[str, Callable[[], object]]:
    drawn = random.Random(3)

    def page(after: tuple[str, int] | None = None, **asked: object) -> Callable[[], object]:
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
    figures, smallest = Figures("reads"), dict[str, float]()
    for count in asked.sizes:
        tested = sites.open_bench(sites.site_file(count, asked.mix, asked.folder))
        for name, work in questions(tested.site, count).items():
            took = median_ms(work, asked.clock)
            floor = smallest.setdefault(name, took)
            figures.tell(
                Figure(
                    f"{count:,} machines, {asked.mix}: {name}",
                    took,
                    "ms",
                    floor=floor,
                    floor_is=f"at {asked.sizes[0]:,}",
                    bar=min(BAR_MS, max(BAR_TIMES * floor, floor))
                    if count != asked.sizes[0]
                    else BAR_MS,
                )
            )
        tested.site.database.close()
    figures.write(asked.json)


if __name__ == "__main__":
    main()
