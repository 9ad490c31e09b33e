"""What taking in a report costs, with everything on: `python tests/bench/ingest.py`.

Agents' reports (token, gzip, Date) go over loopback to `flashworthy-server serve` on SQLite with
synchronous FULL; each is answered once it is on the disk. Prints, of reports that say nearly what
the ones before said: reports a second, their share of the floor, CPU of the server per report,
latencies, and bytes of database per report. The floor is measured in the same run: an application
that answers 204 to the same requests, under the same application server.

`--fsync-ms 3` makes every fsync as slow as on a plain disk (a C compiler is needed), and compares
with a commit per request.
"""

import argparse
import gzip
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_common.ids import uuid7
from flashworthy_server import schema
from flashworthy_server.config import config_from
from flashworthy_server.services.credentials import digest_of
from flashworthy_server.site import Site, open_site
from flashworthy_server.store import machines as machine_store
from support.load import Load, drive, post
from support.servers import free_port

BAR, GOAL = 0.12, 0.17  # of the floor
CONNECTIONS = 32
START_SECONDS = 60
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
REPORT = json.loads((Path(__file__).parents[1] / "support/wire/report-1.json").read_text())
SETTINGS = """
database = "sqlite:///{folder}/bench.db"
packages = "{folder}/packages"
machine_requests_per_minute = 1000000000
address_requests_per_minute = 1000000000
"""


@dataclass(frozen=True)
class Figure:
    """One measured run."""

    load: Load
    cpu_us: float  # of the server, per request

    def shown(self) -> dict[str, Any]:
        return {
            "per_second": round(self.load.per_second, 1),
            "cpu_us": round(self.cpu_us),
            "p50_ms": round(self.load.percentile_ms(0.5), 1),
            "p99_ms": round(self.load.percentile_ms(0.99), 1),
            "statuses": dict(self.load.statuses),
        }


# ---- what is sent -----------------------------------------------------------------------------


def token_of(number: int) -> str:
    return f"fwmachine_bench-{number}"


def agent_of(number: int) -> str:
    return f"7b0c5a44-0a55-4c5e-9d4f-{number:012x}"


