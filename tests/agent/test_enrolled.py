"""What the server's answers mean to an enrolled agent: tokens, versions of the wire, refusals."""

import json
from dataclasses import replace

import pytest

from flashworthy_agent import enrolled as module
from flashworthy_agent.config import Config
from flashworthy_agent.enrolled import EnrolledAgent
from flashworthy_agent.enrolment import enrol
from flashworthy_agent.errors import AnotherMachineError, NotEnrolledError
from flashworthy_agent.probes.access import access_to
from flashworthy_common.report import Why
from support.machines import NOW
from support.trees import SERIAL, grow


@pytest.fixture
def access(root):
    return access_to(root)


@pytest.fixture
def config(site):
    return Config(server=site.address)


@pytest.fixture
def new_run(folder, config, access):
    """A run of its own, as after a restart: its agent, whose newest report is kept."""
    enrol(folder, access, config, "ABC")

    def start():
        agent = EnrolledAgent(folder, config, now=lambda: NOW)
        agent.look_and_keep(access, Why.SCHEDULE)
        return agent

    return start


def deliver(agent):
    return agent.deliver(agent.spool.waiting())


def tokens(site):
    return [
        request.headers["Authorization"].removeprefix("Bearer ")
        for request in site.requests
        if request.path.endswith("/reports")
    ]


def test_an_agent_that_nobody_enrolled_is_none(folder):
    with pytest.raises(NotEnrolledError):
        EnrolledAgent(folder, Config())


def test_a_report_tells_the_digest_of_the_settings_and_the_place_in_force(
    new_run, site, folder, config, access
):
    new_run()
    settings = replace(config, place="Alder Lane")
    agent = EnrolledAgent(folder, settings)
    agent.look_and_keep(access, Why.SCHEDULE)

    deliver(agent)

    newest = site.reports()[-1]
    assert newest["agent"]["configuration_digest"] == settings.digest()
    assert newest["identity"]["place"] == "Alder Lane"


# ---- the machine ------------------------------------------------------------------------------


def test_on_another_machine_nothing_is_reported(new_run, folder, root, access):
    agent = new_run()
    grow(root, {SERIAL: "AL-0077\n"})

    with pytest.raises(AnotherMachineError):
        agent.look_and_keep(access, Why.SCHEDULE)
    with pytest.raises(AnotherMachineError):
        agent.require_same_machine(access)

    assert [one.sequence for one in agent.spool.waiting()] == [1]
    assert folder.load().sequence == 1


def test_what_an_agent_of_before_did_not_remember_is_learnt(new_run, folder):
    with folder.locked():
        folder.change(evidence=None)

    new_run()

    assert len(folder.load().evidence) == 1


# ---- tokens -----------------------------------------------------------------------------------


def test_a_token_is_renewed_when_the_server_asks(new_run, site, folder):
    site.is_rotation_due = True

    deliver(new_run())
    between = folder.load()
    deliver(new_run())

    assert tokens(site) == ["secret", "token 3"]
    assert (between.token, between.previous_token) == ("token 3", "secret")
    assert (folder.load().token, folder.load().previous_token) == ("token 3", None)


class Killed(BaseException):
    pass


def test_killed_before_the_new_token_is_kept_the_old_one_still_serves(
    new_run, site, folder, monkeypatch
):
    site.is_rotation_due = True
    agent = new_run()
    fetch = agent.server.new_token

    def killed():
        fetch()
        raise Killed

    monkeypatch.setattr(agent.server, "new_token", killed)
    with pytest.raises(Killed):
        deliver(agent)

    deliver(new_run())
    deliver(new_run())

    assert tokens(site) == ["secret", "secret", "token 5"]
    assert folder.load().previous_token is None


def test_a_new_token_that_the_server_forgot_gives_way_to_the_old_one(new_run, site, folder):
    site.is_rotation_due = True
    deliver(new_run())
    site.fetched_token = None  # its database came back from a copy of before
    site.is_rotation_due = False

    delivery = deliver(new_run())

    assert (delivery.acknowledged, delivery.stopped) == (1, None)
    assert tokens(site) == ["secret", "token 3", "secret"]
    assert (folder.load().token, folder.load().previous_token) == ("secret", None)


def test_a_run_goes_on_with_the_token_that_another_fetched_meanwhile(new_run, site, folder):
    first = new_run()
    site.is_rotation_due = True
    deliver(new_run())
    deliver(new_run())  # uses the new one, which ends the old one

    first.look_and_keep(access_to(folder.folder.parent / "root"), Why.SPOT)
    delivery = deliver(first)

    assert (delivery.acknowledged, delivery.stopped) == (1, None)


