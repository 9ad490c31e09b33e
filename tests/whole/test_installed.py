"""The Debian package, installed for real, and the single file.

The timer fires, the report arrives over TLS through nginx with a private authority, and upgrade and
removal leave what they should.

One story in one container, told in order: each step starts where the one before it ended.
"""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from support.authority import Authority
from support.container import Container, copy_root, need
from support.front import NAME, tls_before
from support.real_server import RealServer

pytestmark = pytest.mark.system

TOP = Path(__file__).parents[2]
STATE = "/var/lib/flashworthy-agent"
KILLS = 8  # of each kind, evenly over the time that it takes
OUR_OWN = {"/etc/systemd/system/flashworthy-agent.timer.d", "/etc/flashworthy/authority.pem"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("installed")


@pytest.fixture(scope="module")
def real(folder):
    with RealServer(folder / "server") as server:
        yield server


@pytest.fixture(scope="module")
def authority(folder):
    return Authority(folder / "authority")


@pytest.fixture(scope="module")
def address(folder, real, authority):
    need("nginx")
    with tls_before(real.port, folder, authority) as address:
        yield address


@pytest.fixture(scope="module")
def container(folder, address, authority, packages, pristine_root, real):
    root = copy_root(pristine_root, folder / "root")
    place(root, "/etc/hosts", f"127.0.0.1 localhost {NAME}\n")
    place(root, "/etc/flashworthy/authority.pem", authority.file.read_text())
    place(
        root,
        "/etc/flashworthy/agent.toml",
        f'server = "{address}"\nca_file = "/etc/flashworthy/authority.pem"\n'
        'place = "Alder Lane / cellar"\n',
    )
    place(root, f"{STATE}/enrolment-code", real.code() + "\n", mode=0o600)
    (root / STATE.lstrip("/")).chmod(0o700)
    place(
        root,
        "/etc/systemd/system/flashworthy-agent.timer.d/soon.conf",
        "[Timer]\nOnCalendar=\nOnCalendar=*:*:0/3\nRandomizedDelaySec=0\nAccuracySec=1s\n",
    )
    for package in packages.values():
        shutil.copy(package, root / "root")
    with Container(root) as booted:
        yield booted


def place(root, path, text, mode=0o644):
    file = root / path.lstrip("/")
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)
    file.chmod(mode)


def installing(version):
    return ("dpkg", "--install", f"/root/flashworthy-agent_{version}_all.deb")


def install(container, version):
    container.succeed(*installing(version))


def seconds_of(act):
    started = time.monotonic()
    act()
    return time.monotonic() - started


def state_of(container):
    return json.loads((container.root / STATE.lstrip("/") / "state.json").read_text())


def wait_for(is_so, seconds=60.0):
    deadline = time.monotonic() + seconds
    while not (found := is_so()) and time.monotonic() < deadline:
        time.sleep(0.5)
    return found


def test_the_timer_fires_and_the_report_arrives(container, real):
    install(container, "0.1.0")

    assert wait_for(real.reports), container.run("journalctl", "-u", "flashworthy-agent").stdout
    report = real.newest_report()
    assert (report["why"], report["agent"]["version"]) == ("start-up", "0.1.0")
    assert report["identity"]["place"] == "Alder Lane / cellar"
    assert report["software"]["os_name"].startswith("Debian")
    assert [run for run in report["agent"]["probes"] if run.get("failure")] == []


def test_it_joined_silently_and_the_code_is_gone(container):
    assert state_of(container)["machine_id"]
    assert not (container.root / STATE.lstrip("/") / "enrolment-code").exists()


def test_it_examines_itself_and_finds_nothing_to_mend(container):
    found = container.succeed("flashworthy-agent", "examine")

    assert "mend" not in found
    assert f"https://{NAME}:" in found


def test_the_service_is_as_confined_as_it_says(container):
    units = ("flashworthy-agent.service", "flashworthy-agent.timer")
    verified = container.run("systemd-analyze", "verify", *units)
    judged = container.succeed("systemd-analyze", "security", "--no-pager", units[0])

    assert (verified.returncode, verified.stderr) == (0, "")
    exposure = float(judged.partition("Overall exposure level for ")[2].split()[1])
    assert exposure <= 3.5


def test_no_process_stays_behind_a_run(container):
    def shown():
        asked = "--property=MainPID,ActiveState"
        return container.succeed("systemctl", "show", asked, "flashworthy-agent.service")

    assert wait_for(lambda: "MainPID=0" in shown()), shown()  # the run that the timer started ends
    assert "ActiveState=failed" not in shown()


