"""Killed at any moment, whatever the server does, the agent loses no report and doubles none.

Every moment at which a run touches the disk or the network is tried, with the real agent, the real
server and SIGKILL. Afterwards the server has each report that was in the spool exactly once; what
it refuses for good is set aside.
"""

import itertools
from pathlib import Path

import pytest

from support import gate
from support.mortal import Breeder
from support.real_server import RealServer
from support.servers import serving
from support.trees import grow, supply

TREE = {
    "/sys/class/dmi/id/bios_vendor": "Brightwater\n",
    "/sys/class/dmi/id/bios_version": "K1.29\n",
    "/sys/class/dmi/id/product_serial": "AL-0042\n",
    "/proc/sys/kernel/hostname": "reading-room-4\n",
    **supply("AC", type="Mains", online=1),
}

KILLS: list[bool] = []  # one for each agent that was started in this module


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    with RealServer(tmp_path_factory.mktemp("real")) as server:
        yield server


@pytest.fixture(scope="module")
def breeder():
    with Breeder() as process:
        yield process


class Site:
    """One agent before a gate before the real server, and what it ever had in its spool."""

    def __init__(self, folder: Path, breeder: Breeder, entrance: gate.Gate) -> None:
        self.state = folder / "state"
        self.gate = entrance
        self.spooled: set[str] = set()
        self._breeder = breeder
        self._options = ("--root", str(grow(folder / "root", TREE)), "--state", str(self.state))

    def run(self, command, *arguments, mood="up", **fate):
        self.gate.mood = mood
        end = self._breeder.run(command, *self._options, *arguments, **fate)
        self.spooled |= set(end.spooled)
        KILLS.append(end.status is None)
        return end

    def waiting(self):
        return list((self.state / "spool").glob("*.json.gz"))

    def aside(self):
        names = (file.name for file in (self.state / "set-aside").glob("*.json.gz"))
        return {name.removesuffix(".json.gz").rpartition("_")[2] for name in names}


@pytest.fixture
def site(tmp_path, breeder, real):
    with gate.before(real.port) as entrance:
        made = Site(tmp_path, breeder, entrance)
        end = made.run("enrol", "--server", entrance.address, "--code", real.code())
        assert end.status == 0
        yield made


def kill_at_every_moment(site, mood, every=1):
    """Kill a run at each moment that it comes to, with a report of before in the spool."""
    for number in itertools.count(step=every):
        end = kill_at(site, mood, number)
        if end.status is not None:
            break
        if end.moments[-1] == "fsync":
            kill_at(site, mood, number, torn=True)
    assert number > 10


def kill_at(site, mood, number, **fate):
    site.run("run", mood="down")
    end = site.run("run", mood=mood, kill_at=number, **fate)
    site.run("send")
    assert site.waiting() == []
    return end


def assert_exactly_once(site, real):
    there = real.reports()
    assert {report_id for report_id in site.spooled if there[report_id] != 1} == site.aside()
    assert max(there.values()) == 1
    assert list(site.state.glob("**/*.unfinished")) == []
    reasons = {file.name.removesuffix(".reason.txt") for file in site.state.glob("*/*.reason.txt")}
    assert len(reasons) == len(site.aside())


def test_killed_now_and_then_no_report_is_lost_or_doubled(site, real):
    kill_at_every_moment(site, "up", every=6)

    site.run("run")
    assert_exactly_once(site, real)
    assert site.aside() == set()


@pytest.mark.system
@pytest.mark.parametrize("mood", [mood for mood in gate.MOODS if mood != "413"])
def test_killed_at_every_moment_no_report_is_lost_or_doubled(site, real, mood):
    kill_at_every_moment(site, mood)

    site.run("run")
    assert_exactly_once(site, real)
    assert site.aside() == set()


@pytest.mark.system
def test_killed_while_reports_are_set_aside_none_is_lost(site, real):
    kill_at_every_moment(site, "413")

    site.run("run")
    assert_exactly_once(site, real)
    assert site.aside()
    site.run("send", "--again")
    assert site.aside() == set()
    assert_exactly_once(site, real)


@pytest.mark.system
def test_killed_while_reports_are_queued_again_none_is_lost(site, real):
    site.run("run", mood="413")
    site.run("run", mood="413")
    for number in itertools.count():
        if site.run("send", "--again", mood="413", kill_at=number).status is not None:
            break

    site.run("send", "--again")

    assert_exactly_once(site, real)
    assert site.aside() == set()


def test_killed_while_it_joins_it_stays_one_machine(tmp_path, breeder, real):
    with gate.before(real.port) as entrance:
        site = Site(tmp_path, breeder, entrance)
        joining = ("enrol", "--server", entrance.address, "--code", real.code())
        site.run(*joining)
        before = real.machines()
        for number in itertools.count(step=3):
            if site.run(*joining, kill_at=number).status is not None:
                break

        assert site.run(*joining).status == 0
        assert real.machines() == before
        assert site.run("run").status == 0


@pytest.mark.system
def test_killed_while_its_token_is_renewed_it_still_reports(tmp_path, breeder):
    with serving() as server:
        site = Site(tmp_path, breeder, gate.Gate(server.address))
        site.run("enrol", "--server", server.address, "--code", "ABC")
        for number in itertools.count():
            server.is_rotation_due = True
            end = site.run("run", kill_at=number)
            server.is_rotation_due = False
            assert site.run("run").status == 0
            assert site.waiting() == []
            if end.status is not None:
                break

        assert number > 10


def test_a_server_killed_in_the_middle_of_an_upload_has_the_report_once(site, real):
    real.kill()
    refused = site.run("run")
    real.start()

    sent = site.run("send")

    assert (refused.status, sent.status) == (1, 0)
    assert_exactly_once(site, real)


@pytest.mark.system
def test_there_were_enough_kills_to_speak_of():
    assert sum(KILLS) >= 100  # all tests of this module together
