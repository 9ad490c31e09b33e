"""The real server in a process of its own, on loopback; it may be killed at any time."""

import json
import os
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Select, func, select

from flashworthy_server.db import Connection, Database
from flashworthy_server.store.history import load_body
from flashworthy_server.tables import machines, reports
from support.servers import free_port

_PROGRAM = "import sys; from flashworthy_server.cli import main; sys.exit(main())"
_START_SECONDS = 60.0
_STOP_SECONDS = 60.0
_AS_OFTEN_AS_A_TEST_LIKES = """
machine_requests_per_minute = 1000000
address_requests_per_minute = 1000000
unknown_per_minute = 1000000
session_proof_minutes = 600
"""


class RealServer:
    """Use as a context manager; `start` again after `kill`."""

    def __init__(self, folder: Path, database_url: str = "", settings: str = "") -> None:
        """By default on SQLite in the folder; `settings` are further lines of TOML."""
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._database = folder / "flashworthy.db"
        self._settings = folder / "server.toml"
        self._settings.touch(mode=0o600)
        self._settings.write_text(_AS_OFTEN_AS_A_TEST_LIKES + settings)
        self.database_url = database_url or f"sqlite:///{self._database}"
        self._process: subprocess.Popen[bytes] | None = None
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> "RealServer":
        self.call("migrate")
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> None:
        with open(self._folder / "server.log", "ab") as log:
            command = [sys.executable, "-c", _PROGRAM, "serve", "--port", str(self.port)]
            self._process = subprocess.Popen(command, env=self._environment(), stderr=log)
        deadline = time.monotonic() + _START_SECONDS
        while not self._answers():
            assert self._process.poll() is None, (self._folder / "server.log").read_text()
            assert time.monotonic() < deadline, "the server does not answer"
            time.sleep(0.05)

    def kill(self) -> None:
        """As a power cut would: SIGKILL to the server and every process that it started."""
        if self._process is None:
            return
        for child in self._children():
            os.kill(child, 9)
        self._process.kill()
        self._process.wait()
        self._process = None

    def kill_a_worker(self, place: int) -> None:
        """SIGKILL to one of the processes that serve; its parent starts another in its place."""
        workers = self._children()
        if workers:
            os.kill(workers[place % len(workers)], 9)

    def stop(self) -> int:
        """Ask it to stop, as a service manager does; its exit status."""
        assert self._process is not None
        self._process.terminate()
        status = self._process.wait(_STOP_SECONDS)
        self._process = None
        return status

    def code(self) -> str:
        """An enrolment code for a few machines."""
        return self.call("code", "new", "--uses", "20").split()[0]

    def reports(self) -> Counter[str]:
        """How often the server has each report, by report id."""
        with self._reading() as connection:
            return Counter(connection.scalars(select(reports.c.report_id)))

    def newest_report(self) -> Any:
        """The body of the report that came last, as JSON."""
        (newest,) = self._bodies(select(reports).order_by(reports.c.received_at.desc()).limit(1))
        return newest

    def newest_reports(self) -> list[Any]:
        """The body of each machine's newest report, as JSON."""
        of_machine = (reports.c.machine_id, func.max(reports.c.number).label("number"))
        return self._bodies(select(*of_machine).group_by(reports.c.machine_id))

    def machines(self) -> int:
        with self._reading() as connection:
            return int(connection.scalar(select(func.count()).select_from(machines)) or 0)

    def works_in_the_background(self) -> bool:
        """Whether one of its processes has taken that upon itself, soon after the start."""
        deadline = time.monotonic() + _START_SECONDS
        while not Path(f"{self._database}-background").exists():
            if time.monotonic() > deadline:
                return False
            time.sleep(0.05)
        return True

    def _bodies(self, found: Select[Any]) -> list[Any]:
        """Those of the reports that a query finds by machine and number."""
        with self._reading() as connection:
            rows = connection.execute(found).all()
            bodies = [load_body(connection, row.machine_id, row.number) for row in rows]
        return [json.loads(body or b"") for body in bodies]

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        database = Database(self.database_url, wait_seconds=5)
        try:
            with database.reading() as connection:
                yield connection
        finally:
            database.close()

    def call(self, *arguments: str) -> str:
        """Run the server's command line; what it printed."""
        command = [sys.executable, "-c", _PROGRAM, *arguments]
        done = subprocess.run(command, env=self._environment(), capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def _environment(self) -> dict[str, str]:
        return os.environ | {
            "FLASHWORTHY_DATABASE": self.database_url,
            "FLASHWORTHY_PACKAGES": str(self._folder / "packages"),
            "FLASHWORTHY_SETTINGS": str(self._settings),
        }

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.address}/healthz", timeout=1) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def _children(self) -> list[int]:
        assert self._process is not None
        pid = self._process.pid
        try:
            return list(map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split()))
        except OSError:
            return []
