"""How fast all machines come over HTTP: `python tests/bench/export.py [MACHINES] [--mix wild]`.

A server of its own sends a site (`sites`) as CSV and as JSON over loopback. Prints rows a second
(medians), with its floor in the same run: reading the same rows from the file by `sqlite3`, and
writing them by `csv`; and by how much the server's peak of memory grew meanwhile (VmHWM,
proc_pid_status(5)).
With `--cpu`, rows a second of the processor time of server and floor, where others use the machine.
"""

import csv
import io
import os
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import requests
from sqlalchemy import update

sys.path.insert(0, str(Path(__file__).parent.parent))

import sites

from flashworthy_server.config import config_from
from flashworthy_server.services import credentials
from flashworthy_server.services.who import Role
from flashworthy_server.site import open_site
from flashworthy_server.tables import machines
from support.figures import Figure, Figures, clock_of, options
from support.servers import free_port
from support.site import WHO

PROGRAM = "from flashworthy_server.cli import main; main()"
BAR, GOAL = 100_000, 200_000  # rows a second
BAR_MB, START_SECONDS, PIECE = 32, 60, 1 << 16
FORMS = {"CSV": ("text/csv", ""), "JSON": ("application/json", "?all=true")}
ROUNDS = 5
FLOOR = """
SELECT m.id, m.name, m.place, m.marked, c.maker, c.model, c.board, c.version_text, m.firmware_on,
 m.outcome, m.sentence, m.holds_until, c.standing, c.priority, '', m.taken_at, m.received_at
FROM machines m LEFT JOIN combinations c ON c.id = m.combination_id ORDER BY m.name, m.id
"""


def floor_seconds(database: Path, clock: Callable[[], float]) -> float:
    start = clock()
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as connection:
        rows = connection.execute(FLOOR)
        while some := rows.fetchmany(2_000):
            csv.writer(io.StringIO()).writerows(some)
    return clock() - start


@contextmanager
def serving(database: Path, folder: Path) -> Iterator[tuple[str, int]]:
    """The server's address, and the process whose workers answer."""
    port = free_port()
    environment = {
        **os.environ,
        "FLASHWORTHY_DATABASE": f"sqlite:///{database}",
        "FLASHWORTHY_PACKAGES": str(folder / "packages"),
    }
    command = [sys.executable, "-c", PROGRAM, "serve", "--port", str(port)]
    process = subprocess.Popen(command, env=environment, cwd=folder, stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(address)
        yield address, process.pid
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(START_SECONDS)


def _wait_for(address: str) -> None:
    ends = time.monotonic() + START_SECONDS
    while time.monotonic() < ends:
        try:
            if requests.get(f"{address}/healthz", timeout=5).ok:
                return
        except requests.ConnectionError:
            time.sleep(0.1)
    raise TimeoutError(f"{address} did not answer in {START_SECONDS} s")


def family(pid: int) -> list[int]:
    """A process and its children."""
    return [pid, *map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]


def processor_seconds(pid: int) -> float:
    """Of a process and its children (utime and stime, proc_pid_stat(5))."""
    stats = [Path(f"/proc/{each}/stat").read_text().rpartition(")")[2] for each in family(pid)]
    ticks = sum(int(stat.split()[place]) for stat in stats for place in (11, 12))
    return ticks / os.sysconf("SC_CLK_TCK")


def peak_mb(pid: int) -> float:
    """The highest peak of a process and its children."""
    return max(map(_peak_of, family(pid)))


def _peak_of(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))


def fetch(
    address: str, token: str, accept: str, query: str, clock: Callable[[], float]
) -> tuple[float, int]:
    """Seconds, and lines or rows that came."""
    headers = {"Authorization": f"Bearer {token}", "Accept": accept, "Accept-Encoding": "identity"}
    start, rows, mark = clock(), 0, b"\r\n" if "csv" in accept else b'"received_at":'
    url, rest = f"{address}/api/v1/machines{query}", b""
    with requests.get(url, headers=headers, stream=True, timeout=600) as answer:
        answer.raise_for_status()
        for piece in answer.iter_content(PIECE):
            piece = rest + piece
            rows += piece.count(mark)
            rest = piece[-len(mark) + 1 :]
    return clock() - start, rows


def main() -> None:
    parser = options(__doc__)
    clock_of(parser)
    parser.add_argument("machines", type=int, nargs="?", default=100_000)
    parser.add_argument("--mix", choices=sites.MIXES, default="office")
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked, figures = parser.parse_args(), Figures("export")
    made = sites.site_file(asked.machines, asked.mix, asked.folder)
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        database = sites.a_copy(made, Path(name))
        database.chmod(0o600)
        site = open_site(config_from({"database": f"sqlite:///{database}"}))
        token = credentials.make_token(site, WHO, "export", role=Role.VIEWER, days=1).token
        with site.database.writing() as connection:  # nothing is to be judged meanwhile
            connection.execute(update(machines).values(due_at=None))
        site.database.close()
        with serving(database, Path(name)) as (address, pid):
            clock = asked.clock
            if clock is time.process_time:
                clock = partial(processor_seconds, pid)
            fetch(address, token, "application/json", "?limit=1", clock)
            before = peak_mb(pid)
            took: dict[str, list[float]] = {form: [] for form in ("", *FORMS)}
            for _ in range(ROUNDS):  # in turn, so that what else the machine does meets all
                took[""].append(floor_seconds(database, asked.clock))
                for form, (accept, query) in FORMS.items():
                    seconds, rows = fetch(address, token, accept, query, clock)
                    assert rows - (form == "CSV") == asked.machines, f"{rows} rows came"
                    took[form].append(seconds)
            rate = {form: asked.machines / statistics.median(each) for form, each in took.items()}
            for form in FORMS:
                figures.tell(
                    Figure(
                        f"{form} of {asked.machines:,} machines",
                        rate[form],
                        "rows/s",
                        floor=rate[""],
                        floor_is="sqlite3 and csv alone",
                        bar=BAR,
                        goal=GOAL,
                        more_is_better=True,
                    )
                )
            figures.tell(Figure("memory over idle", peak_mb(pid) - before, "MB", bar=BAR_MB))
    figures.write(asked.json)


if __name__ == "__main__":
    main()
