"""What the timer's calls do: most nothing, some a report, and never two at once."""

from datetime import timedelta

import pytest

from flashworthy_agent import pace
from flashworthy_agent.config import Config
from flashworthy_agent.enrolment import enrol
from flashworthy_agent.errors import (
    AnotherMachineError,
    BusyError,
    NotEnrolledError,
    ServerUnavailableError,
)
from flashworthy_agent.probes.access import access_to
from flashworthy_agent.schedule import Schedule
from support.machines import NOW
from support.trees import SERIAL, grow


class Clock:
    """Time that passes only by waiting."""

    def __init__(self):
        self.time = NOW
        self.waited = []

    def now(self):
        return self.time

    def wait(self, seconds):
        self.waited.append(seconds)
        self.time += timedelta(seconds=seconds)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def call(folder, site, root, clock):
    """One call of the timer."""

    def run(environment=None, boot_id="start 1"):
        config = Config(server=site.address)
        return Schedule(
            folder,
            config,
            lambda: access_to(root),
            boot_id,
            environment or {},
            clock.wait,
            clock.now,
        ).run_when_due()

    return run


@pytest.fixture
def enrolled(folder, site, root):
    return enrol(folder, access_to(root), Config(server=site.address), "ABC")


def is_regular(folder, enrolled):
    """Whether the next run is due at the agent's own moment; times are kept to the millisecond."""
    regular = pace.next_regular(enrolled.agent_id, NOW, 3600)
    return abs(folder.load().next_run_at - regular) < timedelta(milliseconds=1)


def whys(site):
    return [report["why"] for report in site.reports()]


def test_the_first_call_after_a_start_of_the_system_reports_it(call, enrolled, site, folder):
    call()
    call()
    call(boot_id="start 2")

    assert whys(site) == ["start-up", "start-up"]
    assert folder.load().boot_id == "start 2"


def test_after_a_report_it_is_not_time_until_the_agents_own_moment(call, enrolled, clock, folder):
    call()

    assert call() is None
    assert call(boot_id=None) is None
    assert clock.waited == []
    assert is_regular(folder, enrolled)


def test_a_moment_before_the_next_call_is_waited_for(call, enrolled, clock, folder, site):
    call()
    moment = folder.load().next_run_at
    clock.time = moment - timedelta(seconds=500)

    assert call().acknowledged == 1

    assert clock.waited == [500]
    assert whys(site) == ["start-up", "schedule"]
    ahead = folder.load().next_run_at - moment
    assert abs(ahead - timedelta(hours=1)) < timedelta(milliseconds=2)


@pytest.mark.parametrize("days", [-1, 1])
def test_a_clock_that_was_a_day_off_delays_no_report(call, enrolled, clock, folder, site, days):
    clock.time = NOW + timedelta(days=days)
    call()
    clock.time = NOW

    call()

    assert whys(site) == ["start-up", "schedule"]
    assert is_regular(folder, enrolled)


def test_a_server_that_is_away_is_tried_once_more_and_then_at_the_next_moment(
    call, enrolled, clock, site, folder
):
    site.refusals = {1: (503, "away")}

    delivery = call()

    assert delivery.may_settle_soon
    assert clock.waited == [pace.pause_seconds(enrolled.agent_id)]
    assert len(site.reports()) == 2
    assert is_regular(folder, enrolled)


def test_when_the_server_is_back_the_newest_report_comes_first(call, enrolled, clock, site, folder):
    site.refusals = {1: (503, "away")}
    call()
    site.refusals = {}
    clock.time = folder.load().next_run_at

    delivery = call()

    assert delivery.acknowledged == 2
    assert [report["sequence"] for report in site.reports()] == [1, 1, 2, 1]


def test_two_runs_at_once_are_refused(call, enrolled, folder, site):
    with folder.alone(), pytest.raises(BusyError, match="another run of this agent is under way"):
        call()

    assert site.reports() == []


# ---- joining silently -------------------------------------------------------------------------


def test_without_a_code_an_agent_that_nobody_enrolled_says_so(call):
    with pytest.raises(NotEnrolledError):
        call()


def test_a_code_in_the_environment_lets_it_join(call, site):
    assert call({"FLASHWORTHY_CODE": "ABC"}).acknowledged == 1

    assert site.requests[0].data["code"] == "ABC"


def test_a_code_in_the_state_folder_lets_it_join_and_is_gone_then(call, site, folder):
    grow(folder.folder, {"enrolment-code": "DEF\n"})
    folder.folder.chmod(0o700)
    (folder.folder / "enrolment-code").chmod(0o600)

    assert call().acknowledged == 1

    assert site.requests[0].data["code"] == "DEF"
    assert not (folder.folder / "enrolment-code").exists()


def test_a_code_stays_until_the_server_is_there(folder, root, clock):
    grow(folder.folder, {"enrolment-code": "DEF\n"})
    folder.folder.chmod(0o700)
    (folder.folder / "enrolment-code").chmod(0o600)
    away = Config(server="http://127.0.0.1:9")

    with pytest.raises(ServerUnavailableError):
        Schedule(
            folder, away, lambda: access_to(root), None, {}, clock.wait, clock.now
        ).run_when_due()

    assert (folder.folder / "enrolment-code").exists()


def test_on_another_machine_nothing_is_reported_without_a_code(call, enrolled, root, site):
    grow(root, {SERIAL: "AL-0077\n"})

    with pytest.raises(AnotherMachineError):
        call()

    assert site.reports() == []


def test_on_another_machine_it_joins_anew_with_a_code(call, enrolled, root, site, folder):
    site.refusals = {1: (503, "away")}
    call()
    site.refusals = {}
    grow(root, {SERIAL: "AL-0077\n"})

    assert call({"FLASHWORTHY_CODE": "ABC"}, boot_id="start 2").acknowledged == 1

    old, new = site.reports()[0], site.reports()[-1]
    assert new["identity"]["system_serial"] == "AL-0077"
    assert new["sequence"] == 1
    assert new["agent_id"] not in (old["agent_id"], enrolled.agent_id)
    assert len(list(folder.set_aside_folder.glob("*.json.gz"))) == 1
