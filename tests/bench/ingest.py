"""What taking in a report costs, with everything on: `python tests/bench/ingest.py [MACHINES...]`.

For sites of each size (`sites`), agents' reports (token, gzip, Date) go over loopback to
`flashworthy-server serve` on SQLite with synchronous FULL; each is answered once it is on the disk.
They say nearly what the ones before said. Prints how many were taken in each second, latencies, the
server's processor time and bytes of database for each.

The floor is an application that answers 204 to the same requests, under the same application
server; it takes turns with the server in short rounds, so that both meet the same noise. What
counts is the median of the rounds.

`--fsync-ms 3` makes every fsync as slow as on a plain disk (a C compiler is needed), and has a
server that commits each report by itself take turns with the others.
"""

import argparse
import gzip
import json
import os
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

import sites
from sqlalchemy import update

from flashworthy_common.ids import uuid7
from flashworthy_server.config import config_from
from flashworthy_server.services.credentials import digest_of
from flashworthy_server.site import Site, open_site
from flashworthy_server.store import history
from flashworthy_server.store import machines as machine_store
from flashworthy_server.tables import machines
from support.figures import Figure, Figures, options
from support.load import drive, post
from support.servers import free_port

BAR, GOAL = 0.12, 0.17  # of the floor
BAR_OF_SMALLEST, GOAL_OF_SMALLEST = 0.5, 0.7  # the share of the floor, by that of the smallest site
BAR_P99_MS = 100.0
BAR_TOGETHER, GOAL_TOGETHER = 3.0, 6.0  # times as many as with a commit for each
CONNECTIONS, START_SECONDS = 32, 60
PROGRAM = "import sys; from flashworthy_server.cli import main; sys.exit(main())"
FLOOR = """
def application(environ, start_response):
    environ["wsgi.input"].read()
    start_response("204 No Content", [])
    return []
"""
SLOW_DISK = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <unistd.h>
static void wait_as_told(void) { usleep(atoi(getenv("FSYNC_MICROSECONDS"))); }
int fsync(int file) {
    wait_as_told();
    return ((int (*)(int)) dlsym(RTLD_NEXT, "fsync"))(file);
}
int fdatasync(int file) {
    wait_as_told();
    return ((int (*)(int)) dlsym(RTLD_NEXT, "fdatasync"))(file);
}
"""
SETTINGS = """
database = "sqlite:///{folder}/flashworthy.db"
packages = "{folder}/packages"
machine_requests_per_minute = 1000000000
address_requests_per_minute = 1000000000
reports_together = {together}
"""


@dataclass
class Contestant:
    """A server that takes turns with others, and what was measured of it."""

    port: int
    master: int  # process id
    per_second: list[float] = field(default_factory=list)  # of each round
    latencies: list[float] = field(default_factory=list)  # seconds, of all rounds
    cpu_seconds: float = 0.0

    def take_turn(self, requests: list[bytes]) -> None:
        before = cpu_seconds(self.master)
        load = drive(self.port, requests, connections=CONNECTIONS)
        self.cpu_seconds += cpu_seconds(self.master) - before
        assert len(load.answered) == len(requests), load.statuses
        self.per_second.append(load.per_second)
        self.latencies += load.latencies

    @property
    def median(self) -> float:
        return statistics.median(self.per_second)

    @property
    def cpu_us(self) -> float:
        return self.cpu_seconds / len(self.latencies) * 1e6

    @property
    def p99_ms(self) -> float:
        return statistics.quantiles(self.latencies, n=100)[98] * 1e3


# ---- what is sent -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Sender:
    """A machine of the site, and the report that it sent last."""

    names: sites.Names
    last: dict[str, Any]

    def request(self, later: int, now: datetime) -> bytes:
        """A report of which only what changes by itself differs from the last one."""
        sequence, seen = self.last["sequence"] + later, now.strftime("%Y-%m-%dT%H:%M:%SZ")
        sections = {
            name: {**section, "seen_at": seen}
            for name, section in self.last.items()
            if isinstance(section, dict) and "seen_at" in section
        }
        number = self.names.number * 1_000 + sequence
        times = {"taken_at": seen, "uptime_seconds": 3_600 * sequence}
        own = {"report_id": str(uuid7(int(now.timestamp() * 1e3), number)), "sequence": sequence}
        return post(
            "/api/v1/reports",
            gzip.compress(json.dumps({**self.last, **sections, **times, **own}).encode(), 6),
            Authorization=f"Bearer {self.names.token}",
            Content_Type="application/json",
            Content_Encoding="gzip",
            Date=format_datetime(now, usegmt=True),
        )


def senders_of(site: Site, count: int, machines_there: int) -> list[Sender]:
    """Machines spread over the whole site, each with a token of its own."""
    found = []
    with site.database.writing() as connection:
        for place in range(count):
            names = sites.Names(place * machines_there // count)
            id_ = names.number + 1
            token = {"token_digest": digest_of(names.token), "token_made_at": site.clock()}
            connection.execute(update(machines).where(machines.c.id == id_).values(token))
            (machine,) = machine_store.load_machines(connection, [id_])
            body = history.load_body(connection, id_, machine.report_number)
            assert body is not None
            found.append(Sender(names, json.loads(body)))
        # nothing else is to be judged meanwhile
        connection.execute(update(machines).values(due_at=None))
    return found


# ---- who takes turns --------------------------------------------------------------------------


@contextmanager
def running(command: list[str], environment: dict[str, str], port: int) -> Iterator[Contestant]:
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    process = subprocess.Popen(command, env=os.environ | environment, **quiet)
    try:
        wait_for(port, process)
        yield Contestant(port, process.pid)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(START_SECONDS)


def wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    request = b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
    end = time.monotonic() + START_SECONDS
    while time.monotonic() < end:
        assert process.poll() is None, "the server ended"
        try:
            if drive(port, [request], connections=1).answered:
                return
        except OSError:
            time.sleep(0.1)
    raise AssertionError("the server does not answer")


def cpu_seconds(master: int) -> float:
    """User and system time of a process and its children, threads included (proc_pid_stat(5))."""
    children = Path(f"/proc/{master}/task/{master}/children").read_text().split()
    spent = 0
    for process in [str(master), *children]:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        spent += int(fields[11]) + int(fields[12])
    return spent / os.sysconf("SC_CLK_TCK")


def an_empty_answer(folder: Path, asked: argparse.Namespace) -> Any:
    (folder / "floor_application.py").write_text(FLOOR)
    port = free_port()
    command = [sys.executable, "-m", "gunicorn", "--chdir", str(folder), "-k", "gthread"]
    command += ["-w", str(asked.workers), "--threads", str(asked.threads), "--no-control-socket"]
    command += ["-b", f"127.0.0.1:{port}", "floor_application:application"]
    return running(command, {}, port)


def a_server(folder: Path, asked: argparse.Namespace, slow: dict[str, str], together: int) -> Any:
    settings, port = folder / f"server-{together}.toml", free_port()
    settings.touch(mode=0o600)
    settings.write_text(SETTINGS.format(folder=folder, together=together))
    command = [sys.executable, "-c", PROGRAM, "serve", "--port", str(port)]
    command += ["--workers", str(asked.workers), "--threads", str(asked.threads)]
    return running([*command, "--settings", str(settings)], slow, port)


def slow_disk(folder: Path, milliseconds: float) -> dict[str, str]:
    """The environment in which each fsync takes that much longer."""
    if not milliseconds:
        return {}
    source, library = folder / "slow_disk.c", folder / "slow_disk.so"
    source.write_text(SLOW_DISK)
    subprocess.run(["cc", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"], check=True)
    return {"LD_PRELOAD": str(library), "FSYNC_MICROSECONDS": str(int(milliseconds * 1000))}


def measure(size: int, asked: argparse.Namespace, figures: Figures) -> float:
    """Tell the figures of one site; its share of the floor."""
    with tempfile.TemporaryDirectory(dir=asked.folder) as name, ExitStack() as servers:
        folder = Path(name)
        database = sites.a_copy(sites.site_file(size, asked.mix, asked.folder), folder)
        database.chmod(0o600)
        site = open_site(config_from({"database": f"sqlite:///{database}"}))
        senders = senders_of(site, min(asked.senders, size), size)
        site.database.close()
        slow = slow_disk(folder, asked.fsync_ms)
        lowest = servers.enter_context(an_empty_answer(folder, asked))
        server = servers.enter_context(a_server(folder, asked, slow, asked.together))
        contestants = [lowest, server]
        if slow:
            contestants.append(servers.enter_context(a_server(folder, asked, slow, 1)))
        server.take_turn([each.request(1, datetime.now(UTC)) for each in senders])  # a new month
        warmed, before, later = Contestant(server.port, server.master), database_bytes(database), 2
        contestants[1] = server = warmed
        for _ in range(asked.rounds):
            for contestant in contestants:
                now = datetime.now(UTC)
                contestant.take_turn([each.request(later, now) for each in senders])
                later += contestant is not lowest
        kept = len(senders) * asked.rounds * (len(contestants) - 1)
        grown = (database_bytes(database) - before) / kept
    tell(figures, f"{size:,} machines, {asked.mix}", contestants, grown)
    return server.median / lowest.median


def database_bytes(database: Path) -> int:
    """Of the pages in use; what was freed before is no room that reports made."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        asked = ("page_count", "freelist_count", "page_size")
        pages, free, size = (connection.execute(f"PRAGMA {each}").fetchone()[0] for each in asked)
    return int((pages - free) * size)


