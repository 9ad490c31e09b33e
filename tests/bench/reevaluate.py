"""What new knowledge costs: `python tests/bench/reevaluate.py [MACHINES] [--mix wild]`.

On a copy of a site (`sites`), a release of the model with the most machines is recorded, with a
reason of priority out-of-cycle; where the site knows it already, for more models (`--mix wild`), it
is about all of those. Prints the time until standing, need and path are right for every machine of
theirs; until every verdict that it touches is right, worked out in the background's batches; and
what reading and rewriting the rows of as many machines costs, as the floor, in the same run.
"""

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import sites
from sqlalchemy import bindparam, select, update

from flashworthy_server.documents import document_of
from flashworthy_server.services import judgement, releases
from flashworthy_server.serving import spare_the_collector
from flashworthy_server.site import Site
from flashworthy_server.store import counts
from flashworthy_server.store import machines as machine_store
from flashworthy_server.tables import combinations, machines
from support.figures import Figure, Figures, clock_of, options
from support.site import WHO

BAR_NEEDS_SECONDS, GOAL_NEEDS_SECONDS = 1.0, 0.1
BAR_VERDICTS_SECONDS, GOAL_VERDICTS_SECONDS = 60.0, 20.0


def record(
    site: Site, maker: str, model: str, version_text: str, clock: Callable[[], float]
) -> tuple[float, int]:
    """Record a release of one model; when every need was right, and how many there were."""
    reason = {
        "kind": "security",
        "priority": "out-of-cycle",
        "says": "closes a hole that is being exploited",
        "source": "https://maker.example/notes",
    }
    named = {"machine_maker": maker, "models": [model], "minutes": 20, "can_go_back": True}
    rows = [{**named, "version_text": version_text, "reasons": [reason]}]
    told: list[tuple[float, int]] = []
    releases.import_document(
        site,
        WHO,
        document_of({"releases": rows}),
        progress=lambda _part, done, _total: told.append((clock(), done)),
    )
    return told[-1]


def of_model(site: Site, maker: str, model: str) -> tuple[list[int], str]:
    """The machines of a model, and the version that is likely the newest of them."""
    is_of = (combinations.c.maker == maker, combinations.c.model == model)
    key = combinations.c.version_key
    newest = select(combinations.c.version_text).where(*is_of, key.is_not(None), key != "")
    ids = select(combinations.c.id).where(*is_of)
    with site.database.reading() as connection:
        machine_ids = select(machines.c.id).where(machines.c.combination_id.in_(ids))
        return (
            list(connection.scalars(machine_ids)),
            connection.scalars(newest.order_by(key.desc()).limit(1)).one(),
        )


def rewrite(site: Site, ids: list[int]) -> None:
    """Read and write what judging reads and writes, and judge nothing."""
    kept = update(machines).where(machines.c.id == bindparam("number"))
    at_once = site.config.reassess_batch_machines
    for start in range(0, len(ids), at_once):
        with site.database.writing() as connection:
            some = machine_store.load_machines(connection, ids[start:][:at_once])
            said = [
                {"number": each.id, "said": each.judgement.sentence}
                for each in some
                if each.judgement
            ]
            connection.execute(kept.values(sentence=bindparam("said")), said)


def work(site: Site) -> int:
    """Judge all that is due; how many verdicts that were, with those judged before."""
    total = 0
    while found := judgement.judging(site):
        total = found.total
        print(f"\r{found.done} of {total} verdicts   ", end="", file=sys.stderr)
        judgement.work_some(site)
    print(file=sys.stderr)
    return total


def main() -> None:
    parser = options(__doc__)
    clock_of(parser)
    parser.add_argument("machines", type=int, nargs="?", default=100_000)
    parser.add_argument("--mix", choices=sites.MIXES, default="office")
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked, figures = parser.parse_args(), Figures("reevaluate")
    made = sites.site_file(asked.machines, asked.mix, asked.folder)
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        site = sites.open_bench(sites.a_copy(made, Path(folder))).site
        spare_the_collector()  # as the processes of the server do
        with site.database.reading() as connection:
            ((maker, model, _),) = counts.models(connection, 1)
        ids, version_text = of_model(site, maker, model)
        start = asked.clock()
        needs_right_at, needs = record(site, maker, model, version_text, asked.clock)
        needs_took = needs_right_at - start
        verdicts = work(site)
        verdicts_took = asked.clock() - start
        start = asked.clock()
        rewrite(site, ids)
        floor = (asked.clock() - start) / len(ids) * verdicts
        site.database.close()
    of = f"of {verdicts:,} of {asked.machines:,} machines, {asked.mix}"
    figures.tell(
        Figure(
            f"standing, need and path of {needs:,} combinations, {of}",
            needs_took,
            "s",
            bar=BAR_NEEDS_SECONDS,
            goal=GOAL_NEEDS_SECONDS,
        )
    )
    figures.tell(
        Figure(
            f"every verdict {of}",
            verdicts_took,
            "s",
            floor=floor,
            floor_is="reading and rewriting their rows",
            bar=BAR_VERDICTS_SECONDS,
            goal=GOAL_VERDICTS_SECONDS,
        )
    )
    figures.write(asked.json)


if __name__ == "__main__":
    main()
