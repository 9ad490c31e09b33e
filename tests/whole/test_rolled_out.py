"""Many machines as an administrator brings them in: the commands of README, one for each machine.

Three containers, each with a made-up SMBIOS table and ESRT of its own, get the same files and the
package. Each joins by itself and reports over TLS through a real nginx, whose certificate a private
authority vouches for.
"""

import re
import shlex
import shutil
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from support.authority import Authority
from support.container import Container, copy_root, need
from support.firmware_tree import ESRT_ENTRY, FIRMWARE_CLASS, grow_firmware
from support.front import NAME, tls_before
from support.real_server import RealServer

pytestmark = pytest.mark.system

README = Path(__file__).parents[2] / "README.md"
NUMBERS = (1, 2, 3)
PATIENCE_SECONDS = 90.0
SOON = "[Timer]\nOnActiveSec=2s\nRandomizedDelaySec=0\nAccuracySec=1s\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("rolled-out")


@pytest.fixture(scope="module")
def real(folder):
    with RealServer(folder / "server") as server:
        yield server


@pytest.fixture(scope="module")
def machines(folder, pristine_root):
    """Three containers with nothing but a Debian, a name for the server, and little patience."""
    with ExitStack() as stack:
        yield [stack.enter_context(machine(folder, pristine_root, each)) for each in NUMBERS]


def machine(folder, pristine_root, number):
    root = copy_root(pristine_root, folder / f"root-{number}")
    (root / "etc/hosts").write_text(f"127.0.0.1 localhost {NAME}\n")
    sooner = root / "etc/systemd/system/flashworthy-agent.timer.d/soon.conf"
    sooner.parent.mkdir()
    sooner.write_text(SOON)
    firmware = grow_firmware(folder / f"firmware-{number}", number)
    return Container(root, hostname=f"reading-room-{number}", firmware=firmware)


@pytest.fixture(scope="module")
def prepared(folder, real, packages):
    """The folder from which README's commands are given."""
    need("nginx")
    authority = Authority(folder / "authority")
    with tls_before(real.port, folder, authority) as address:
        (folder / "agent.toml").write_text(
            f'server = "{address}"\nca_file = "/etc/flashworthy/authority.pem"\n'
            'place = "Alder Lane / reading room"\n'
        )
        (folder / "code").write_text(f"{real.code()}\n")
        shutil.copy(authority.file, folder)
        shutil.copy(packages["0.1.0"], folder)
        give(folder, block_of_readme("install -D").replace("VERSION", "0.1.0"))
        yield folder


def block_of_readme(beginning):
    (block,) = re.findall(
        rf"^```\n({re.escape(beginning)}.*?)^```$", README.read_text(), re.M | re.S
    )
    return block


def give(folder, commands):
    subprocess.run(["sh", "-e", "-c", commands], cwd=folder, check=True, capture_output=True)


def wait_until(is_so):
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not is_so() and time.monotonic() < deadline:
        time.sleep(0.5)


@pytest.fixture(scope="module")
def reports(prepared, machines, real):
    """The newest report of each machine, by system serial, after one command for each."""
    command = block_of_readme("tar -C to-roll-out")
    for container in machines:
        inside = f"{shlex.join(container.entrance)} sh -c"
        give(prepared, command.replace("ssh root@MACHINE", inside))
    wait_until(lambda: len(real.reports()) >= len(NUMBERS))
    return {report["identity"]["system_serial"]: report for report in real.newest_reports()}


def test_each_machine_joins_by_itself_and_reports(reports, real):
    assert sorted(reports) == ["AL-0001", "AL-0002", "AL-0003"]
    assert real.machines() == len(NUMBERS)
    for report in reports.values():
        assert report["identity"]["place"] == "Alder Lane / reading room"
        assert [run for run in report["agent"]["probes"] if run.get("failure")] == []


def test_all_of_it_went_through_the_proxy_with_tls(reports, prepared):
    asked = (prepared / "access.log").read_text()

    assert asked.count("POST /api/v1/enrolments") == len(NUMBERS)
    assert asked.count("POST /api/v1/reports") >= len(NUMBERS)


def test_confined_as_it_is_the_service_reads_what_is_for_root_only(reports):
    for number in NUMBERS:
        report = reports[f"AL-{number:04}"]
        assert report["identity"]["board_serial"] == f"MB-{number}"
        (entry,) = report["firmware"]["esrt"]
        assert entry["firmware_class"] == FIRMWARE_CLASS
        assert entry["last_attempt_status"] == ESRT_ENTRY["last_attempt_status"]


def test_nothing_is_left_to_mend_and_the_code_is_gone(reports, machines):
    for container in machines:
        found = container.succeed("flashworthy-agent", "examine")
        assert "mend" not in found
        assert not (container.root / "var/lib/flashworthy-agent/enrolment-code").exists()
