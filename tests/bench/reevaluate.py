"""How long it takes to judge 10,000 due machines again: `python tests/bench/reevaluate.py`.

The machines are on SQLite on this disk, each with a whole report, of forty combinations. Prints,
as its floor in the same run, what reading and rewriting their rows alone costs.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from sqlalchemy import bindparam, insert, literal, select, update

from flashworthy_server import create_app, schema
from flashworthy_server.config import config_from
from flashworthy_server.services import credentials, judgement
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site, open_site
from flashworthy_server.store import machines as machine_store
from flashworthy_server.tables import machines, whole_bodies
from support.machines import SEALED_VOLUME
from support.site import KNOWLEDGE, WHO, FrozenClock, TestedSite

MODELS, MACHINES = 40, 10_000
BAR_SECONDS = 5.0


def seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def a_site(folder: Path, count: int) -> Site:
    """A site of `count` machines: forty that reported, and copies of them."""
    settings = {"database": f"sqlite:///{folder}/bench.db", "packages": str(folder / "packages")}
    schema.migrate(open_site(config_from(settings)).database)
    clock = FrozenClock()
    app = create_app(settings, clock=clock)
    site = app.extensions["flashworthy"]
    token = credentials.make_token(site, WHO, "bench", role=Role.ADMINISTRATOR, days=1).token
    tested = TestedSite(app.test_client(), clock, token, settings["database"])
    assert tested.post("/releases/import", KNOWLEDGE).status_code == 200
    for number in range(1, MODELS + 1):
        tested.machine(
            number,
            machine={"board": f"QF14-{number}"},
            protection={"volumes": (SEALED_VOLUME,)},
        )
    for copy in range(1, count // MODELS):
        _copy(site, copy)
    return site


def _copy(site: Site, copy: int) -> None:
    """Every machine of the first forty once more, without an agent."""
    own = {"id", "name", "agent_id", "token_digest", "old_token_digest"}
    columns = [column for column in machines.c if column.name not in own]
    copied = select(machines.c.name + literal(f"-{copy}"), *columns).where(machines.c.id <= MODELS)
    with site.database.writing() as connection:
        connection.execute(insert(machines).from_select([machines.c.name, *columns], copied))
        others = [column for column in whole_bodies.c if column.name != "machine_id"]
        of_first = whole_bodies.c.machine_id
        bodies = select(of_first + copy * MODELS, *others).where(of_first <= MODELS)
        connection.execute(insert(whole_bodies).from_select(["machine_id", *others], bodies))


def make_due(site: Site) -> int:
    with site.database.writing() as connection:
        return connection.execute(update(machines).values(holds_until=site.clock())).rowcount


def rewrite(site: Site) -> None:
    """Read and write what judging reads and writes, and judge nothing."""
    kept = update(machines).where(machines.c.id == bindparam("number"))
    last = 0
    while True:
        with site.database.writing() as connection:
            due = machine_store.due_machine_ids(
                connection, site.clock(), last, site.config.reassess_batch_machines
            )
            if not due:
                return
            rows = connection.execute(select(machines).where(machines.c.id.in_(due))).all()
            values = [{"number": row.id, "said": row.sentence} for row in rows]
            connection.execute(kept.values(sentence=bindparam("said")), values)
        last = due[-1]


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machines", type=int, default=MACHINES)
    count = options.parse_args().machines
    with tempfile.TemporaryDirectory() as folder:
        site = a_site(Path(folder), count)
        due = make_due(site)
        start = time.process_time()
        took = seconds(lambda: judgement.judge_due(site))
        busy = time.process_time() - start
        assert make_due(site) == due
        floor = seconds(lambda: rewrite(site))
        site.database.close()
    print(f"judged {due} due machines in {took:.2f} s, {busy:.2f} s of it processor time")
    print(f"floor, reading and rewriting their rows: {floor:.2f} s; {took / floor:.1f} times that")
    print(f"bar for 10,000: {BAR_SECONDS:.0f} s")


if __name__ == "__main__":
    main()
