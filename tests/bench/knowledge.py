"""What new knowledge of one model costs: `python tests/bench/knowledge.py [COMBINATIONS]`.

A site of 40,000 combinations, 20 of each of 2,000 models, with five releases of each model and
fifty of the one at hand. Prints wall time in process for a new release of that model, until every
need that it touches is right and kept; the same for a pattern, and for an exploited hole that one
release closes.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_common.makers import Combination
from flashworthy_server import documents, schema
from flashworthy_server.config import config_from
from flashworthy_server.services import needs, releases
from flashworthy_server.site import Site, open_site
from support.site import WHO

PER_MODEL, AT_ONCE, TIMES = 20, 500, 9
MAKERS = ("Quillmark", "Tarnbrook", "Osier and Vane")
AT_HAND = "Model 0007"


def main(combinations: int) -> None:
    models = combinations // PER_MODEL
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
    for start in range(0, models, AT_ONCE // PER_MODEL):
        with site.database.writing() as connection:
            for model in range(start, min(start + AT_ONCE // PER_MODEL, models)):
                for number in range(PER_MODEL):
                    needs.combination_id_of(connection, _combination(model, number))
        print(
            f"\rmodels: {min(start + AT_ONCE // PER_MODEL, models)} of {models}", end="", flush=True
        )
    print()


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
