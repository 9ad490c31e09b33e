"""What is due is judged in the background: by one worker at a time, and after a restart too."""

from dataclasses import replace

import pytest
from sqlalchemy import select

from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.readiness import Moment, assess
from flashworthy_common.report import SECTIONS, Component
from flashworthy_server.config import config_from
from flashworthy_server.services import judgement, policies
from flashworthy_server.services import machines as machine_service
from flashworthy_server.services.work import Worker
from flashworthy_server.site import open_site
from flashworthy_server.store.verdicts import NOT_JUDGED
from flashworthy_server.tables import machines
from support.machines import NEED, NOW, a_machine
from support.site import KNOWLEDGE, RELEASE, WHO

OLD_EVIDENCE = "look again on the spot"


@pytest.fixture
def due(site):
    """A site with one machine whose report has grown old: it must be looked at again."""
    site.post("/releases/import", KNOWLEDGE)
    site.machine(1)
    site.clock.pass_by(hours=25)
    return site


def kept_sentence(site):
    with site.site.database.reading() as connection:
        return connection.scalar(select(machines.c.sentence))


def another_process(site):
    """The same database, opened anew."""
    return open_site(config_from({"database": site.url}), site.clock)


def test_a_round_judges_what_is_due_although_nothing_was_reported(due):
    before = kept_sentence(due)

    assert Worker(due.site).round()

    assert OLD_EVIDENCE not in before
    assert OLD_EVIDENCE in kept_sentence(due)


def test_lists_do_not_wait_for_the_worker(due):
    listed = due.get("/machines").json["machines"][0]["sentence"]

    Worker(due.site).round()

    assert listed == kept_sentence(due)


def test_two_workers_do_not_work_at_the_same_time(due, monkeypatch):
    first, other = Worker(due.site), another_process(due)
    rounds = []
    monkeypatch.setattr(judgement, "work_some", lambda site: rounds.append(Worker(other).round()))

    assert first.round()

    assert rounds == [False]
    other.database.close()


def test_a_worker_that_ends_is_followed_by_another(due):
    other = another_process(due)

    assert Worker(due.site).round()

    assert Worker(other).round()
    other.database.close()


def test_what_is_due_survives_a_restart(due):
    restarted = another_process(due)

    Worker(restarted).round()

    assert OLD_EVIDENCE in kept_sentence(due)
    restarted.database.close()


def test_a_round_that_fails_is_told_and_the_next_is_tried(due, monkeypatch, caplog):
    worker, rounds = Worker(due.site), []

    def fail_first():
        rounds.append(len(rounds))
        if len(rounds) == 1:
            raise RuntimeError("the disk is full")
        worker.stop()

    monkeypatch.setattr(worker, "round", fail_first)
    monkeypatch.setattr(worker._stop, "wait", lambda seconds: None)

    worker.work()

    assert rounds == [0, 1]
    assert "working in the background failed; it is tried again" in caplog.text
    assert "the disk is full" in caplog.text


def test_a_machine_is_judged_the_same_without_the_sections_that_are_not_read_for_it():
    told = {"smbios_uuid": "6f1c2e4a-9b1d-4c7e-8a55-000000000001", "hostname": "desk-001"}
    drive = Component(kind="drive", name="A drive", version_text="QD01.1")
    whole = a_machine(identity=told, components={"items": (drive,)})
    left_out = {name: SECTIONS[name]() for name in NOT_JUDGED}
    read = replace(whole, report=replace(whole.report, **left_out))

    verdicts = [
        [assess(each, NEED, DEFAULT_POLICY, moment, NOW) for moment in Moment]
        for each in (whole, read)
    ]

    assert read.report != whole.report
    assert verdicts[0] == verdicts[1]


# ---- more than one batch ---------------------------------------------------------------------


@pytest.fixture
def large(site):
    """Five machines, of which two are judged at a time."""
    object.__setattr__(site.site.config, "reassess_batch_machines", 2)
    for number in range(1, 6):
        site.machine(number)
    return site


def test_new_knowledge_holds_for_standings_at_once_and_says_how_far_verdicts_are(large):
    large.post("/releases/import", KNOWLEDGE)

    found = large.get("/overview").json

    assert found["standings"]["behind"] == 5
    assert found["judging"] == {"since": "2026-05-04T10:00:00Z", "total": 5, "done": 4}
    assert found["outcomes"]["undecided"] == 1


def test_what_is_left_is_judged_in_the_background_and_after_a_restart(large):
    large.know()
    restarted = another_process(large)

    Worker(restarted).round()

    found = large.get("/overview").json
    assert (found["outcomes"]["clear"], found["judging"]) == (5, None)
    restarted.database.close()


def test_one_machine_does_not_wait_for_its_turn(large):
    object.__setattr__(large.site.config, "reassess_batch_machines", 1)
    large.post("/releases/import", KNOWLEDGE)

    assert large.get("/machines/5").json["machine"]["outcome"] == "prepare"
    assert large.get("/machines?limit=5").json["machines"][4]["outcome"] == "prepare"
    assert large.get("/overview").json["judging"] is not None


def test_what_is_recorded_while_others_are_judged_is_followed_too(large):
    large.know()
    large.post("/releases", {**RELEASE, "version_text": "1.40"})

    Worker(large.site).round()

    rows = large.get("/machines").json["machines"]
    assert {"1.40" in row["sentence"] for row in rows} == {True}
    assert large.get("/overview").json["judging"] is None


def test_new_limits_of_a_place_are_followed_for_its_machines(large):
    for number in (1, 2, 3):
        machine_service.move(large.site, WHO, number, f"Alder Lane / room {number}")
    Worker(large.site).round()

    policies.set_limits(large.site, WHO, "Alder Lane", {"desk_report_age_seconds": 60})

    assert large.get("/overview").json["judging"] == {
        "since": "2026-05-04T10:00:00Z",
        "total": 3,
        "done": 2,
    }
    Worker(large.site).round()
    assert large.get("/overview").json["judging"] is None
