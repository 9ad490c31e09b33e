"""The sites of the benchmarks are what reports would have left, row by row."""

import json
import sys
from pathlib import Path

import pytest
from sqlalchemy import select

from flashworthy_server.services import overview
from flashworthy_server.store import history
from flashworthy_server.tables import (
    attentions,
    combination_names,
    combinations,
    identities,
    machines,
    report_ids,
    reports,
    summary,
    whole_bodies,
)

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import sites

COUNT, PROTOTYPES = 16, 4
OF_TOKENS = {"token_digest", "old_token_digest", "token_made_at"}  # random, or of their making


@pytest.fixture(params=sites.MIXES)
def made(request, tmp_path, monkeypatch):
    """A site of which only the first machines really reported."""
    monkeypatch.setattr(sites, "_records", sites._invented)
    prototypes = sites._prototypes(2 * PROTOTYPES, request.param)[:PROTOTYPES]
    base, path = tmp_path / "base.db", tmp_path / "made.db"
    sites.report_all(base, prototypes, request.param)
    sites.copy_site(base, path, prototypes, request.param, COUNT)
    opened = sites.open_bench(path)
    yield opened
    opened.site.database.close()


def rows_of(tested, table, names):
    """The rows, with combinations by what they are instead of their numbers."""
    found = []
    with tested.site.database.reading() as connection:
        for row in connection.execute(select(table)).mappings():
            kept = {name: value for name, value in row.items() if name not in OF_TOKENS}
            if "combination_id" in kept:
                kept["combination_id"] = names[kept["combination_id"]]
            if table is combinations:
                del kept["id"]
            if table is summary and kept["facet"] in ("combination", "undecided"):
                kept["name"] = names[int(kept["name"])]
            found.append(json.dumps(kept, default=repr, sort_keys=True))
    return sorted(found)


def names_of(tested):
    key = ("maker", "model", "board", "board_version", "version_text")
    with tested.site.database.reading() as connection:
        rows = connection.execute(select(combinations)).mappings()
        return {row["id"]: [row[name] for name in key] for row in rows} | {None: None}


def test_every_row_is_what_a_report_of_this_machine_would_have_left(made, tmp_path):
    reported = sites.open_bench(tmp_path / "base.db")
    with made.site.database.reading() as connection:
        for number in range(PROTOTYPES, COUNT):
            body = history.load_body(connection, number + 1, 1)
            taken = connection.execute(
                select(machines.c.received_at).where(machines.c.id == number + 1)
            ).scalar_one()
            reported.clock.now = taken
            sites.send(reported, sites.Names(number), body)

    for table in (
        *(machines, whole_bodies, reports, report_ids, identities, attentions),
        *(combinations, combination_names, summary),
    ):
        expected = rows_of(reported, table, names_of(reported))
        assert rows_of(made, table, names_of(made)) == expected, table.name
    reported.site.database.close()


def test_the_kept_numbers_of_a_made_site_are_right(made):
    assert overview.recount(made.site, mend=False) == []
    assert made.get("/overview").json["machines"] == COUNT