def test_the_journal_has_what_it_did_and_nothing_of_idle_calls(container):
    told = container.succeed("journalctl", "--unit", "flashworthy-agent.service", "--output", "cat")

    assert "1 sent, 0 waiting\n" in told
    assert "Finished" not in told


def test_an_upgrade_keeps_who_it_is_and_tells_the_new_version(container, real):
    before = state_of(container)
    install(container, "0.1.1")

    container.succeed("flashworthy-agent", "run")

    assert state_of(container)["agent_id"] == before["agent_id"]
    assert real.newest_report()["agent"]["version"] == "0.1.1"
    assert container.succeed("systemctl", "is-active", "flashworthy-agent.timer") == "active\n"


def test_removed_and_installed_again_it_is_still_enrolled(container):
    before = state_of(container)["agent_id"]

    container.succeed("dpkg", "--remove", "flashworthy-agent")
    assert container.run("systemctl", "is-active", "flashworthy-agent.timer").returncode != 0
    assert not (container.root / "usr/lib/flashworthy-agent").exists()
    install(container, "0.1.1")

    assert state_of(container)["agent_id"] == before
    container.succeed("flashworthy-agent", "send")


def test_an_upgrade_killed_at_any_moment_leaves_an_agent_that_works(container):
    before = state_of(container)["agent_id"]
    seconds = seconds_of(lambda: install(container, "0.1.0"))
    in_time = 0

    for number in range(KILLS):
        version = ("0.1.1", "0.1.0")[number % 2]
        in_time += container.run_killed(seconds * number / KILLS, *installing(version))
        container.succeed("flashworthy-agent", "status")

        install(container, version)

        told = container.succeed("flashworthy-agent", "--version")
        assert told == f"flashworthy-agent {version}\n"
        assert container.succeed("systemctl", "is-active", "flashworthy-agent.timer") == "active\n"
    assert in_time > KILLS / 2
    assert state_of(container)["agent_id"] == before
    container.succeed("flashworthy-agent", "run")


def test_purged_on_request_it_leaves_what_waits_and_nothing_else(container, real):
    real.kill()
    container.run("flashworthy-agent", "run")
    real.start()
    place(container.root, f"{STATE}/keep-spool", "")

    container.succeed("dpkg", "--purge", "flashworthy-agent")

    assert_only_spool_is_left(container)


def assert_only_spool_is_left(container):
    state = container.root / STATE.lstrip("/")
    assert {path.name for path in state.iterdir()} == {"spool", "keep-spool"}
    assert len(list((state / "spool").iterdir())) == 1


def test_a_purge_killed_at_any_moment_is_repeated_and_keeps_what_was_asked_for(container):
    install(container, "0.1.1")
    purging = ("dpkg", "--purge", "flashworthy-agent")
    seconds = seconds_of(lambda: container.succeed(*purging))
    in_time = 0

    for number in range(KILLS):
        install(container, "0.1.1")
        place(container.root, f"{STATE}/plan.json", "{}")
        in_time += container.run_killed(seconds * number / KILLS, *purging)

        container.succeed(*purging)

        assert_only_spool_is_left(container)
    assert in_time > KILLS / 2


def test_purged_it_leaves_nothing(container):
    install(container, "0.1.1")
    container.succeed("rm", f"{STATE}/keep-spool")

    container.succeed("dpkg", "--purge", "flashworthy-agent")

    found = container.succeed(
        "find", "/etc", "/usr", "/lib", "/var", "/run", "/tmp", "-name", "*flashworthy*"
    ).split()
    known = {"/etc/flashworthy", *OUR_OWN}
    assert {path for path in found if "/dpkg/" not in path} - known == set()


# ---- the single file --------------------------------------------------------------------------


def test_the_single_file_needs_nothing_but_python(folder, real, tmp_path):
    built = subprocess.run(
        [TOP / "deploy/agent/build.sh", "pyz", folder],
        env=os.environ | {"PYTHON": sys.executable},
        capture_output=True, text=True,
    )  # fmt: skip
    assert built.returncode == 0, built.stderr
    # isolated and without site-packages: what it does not carry, it does not have
    agent = [sys.executable, "-I", "-S", folder / "flashworthy-agent.pyz"]
    options = ["--root", tmp_path / "root", "--state", tmp_path / "state"]
    (tmp_path / "root").mkdir()

    def run(*arguments):
        return subprocess.run([*agent, *arguments, *options], capture_output=True, text=True)

    assert run("enrol", "--server", real.address, "--code", real.code()).returncode == 0
    sent = run("run")

    assert (sent.returncode, sent.stdout) == (0, "report 1 made, 1 sent, 0 waiting\n")
    assert run("run", "--when-due").stdout == "1 sent, 0 waiting\n"
    assert run("status", "--nonsense").returncode == 2