def tell(figures: Figures, of: str, contestants: list[Contestant], grown: float) -> None:
    lowest, server, *alone = contestants
    floor, cpu = lowest.median, "an empty answer"
    figures.tell(
        Figure(
            f"{of}: reports taken in",
            server.median,
            "a second",
            floor=floor,
            floor_is=cpu,
            bar=BAR * floor,
            goal=GOAL * floor,
            more_is_better=True,
        )
    )
    figures.tell(Figure(f"{of}: 99 of 100 answered", server.p99_ms, "ms", bar=BAR_P99_MS))
    figures.tell(
        Figure(f"{of}: processor", server.cpu_us, "µs a report", floor=lowest.cpu_us, floor_is=cpu)
    )
    figures.tell(Figure(f"{of}: database", grown, "bytes a report"))
    for each in alone:
        figures.tell(
            Figure(
                f"{of}: reports taken in, on a slow disk",
                server.median,
                "a second",
                floor=each.median,
                floor_is="with a commit for each",
                bar=BAR_TOGETHER * each.median,
                goal=GOAL_TOGETHER * each.median,
                more_is_better=True,
            )
        )


def main() -> None:
    parser = options(__doc__)
    parser.add_argument("sizes", type=int, nargs="*", default=[1_000])
    parser.add_argument("--mix", choices=sites.MIXES, default="office")
    parser.add_argument("--senders", type=int, default=1_000, help="machines that send")
    parser.add_argument("--rounds", type=int, default=8, help="in each, every sender sends once")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--threads", type=int, default=8)
    parser.add_argument("--together", type=int, default=200, help="reports of one commit at most")
    parser.add_argument("--fsync-ms", type=float, default=0.0)
    parser.add_argument("--folder", type=Path, default=sites.FOLDER)
    asked, figures = parser.parse_args(), Figures("ingest")
    shares = [measure(size, asked, figures) for size in asked.sizes]
    for size, share in zip(asked.sizes[1:], shares[1:], strict=True):
        figures.tell(
            Figure(
                f"{size:,} machines, {asked.mix}: share of the floor",
                share,
                "",
                floor=shares[0],
                floor_is=f"at {asked.sizes[0]:,}",
                bar=BAR_OF_SMALLEST * shares[0],
                goal=GOAL_OF_SMALLEST * shares[0],
                more_is_better=True,
            )
        )
    figures.write(asked.json)


if __name__ == "__main__":
    main()