def test_a_success_with_the_old_token_keeps_it_beside_an_unused_new_one(new_run, site, folder):
    slow = new_run()
    site.is_rotation_due = True
    other = new_run()
    deliver(other)
    slow.look_and_keep(access_to(folder.folder.parent / "root"), Why.SPOT)
    site.is_rotation_due = False

    deliver(slow)

    assert (folder.load().token, folder.load().previous_token) == ("token 4", "secret")


def test_a_server_without_new_tokens_is_no_failure(new_run, site, monkeypatch):
    site.is_rotation_due = True
    answer = site.answer
    monkeypatch.setattr(
        site, "answer", lambda asked: (404, {}) if asked.path.endswith("/token") else answer(asked)
    )

    delivery = deliver(new_run())

    assert (delivery.acknowledged, delivery.stopped) == (1, None)
    assert delivery.notes[0].startswith("no new token: ")


def test_a_revoked_token_is_told_and_everything_stays(new_run, site):
    agent = new_run()
    site.token = "another"

    delivery = deliver(agent)

    assert "the token is unknown or revoked; enrol this machine again" in delivery.stopped
    assert not delivery.may_settle_soon
    assert len(agent.spool.waiting()) == 1


# ---- versions of the wire ---------------------------------------------------------------------


@pytest.fixture
def newer_agent(monkeypatch):
    """As if the wire had gone on to version 3."""
    monkeypatch.setattr(module, "WIRE_VERSION", 3)
    monkeypatch.setattr(
        "flashworthy_agent.encode.report_to_json",
        lambda report: {"wire": 3, "report_id": report.report_id, "sequence": report.sequence,
                        "of_version_3": "new"},
    )  # fmt: skip


@pytest.mark.usefixtures("newer_agent")
def test_an_older_server_gets_what_it_takes_and_people_are_told(new_run, site):
    new_run()

    delivery = deliver(new_run())

    assert [report["wire"] for report in site.reports()] == [3, 1, 1]
    assert delivery.acknowledged == 2
    assert delivery.notes == (
        "the server is older than this agent: it takes wire version 1, not 3, and does not see "
        "what came with the newer one",
    )


@pytest.mark.usefixtures("newer_agent")
def test_a_server_that_knows_the_version_gets_it(new_run, site):
    site.newest_wire = 3

    assert deliver(new_run()).notes == ()
    assert [report["wire"] for report in site.reports()] == [3]


@pytest.mark.usefixtures("newer_agent")
def test_of_the_versions_that_a_server_takes_the_newest_is_sent(new_run, site):
    site.newest_wire = 2

    assert deliver(new_run()).acknowledged == 1
    assert [report["wire"] for report in site.reports()] == [3, 2]


def test_a_server_that_takes_no_version_of_the_agents_refuses_for_good(new_run, site):
    site.newest_wire = 0
    agent = new_run()

    delivery = deliver(agent)

    assert len(site.reports()) == 1
    assert len(delivery.set_aside) == 1
    assert "answers 422: Unprocessable: wrong: wire" in delivery.set_aside[0]


# ---- set aside --------------------------------------------------------------------------------


def test_what_was_set_aside_can_be_queued_again(new_run, site, folder):
    site.refusals = {1: (413, "too large")}
    agent = new_run()
    deliver(agent)
    site.refusals = {}

    with folder.locked():
        queued = agent.spool.queue_again(agent.agent_id)
    delivery = deliver(agent)

    assert (queued, delivery.acknowledged) == (1, 1)
    assert list(folder.set_aside_folder.iterdir()) == []


def test_reports_of_another_agent_stay_aside(new_run, site, folder):
    site.refusals = {1: (413, "too large")}
    agent = new_run()
    deliver(agent)

    with folder.locked():
        assert agent.spool.queue_again("another") == 0

    assert len(agent.spool.set_aside()) == 1


def test_what_the_server_asks_for_is_passed_on(new_run, site):
    site.refusals, site.headers = {1: (429, "slow down")}, {"Retry-After": "90"}

    delivery = deliver(new_run())

    assert (delivery.may_settle_soon, delivery.retry_after_seconds) == (True, 90.0)
    assert "it asks to be left alone for 90 seconds" in delivery.stopped


def test_a_state_of_before_still_reads(new_run, folder):
    new_run()
    file = folder.folder / "state.json"
    kept = json.loads(file.read_text())
    later = {"previous_token", "next_run_at", "boot_id", "evidence"}
    file.write_text(json.dumps({name: kept[name] for name in kept.keys() - later}))

    assert new_run().agent_id == kept["agent_id"]
