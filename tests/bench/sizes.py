"""What a site takes on the disk: `python tests/bench/sizes.py [MACHINES]`.

On a copy of a site (`sites`): bytes of database per machine with its first report; then every
tenth machine sends reports in which only times and counters changed, and one in which a version
did; bytes per report of each kind. Prints the table of sizes that follows, with its arithmetic.
"""

import gzip
import json
import sys
import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

import sites

from flashworthy_common.ids import uuid7
from flashworthy_common.values import write_time
from flashworthy_server.store import history
from support.figures import Figure, Figures, options
from support.site import TestedSite

UNCHANGED, SENDERS_OF = 4, 10  # reports of each sender; one machine of so many sends
DAYS, CHANGES = 365, 12  # a whole body each month
TABLE = ((100, 1), (1_000, 1), (1_000, 24), (10_000, 1), (10_000, 24), (100_000, 1), (1_000_000, 1))


def bytes_of(tested: TestedSite) -> int:
    """Of the rows and indexes, without pages that are free."""
    with tested.site.database.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        page, count, free = (
            connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("page_size", "page_count", "freelist_count")
        )
    return int(page * (count - free))


def send(tested: TestedSite, number: int, sequence: int, **changed: Any) -> None:
    """The machine's first report once more, at another time."""
    with tested.site.database.reading() as connection:
        body = history.load_body(connection, number + 1, 1)
    report = json.loads(body or b"")
    now = write_time(tested.clock.now)
    for section in report.values():
        if isinstance(section, dict) and "seen_at" in section:
            section["seen_at"] = now
    milliseconds = int(tested.clock.now.timestamp() * 1000)
    report |= {"sequence": sequence, "taken_at": now, "uptime_seconds": 977 * sequence + number}
    report["report_id"] = str(uuid7(milliseconds, number))
    for place, probe in enumerate(report["agent"]["probes"]):
        probe["duration_ms"] = (number * 7 + sequence * 3 + place) % 40
    report["firmware"] |= changed
    sent = tested.client.post(
        "/api/v1/reports",
        data=gzip.compress(json.dumps(report, separators=(",", ":")).encode()),
        headers={
            "Content-Type": "application/json",
            "Content-Encoding": "gzip",
            "Authorization": f"Bearer {sites.Names(number).token}",
        },
    )
    assert sent.status_code == 201, sent.text


def main() -> None:
    parser = options(__doc__)
    parser.add_argument("machines", type=int, nargs="?", default=10_000)
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked, figures = parser.parse_args(), Figures("sizes")
    made = sites.site_file(asked.machines, "office", asked.folder)
    copies = range(sites.OFFICE_COMBINATIONS, asked.machines, SENDERS_OF)  # these have tokens
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        tested = sites.open_bench(sites.a_copy(made, Path(folder)))
        first = bytes_of(tested)
        for sequence in range(2, 2 + UNCHANGED):
            tested.clock.now += timedelta(hours=1)
            for number in copies:
                send(tested, number, sequence)
        unchanged = bytes_of(tested)
        tested.clock.now += timedelta(days=31)
        for number in copies:
            send(tested, number, 2 + UNCHANGED)
        monthly = bytes_of(tested)
        tested.site.database.close()
    per_machine = first / asked.machines
    per_report = (unchanged - first) / UNCHANGED / len(copies)
    per_month = (monthly - unchanged) / len(copies)
    figures.tell(Figure("a machine with its first report", per_machine, "bytes"))
    figures.tell(Figure("a report that says what the one before said", per_report, "bytes"))
    figures.tell(Figure("the first report of a month", per_month, "bytes"))
    print("\n| machines | reports a day | GB after a year |\n|---|---|---|")
    for machines, a_day in TABLE:
        reports = (DAYS * a_day - CHANGES) * per_report + CHANGES * per_month
        print(f"| {machines:,} | {a_day} | {machines * (per_machine + reports) / 1e9:.3g} |")
    figures.write(asked.json)


if __name__ == "__main__":
    main()
