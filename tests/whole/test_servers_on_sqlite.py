"""Servers on SQLite: killed under load, asked to stop, and with a full disk under them.

What is held against the outside: a report that was acknowledged is there, once, whatever died in
between (SIGKILL of all processes or of one). Whoever got no acknowledgement sends again.
"""

import json
import os
import random
import sqlite3
import subprocess
import threading
import urllib.error
import urllib.request
from collections import Counter

import pytest

from support.fleet import Fleet
from support.real_server import RealServer

pytestmark = pytest.mark.system

SEED = 11
TWO_WORKERS = "workers = 2\n"
DISK = "size=6m"  # the tables alone take one
LEFT_BYTES = 400_000


def once_each(report_ids):
    return dict.fromkeys(report_ids, 1)


def is_whole(server):
    """As SQLite itself says, of file, indexes and foreign keys."""
    connection = sqlite3.connect(server.database_url.removeprefix("sqlite:///"))
    try:
        found = connection.execute("PRAGMA integrity_check").fetchall()
        return found == [("ok",)] and not connection.execute("PRAGMA foreign_key_check").fetchall()
    finally:
        connection.close()


@pytest.mark.parametrize("rounds", [4, pytest.param(50, marks=pytest.mark.long)])
def test_servers_that_are_killed_under_load_lose_and_double_nothing(tmp_path, rounds):
    moments = random.Random(SEED)
    with RealServer(tmp_path, settings=TWO_WORKERS) as server:
        fleet = Fleet(server)
        for number in range(rounds):
            fleet.report(100)
            is_one = number % 2 == 1
            kill = (lambda: server.kill_a_worker(moments.randrange(2))) if is_one else server.kill
            end = threading.Timer(moments.uniform(0.02, 0.6), kill)
            end.start()
            fleet.send(server.port)
            end.join()
            assert fleet.acknowledged <= server.reports().keys()
            if not is_one:
                server.start()
        while fleet.waiting:
            fleet.send(server.port)

        assert server.reports() == once_each(fleet.sent)
        assert is_whole(server)


def test_a_server_that_is_asked_to_stop_answers_what_it_took(tmp_path):
    with RealServer(tmp_path, settings=TWO_WORKERS) as server:
        fleet = Fleet(server)
        fleet.report(600)
        statuses = []
        end = threading.Timer(0.5, lambda: statuses.append(server.stop()))
        end.start()
        found = fleet.send(server.port)
        end.join()

        assert statuses == [0]
        assert set(found.statuses) <= {201}
        assert 0 < len(fleet.acknowledged) < len(fleet.sent)
        assert server.reports() == once_each(fleet.acknowledged)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of a few megabytes, for root only."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", DISK, "tmpfs", str(folder)], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip("no file system can be mounted here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder):
    """A file that leaves little room."""
    room = os.statvfs(folder)
    path = folder / "filled"
    path.write_bytes(bytes(room.f_bavail * room.f_frsize - LEFT_BYTES))
    return path


def readiness(server):
    try:
        with urllib.request.urlopen(f"{server.address}/readyz", timeout=10) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.load(error)


def test_on_a_full_disk_nothing_acknowledged_is_lost_and_the_service_resumes(small_disk):
    with RealServer(small_disk, settings=TWO_WORKERS) as server:
        fleet = Fleet(server)
        filled = fill(small_disk)
        statuses = Counter()
        while not statuses[507] + statuses[503]:
            fleet.report(100)
            statuses += fleet.send(server.port).statuses
        assert statuses[500] == 0
        assert fleet.acknowledged <= server.reports().keys()

        filled.unlink()
        while fleet.waiting:
            fleet.send(server.port)

        assert readiness(server) == (200, {"status": "ready"})
        assert server.reports() == once_each(fleet.sent)
        assert is_whole(server)