def model_of(number: int, machines: int, mix: str) -> int:
    """Office sites have at most 2,000 combinations; wild ones half as many as machines."""
    return number % (min(2_000, max(1, machines // 20)) if mix == "office" else machines // 2 or 1)


def report_of(number: int, sequence: int, model: int, now: datetime) -> dict[str, Any]:
    """A whole report, of which only what changes by itself differs from the one before."""
    milliseconds = int(now.timestamp() * 1000)
    seen = now.strftime("%Y-%m-%dT%H:%M:%SZ")
    report: dict[str, Any] = json.loads(json.dumps(REPORT))
    for section in report.values():
        if isinstance(section, dict) and "seen_at" in section:
            section["seen_at"] = seen
    report["report_id"] = str(uuid7(milliseconds, number * 1000 + sequence))
    report["agent_id"], report["sequence"] = agent_of(number), sequence
    report["taken_at"], report["uptime_seconds"] = seen, 3_600 * sequence + number % 977
    report["identity"] |= {
        "smbios_uuid": f"00112233-4455-6677-8899-{number:012x}",
        "system_serial": f"QM-{number:07}",
        "board_serial": f"MB-{number:07}",
        "asset_tag": f"LIB-{number:07}",
        "hostname": f"desk-{number:07}",
    }
    report["machine"]["product"] = f"Folio {model}"
    report["firmware"]["version_text"] = f"1.{20 + model % 7}"
    for place, probe in enumerate(report["agent"].get("probes") or ()):
        probe["duration_ms"] = (sequence * 7 + place * 3 + number) % 40
    return report


def request_of(number: int, sequence: int, model: int, now: datetime) -> bytes:
    body = json.dumps(report_of(number, sequence, model, now)).encode()
    return post(
        "/api/v1/reports",
        gzip.compress(body, 6),
        Authorization=f"Bearer {token_of(number)}",
        Content_Type="application/json",
        Content_Encoding="gzip",
        Date=format_datetime(now, usegmt=True),
    )


def requests_of(options: argparse.Namespace, sequences: range) -> list[bytes]:
    """One report of each machine, and then the next of each."""
    now = datetime.now(UTC) - timedelta(seconds=5)
    models = [model_of(each, options.machines, options.mix) for each in range(options.senders)]
    return [
        request_of(number, sequence, models[number], now + timedelta(milliseconds=sequence))
        for sequence in sequences
        for number in range(options.senders)
    ]


# ---- the site ---------------------------------------------------------------------------------


def prepare(folder: Path, machines: int) -> Site:
    """A site with this many enrolled machines that have not reported yet."""
    (folder / "server.toml").touch(mode=0o600)
    (folder / "server.toml").write_text(SETTINGS.format(folder=folder))
    site = open_site(config_from({"database": f"sqlite:///{folder}/bench.db"}))
    schema.migrate(site.database)
    now = datetime.now(UTC)
    with site.database.writing() as connection:
        for number in range(machines):
            added = machine_store.add_machine(connection, f"desk-{number:07}", now)
            machine_store.save_agent(
                connection,
                added,
                agent_id=agent_of(number),
                token_digest=digest_of(token_of(number)),
                now=now,
            )
    return site


@contextmanager
def running(command: list[str], port: int, environment: dict[str, str]) -> Iterator[int]:
    """A server that answers; the process id of its master."""
    process = subprocess.Popen(command, env=os.environ | environment)
    try:
        wait_for(port, process)
        yield process.pid
    finally:
        process.terminate()
        process.wait(60)


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


def measured(port: int, master: int, requests: list[bytes], seconds: float) -> Figure:
    before = cpu_seconds(master)
    load = drive(port, requests, connections=CONNECTIONS, seconds=seconds)
    return Figure(load, (cpu_seconds(master) - before) / max(1, len(load.latencies)) * 1e6)


def floor(folder: Path, options: argparse.Namespace, requests: list[bytes]) -> Figure:
    (folder / "floor_application.py").write_text(FLOOR)
    port = free_port()
    command = [sys.executable, "-m", "gunicorn", "--chdir", str(folder), "-k", "gthread"]
    command += [
        "-w",
        str(options.workers),
        "--threads",
        str(options.threads),
        "--no-control-socket",
    ]
    command += ["-b", f"127.0.0.1:{port}", "--log-level", "error", "floor_application:application"]
    with running(command, port, {}) as master:
        return measured(port, master, requests, options.seconds / 2)


@contextmanager
def serving(
    folder: Path, options: argparse.Namespace, slow: dict[str, str]
) -> Iterator[tuple[int, int]]:
    port = free_port()
    command = [sys.executable, "-c", PROGRAM, "serve", "--port", str(port)]
    command += ["--workers", str(options.workers), "--threads", str(options.threads)]
    command += ["--settings", str(folder / "server.toml")]
    with running(command, port, slow) as master:
        yield port, master


def slow_disk(folder: Path, milliseconds: float) -> dict[str, str]:
    """The environment in which each fsync takes that much longer."""
    if not milliseconds:
        return {}
    source, library = folder / "slow_disk.c", folder / "slow_disk.so"
    source.write_text(SLOW_DISK)
    subprocess.run(["cc", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"], check=True)
    return {"LD_PRELOAD": str(library), "FSYNC_MICROSECONDS": str(int(milliseconds * 1000))}


def database_bytes(folder: Path) -> int:
    return (folder / "bench.db").stat().st_size


def run(folder: Path, options: argparse.Namespace) -> dict[str, Any]:
    prepare(folder, options.machines).database.close()
    rounds = max(1, options.reports // options.senders)
    later = requests_of(options, range(2, rounds + 2))
    slow = slow_disk(folder, options.fsync_ms)
    lowest = floor(folder, options, later)
    found: dict[str, Any] = {"machines": options.machines, "mix": options.mix}
    found["floor"] = lowest.shown()
    with serving(folder, options, slow) as (port, master):
        first = measured(port, master, requests_of(options, range(1, 2)), 3600)
        before = database_bytes(folder)
        figure = measured(port, master, later, options.seconds)
    found["first reports"], found["ingest"] = first.shown(), figure.shown()
    found["bytes per report"] = round((database_bytes(folder) - before) / taken_in(figure))
    found["share of the floor"] = round(figure.load.per_second / lowest.load.per_second, 3)
    if options.fsync_ms:
        alone = one_by_one(folder, options, slow, range(rounds + 2, 2 * rounds + 2))
        found["with a commit per report"] = alone.shown()
        found["times as many together"] = round(figure.load.per_second / alone.load.per_second, 2)
    return found


def one_by_one(
    folder: Path, options: argparse.Namespace, slow: dict[str, str], sequences: range
) -> Figure:
    """The same with a transaction for each report."""
    with (folder / "server.toml").open("a") as file:
        file.write("reports_together = 1\n")
    with serving(folder, options, slow) as (port, master):
        figure = measured(port, master, requests_of(options, sequences), options.seconds)
    taken_in(figure)
    return figure


def taken_in(figure: Figure) -> int:
    """How many reports were taken in: all, or the figure is worth nothing."""
    taken = figure.load.statuses[201]
    assert taken == len(figure.load.latencies) > 0, figure.load.statuses
    return taken


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--machines", type=int, default=1_000)
    parser.add_argument("--senders", type=int, default=1_000, help="machines that send")
    parser.add_argument("--mix", choices=("office", "wild"), default="office")
    parser.add_argument("--reports", type=int, default=20_000)
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--threads", type=int, default=8)
    parser.add_argument("--fsync-ms", type=float, default=0.0)
    parser.add_argument("--json", type=Path, help="write the figures to this file")
    options = parser.parse_args()
    options.senders = min(options.senders, options.machines)
    folder = Path(tempfile.mkdtemp(prefix="flashworthy-bench-"))
    try:
        found = run(folder, options)
    finally:
        shutil.rmtree(folder)
    for name, figure in found.items():
        print(f"{name}: {figure}")
    print(f"bar {BAR}, goal {GOAL} of the floor; p99 at most 100 ms")
    if options.json:
        options.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
