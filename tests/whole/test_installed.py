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
from support.container import Container, make_root, need
from support.real_server import RealServer
from support.servers import free_port

pytestmark = pytest.mark.system

TOP = Path(__file__).parents[2]
NAME = "flashworthy.test"  # RFC 6761 §6.2
STATE = "/var/lib/flashworthy-agent"
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
    """Of an nginx that runs as `deploy/nginx/flashworthy.conf` says, but for names and ports."""
    need("nginx")
    port, certificate = free_port(), authority.vouch(f"DNS:{NAME}")
    site = (TOP / "deploy/nginx/flashworthy.conf").read_text()
    for ours, here in (
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("flashworthy.example", NAME),
        ("/etc/ssl/flashworthy/server.pem", str(certificate)),
        ("/etc/ssl/flashworthy/server-key.pem", str(certificate)),
        ("127.0.0.1:8470", f"127.0.0.1:{real.port}"),
    ):
        assert site.count(ours) >= 1, ours
        site = site.replace(ours, here)
    (folder / "site.conf").write_text(site)
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/nginx.pid; error_log {folder}/nginx.log;\n"
        f"events {{}}\nhttp {{ access_log off; include {folder}/site.conf; }}\n"
    )
    process = subprocess.Popen(["nginx", "-c", folder / "nginx.conf", "-e", folder / "nginx.log"])
    yield f"https://{NAME}:{port}"
    process.terminate()
    process.wait(timeout=20)


@pytest.fixture(scope="module")
def packages(folder):
    need("dpkg-deb")
    for version in ("0.1.0", "0.1.1"):
        subprocess.run(
            [TOP / "deploy/agent/build.sh", "deb", folder],
            env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "VERSION": version},
            check=True, capture_output=True,
        )  # fmt: skip
    return {path.name.split("_")[1]: path for path in folder.glob("*.deb")}


@pytest.fixture(scope="module")
def container(folder, address, authority, packages, real):
    root = make_root(folder / "root")
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


def install(container, version):
    container.succeed("dpkg", "--install", f"/root/flashworthy-agent_{version}_all.deb")


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


def test_purged_on_request_it_leaves_what_waits_and_nothing_else(container, real):
    real.kill()
    container.run("flashworthy-agent", "run")
    real.start()
    place(container.root, f"{STATE}/keep-spool", "")

    container.succeed("dpkg", "--purge", "flashworthy-agent")

    left = {path.name for path in (container.root / STATE.lstrip("/")).iterdir()}
    assert left == {"spool"}
    assert len(list((container.root / STATE.lstrip("/") / "spool").iterdir())) == 1


def test_purged_it_leaves_nothing(container):
    install(container, "0.1.1")

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
