"""What new knowledge of one model costs: `python tests/bench/knowledge.py [COMBINATIONS]`.

A site of 40,000 combinations, 20 of each of 2,000 models, with five releases of each model and
fifty of the one at hand; the combinations of the others are copies. Prints wall
time in process for a new release of that model, until every need that it touches is right and kept;
and the same for a pattern.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from sqlalchemy import Connection, insert, literal, select

from flashworthy_common.makers import Combination
from flashworthy_server import documents, schema
from flashworthy_server.config import config_from
from flashworthy_server.services import needs, releases
from flashworthy_server.site import Site, open_site
from flashworthy_server.tables import combination_names, combinations
from support.site import WHO

PER_MODEL, AT_ONCE, TIMES = 20, 500, 9
MAKERS = ("Quillmark", "Tarnbrook", "Osier and Vane")
AT_HAND = "Model 0007"


def main(count: int) -> None:
    models = count // PER_MODEL
    with tempfile.TemporaryDirectory() as folder:
        site = open_site(config_from({"database": f"sqlite:///{folder}/a.db"}))
        schema.migrate(site.database)
        _stock(site, models)
        _tell("a release of one model", lambda n: _record(site, [AT_HAND], f"2.{n:02d}"))
        _tell("a release by a pattern", lambda n: _record(site, ["Model 0007*"], f"3.{n:02d}"))
        site.database.close()


def _stock(site: Site, models: int) -> None:
    stated = [
        _release(model, f"1.{number:02d}")
        for model in range(models)
        for number in range(50 if _name(model) == AT_HAND else 5)
    ]
    _import(site, stated)
    for start in range(0, models, AT_ONCE):
        with site.database.writing() as connection:
            for model in range(start, min(start + AT_ONCE, models)):
                for number in range(PER_MODEL if _name(model) == AT_HAND else 1):
                    needs.combination_id_of(connection, _combination(model, number))
        print(f"\r{min(start + AT_ONCE, models)} of {models} models", end="", flush=True)
    with site.database.writing() as connection:
        for number in range(1, PER_MODEL):
            _copy_others(connection, f"0.{number:02d}")
    print()


def _copy_others(connection: Connection, version_text: str) -> None:
    """The first combination of every model but the one at hand once more, with its names."""
    is_other = combinations.c.model != AT_HAND
    columns = [each for each in combinations.c if each.name not in ("id", "version_text")]
    first = select(literal(version_text), *columns).where(
        is_other, combinations.c.version_text == "0.00"
    )
    connection.execute(insert(combinations).from_select(["version_text", *columns], first))
    made = select(combinations.c.id, combinations.c.maker, combinations.c.model).where(
        is_other, combinations.c.version_text == version_text
    )
    names = [
        {"maker": maker, "start": name[:3], "name": name, "combination_id": made_id}
        for made_id, maker, model in connection.execute(made)
        for name in (model.casefold(), f"b{model[-4:]}")
    ]
    connection.execute(insert(combination_names), names)


def _tell(what: str, work: Callable[[int], None]) -> None:
    took = []
    for number in range(TIMES):
        start = time.perf_counter()
        work(number)
        took.append(time.perf_counter() - start)
    print(f"{what}, {PER_MODEL} combinations: {statistics.median(took) * 1e3:.0f} ms")


def _record(site: Site, names: list[str], version_text: str) -> None:
    data = _release(7, version_text) | {"models": names}
    releases.record_release(site, WHO, data)


def _import(site: Site, stated: list[dict[str, object]]) -> None:
    releases.import_document(site, WHO, documents.document_of({"releases": stated}))


def _name(model: int) -> str:
    return f"Model {model:04d}"


def _release(model: int, version_text: str) -> dict[str, object]:
    return {
        "machine_maker": MAKERS[model % len(MAKERS)],
        "models": [_name(model)],
        "version_text": version_text,
        "minutes": 20,
        "can_go_back": True,
        "reasons": [
            {
                "kind": "security",
                "says": "closes a hole",
                "source": "https://maker.example/notes",
                "advisories": [f"CVE-2026-{model:05d}"],
            }
        ],
    }


def _combination(model: int, number: int) -> Combination:
    return Combination(
        machine_maker=MAKERS[model % len(MAKERS)],
        model=_name(model),
        board=f"B{model:04d}",
        board_version="A",
        version_text=f"0.{number:02d}",
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40_000)
