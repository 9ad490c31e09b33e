"""How long an import of releases takes: `python tests/bench/importing.py`.

Ten thousand releases of three hundred models by three makers, as JSON and again as CSV, through
the command's own path: read, judged, recorded with their entries in the audit trail. The second
import finds everything known. Prints wall time and processor time, with how long writing as many
rows of the same bytes into an empty SQLite file takes on the same disk.
"""

import csv
import io
import json
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_server import documents, schema
from flashworthy_server.config import config_from
from flashworthy_server.services import releases
from flashworthy_server.site import Site, open_site
from support.site import WHO

RELEASES, MODELS = 10_000, 300
MAKERS = ("Quillmark", "Tarnbrook", "Osier & Vane")


def a_release(number: int) -> dict[str, object]:
    model, version = number % MODELS, number // MODELS
    return {
        "machine_maker": MAKERS[model % len(MAKERS)],
        "models": [f"Model {model:03d}", f"Board {model:03d}-*"],
        "version_text": f"1.{version:02d}",
        "released_on": "2026-01-12",
        "notes_url": f"https://maker.example/{model}/{version}",
        "reasons": [
            {
                "kind": "security",
                "says": "closes a hole",
                "source": f"https://maker.example/{model}/{version}",
                "advisories": [f"CVE-2026-{number:05d}"],
            }
        ],
        "requires": {"firmware": f"1.{version - 5:02d}" if version > 5 else None},
        "ways": ["inside-os"],
        "minutes": 20,
        "restarts": 1,
        "can_go_back": True,
    }


def as_csv(rows: list[dict[str, object]]) -> str:
    names = ["machine_maker", "models", "version_text", "released_on", "minutes", "ways"]
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(names)
    for row in rows:
        models = " | ".join(row["models"])
        writer.writerow(
            [row["machine_maker"], models, row["version_text"], "2026-01-12", 20, "capsule"]
        )
    return text.getvalue()


def main() -> None:
    rows = [a_release(number) for number in range(RELEASES)]
    text = json.dumps({"releases": rows}, indent=1)
    with tempfile.TemporaryDirectory() as folder:
        site = open_site(config_from({"database": f"sqlite:///{folder}/a.db"}))
        schema.migrate(site.database)
        seconds = _timed(lambda: _import(site, documents.read_json(text)))
        again = _timed(lambda: _import(site, documents.read_json(text)))
        site.database.close()
        other = open_site(config_from({"database": f"sqlite:///{folder}/b.db"}))
        schema.migrate(other.database)
        by_csv = _timed(lambda: _import(other, documents.read_csv(as_csv(rows))))
        other.database.close()
        floor = _timed(lambda: _floor(f"{folder}/c.db", [json.dumps(row) for row in rows]))
    print(
        f"{RELEASES} releases as JSON: {seconds} ({seconds.wall / floor.wall:.0f} times the floor)"
    )
    print(f"the same again: {again}")
    print(f"{RELEASES} releases as CSV, into another database: {by_csv}")
    print(f"floor, the bare rows into SQLite: {floor}")


@dataclass(frozen=True)
class Took:
    wall: float  # seconds
    processor: float

    def __str__(self) -> str:
        return f"{self.wall:.2f} s, {self.processor:.2f} s of processor time"


def _import(site: Site, document: documents.Document) -> None:
    releases.import_document(site, WHO, document)


def _floor(path: str, texts: list[str]) -> None:
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE rows (id INTEGER PRIMARY KEY, text TEXT)")
        database.executemany("INSERT INTO rows (text) VALUES (?)", [(text,) for text in texts])
    database.close()


def _timed(work: Callable[[], None]) -> Took:
    start, processor = time.perf_counter(), time.process_time()
    work()
    return Took(time.perf_counter() - start, time.process_time() - processor)


if __name__ == "__main__":
    main()
