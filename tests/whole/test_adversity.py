"""Full and read-only disks, wrong clocks, and an upload that is cut in the middle: real ones."""

import os
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

import pytest

from flashworthy_agent.cli import main
from flashworthy_agent.spool import Spool
from flashworthy_agent.state import StateFolder
from support.real_server import RealServer
from support.servers import serving
from support.trees import grow

SERIAL = "/sys/class/dmi/id/product_serial"


@pytest.fixture
def root(tmp_path):
    return grow(tmp_path / "root", {SERIAL: "AL-0042\n"})


@pytest.fixture
def site():
    with serving() as server:
        yield server


@pytest.fixture
def state(tmp_path):
    return tmp_path / "state"


@pytest.fixture
def run(root, state, capsys, monkeypatch):
    for name in [name for name in os.environ if name.startswith("FLASHWORTHY_")]:
        monkeypatch.delenv(name)

    def call(command, *arguments):
        status = main([command, "--root", str(root), "--state", str(state), *arguments])
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return call


def waiting(state):
    return [report.sequence for report in Spool(StateFolder(state)).waiting()]


# ---- disks ------------------------------------------------------------------------------------

_RUN_SMALL = """
import resource, signal, sys
from flashworthy_agent.cli import main
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # setrlimit(2): writing then fails with EFBIG
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
sys.exit(main(sys.argv[1:]))
"""


def test_where_files_cannot_grow_the_run_fails_in_words_and_spoils_nothing(run, site, root, state):
    run("enrol", "--server", site.address, "--code", "ABC")
    site.refusals = {1: (503, "away")}
    run("run")
    site.refusals = {}

    small = subprocess.run(
        [sys.executable, "-c", _RUN_SMALL, "run", "--root", root, "--state", state],
        capture_output=True,
        text=True,
    )

    assert (small.returncode, small.stdout) == (1, "")
    assert "state.json: cannot be used: File too large" in small.stderr
    assert waiting(state) == [1]
    assert run("run")[1] == "report 2 made, 2 sent, 0 waiting\n"


@contextmanager
def mounted(folder, options):
    folder.mkdir(mode=0o700, exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    done = subprocess.run(mount, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"nothing can be mounted here: {done.stderr.strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def remount(folder, options):
    subprocess.run(["mount", "-o", f"remount,{options}", str(folder)], check=True)


@pytest.mark.system
def test_on_a_full_disk_the_run_fails_in_words_and_all_before_it_is_kept(run, site, state):
    with mounted(state, "size=160k,mode=700"):
        run("enrol", "--server", site.address, "--code", "ABC")
        site.refusals = dict.fromkeys(range(1, 100), (503, "away"))
        answers = [run("run") for _ in range(3)]
        (state / "filler").write_bytes(b"x" * free_bytes(state))
        full = [run("run"), run("run")]
        kept = waiting(state)
        (state / "filler").unlink()
        site.refusals = {}

        after = run("run")

        assert [status for status, _, _ in answers] == [1, 1, 1]
        for status, out, err in full:
            assert (status, out) == (1, "")
            assert "No space left on device" in err
        assert kept == [1, 2, 3]
        assert (after[0], waiting(state)) == (0, [])
        assert list(state.glob("**/*.unfinished")) == []


def free_bytes(folder):
    space = os.statvfs(folder)
    return space.f_bavail * space.f_frsize


@pytest.mark.system
def test_on_a_read_only_disk_the_run_fails_in_words_and_sends_nothing_twice(run, site, state):
    with mounted(state, "size=1m,mode=700"):
        run("enrol", "--server", site.address, "--code", "ABC")
        site.refusals = {1: (503, "away")}
        run("run")
        site.refusals = {}
        remount(state, "ro")

        run_status, _, run_told = run("run")
        send_status, _, send_told = run("send")
        examined = run("examine")
        remount(state, "rw")
        after = run("run")

        assert (run_status, send_status) == (1, 1)
        assert "Read-only file system" in run_told
        assert "Read-only file system" in send_told
        assert "is read-only\n      -> make it writable" in examined[1]
        assert (after[0], waiting(state)) == (0, [])
        assert sorted(report["sequence"] for report in site.reports()) == [1, 1, 2]


# ---- clocks -----------------------------------------------------------------------------------


@pytest.mark.parametrize("days", [-1, 1])
def test_a_clock_a_day_off_is_told_to_the_server_with_each_report(run, site, monkeypatch, days):
    run("enrol", "--server", site.address, "--code", "ABC")

    class Off(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.fromtimestamp(time.time() + days * 86400, tz)

    monkeypatch.setattr("flashworthy_agent.clock.datetime", Off)
    status, _, err = run("run")

    sent_at = parsedate_to_datetime(site.requests[-1].headers["Date"])
    assert (status, err) == (0, "")
    assert (sent_at - datetime.now(UTC)).total_seconds() == pytest.approx(days * 86400, abs=60)


def test_another_time_zone_changes_no_time_in_a_report(run, site, monkeypatch):
    run("enrol", "--server", site.address, "--code", "ABC")
    for zone in ("Pacific/Chatham", "America/St_Johns", "UTC"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        run("run")
    monkeypatch.undo()
    time.tzset()

    for report in site.reports():
        assert report["taken_at"].endswith("Z")
        taken_at = datetime.fromisoformat(report["taken_at"])
        assert abs((taken_at - datetime.now(UTC)).total_seconds()) < 60


# ---- an upload that is cut --------------------------------------------------------------------


@contextmanager
def cut_after(port, count, then):
    """An entrance to `port` that passes on `count` bytes of a connection, then does `then`."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def pass_on():
            inside, _ = listening.accept()
            with inside, socket.create_connection(("127.0.0.1", port)) as outside:
                left = count
                while left > 0:
                    piece = inside.recv(min(left, 1 << 16))
                    outside.sendall(piece)
                    left -= len(piece)
                then()

        thread = threading.Thread(target=pass_on)
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        thread.join(timeout=20)


def test_a_server_killed_in_the_middle_of_an_upload_gets_the_report_once(run, tmp_path, state):
    with RealServer(tmp_path / "server") as real:
        run("enrol", "--server", real.address, "--code", real.code())
        with cut_after(real.port, 600, real.kill) as entrance:  # the headers take some 400 bytes
            status, _, err = run("run", *settings(tmp_path, entrance))
        real.start()
        kept = waiting(state)

        after = run("send")

        assert (status, kept) == (1, [1])
        assert "cannot be reached: " in err
        assert after == (0, "1 sent, 0 waiting\n", "")
        assert list(real.reports().values()) == [1]


def settings(folder, address):
    file = folder / "agent.toml"
    file.touch(0o644)
    file.write_text(f"server = '{address}'\n")
    return "--config", str(file)
