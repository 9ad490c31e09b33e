"""Jobs: long work can be left and returned to, survives its worker, and never does half of it."""

import csv
import io
import json
import logging

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from flashworthy_server.cli import main
from flashworthy_server.errors import ConflictError, ForbiddenError, NotFoundError
from flashworthy_server.services import audit, jobs, long_work, policies, releases
from flashworthy_server.services.jobs import Result, State
from flashworthy_server.services.releases import ReleaseFilters
from flashworthy_server.services.who import Kind, Role, Who
from flashworthy_server.services.work import Worker
from flashworthy_server.tables import jobs as table
from support.site import KNOWLEDGE, RELEASE, WHO

TECHNICIAN = Who(kind=Kind.PERSON, name="Tom Arrow", role=Role.TECHNICIAN, address="192.0.2.7")


@pytest.fixture
def opened(site):
    """The site itself, with one machine that runs something older than the one release."""
    site.machine(1)
    return site.site


def started(site, **given):
    return jobs.start(site, TECHNICIAN, "a kind", "something", **given)


def seen(site, job_id):
    return jobs.view(site, TECHNICIAN, job_id)


def nothing_more(task):
    return Result({"read": task.content().decode()})


# ---- the life of a job ------------------------------------------------------------------------


def test_a_job_waits_is_done_and_tells_what_came_of_it(opened):
    job_id = started(opened, content=b"what was handed in")
    before = seen(opened, job_id)

    count = jobs.run_waiting(opened, {"a kind": nothing_more})

    after = seen(opened, job_id)
    assert (before.state, after.state, count) == ("waiting", "done", 1)
    assert after.result == {"read": "what was handed in"}
    assert after.ended_at == opened.clock()


def test_a_job_tells_how_far_it_has_come_and_is_held_meanwhile(opened, site):
    told = []

    def slow(task):
        for done in (1, 2, 3):
            site.clock.pass_by(seconds=1)
            task.progress("machines", done, 3)
            found = seen(opened, task.job.id)
            told.append((found.state, found.part, found.done, found.total))
            jobs.run(opened, {"a kind": nothing_more}, task.job.id)  # another worker comes by
        return Result(None)

    job_id = started(opened)
    jobs.run_waiting(opened, {"a kind": slow})

    assert told == [("running", "machines", done, 3) for done in (1, 2, 3)]
    assert seen(opened, job_id).tries == 1


def test_progress_within_a_transaction_of_the_job_is_not_waited_for(opened, site):
    def writing(task):
        with opened.database.writing():
            site.clock.pass_by(seconds=2)
            task.progress("releases", 1, 2)
        return Result(None)

    job_id = started(opened)
    jobs.run_waiting(opened, {"a kind": writing})

    assert seen(opened, job_id).state == "done"


def test_a_job_whose_worker_died_is_begun_anew_once_it_was_silent_long_enough(opened, site):
    job_id = started(opened)
    died_in_the_middle(opened, job_id)
    assert jobs.run_waiting(opened, {"a kind": nothing_more}) == 0

    site.clock.pass_by(minutes=3)

    assert jobs.run_waiting(opened, {"a kind": nothing_more}) == 1
    assert seen(opened, job_id).state == "done"


def died_in_the_middle(opened, job_id):
    """What a worker leaves behind that is killed in the middle of a job."""

    class Killed(BaseException):
        pass

    def killed(task):
        raise Killed

    with pytest.raises(Killed):
        jobs.run(opened, {"a kind": killed}, job_id)


def test_a_job_that_always_takes_its_worker_with_it_is_given_up(opened, site):
    job_id = started(opened)
    for _ in range(jobs.MOST_TRIES):
        died_in_the_middle(opened, job_id)
        site.clock.pass_by(minutes=3)

    jobs.run_waiting(opened, {"a kind": nothing_more})

    found = seen(opened, job_id)
    assert (found.state, found.result) == ("failed", {"says": "it was begun 3 times in vain"})


def test_what_a_worker_that_was_thought_dead_brings_is_not_kept(opened, site):
    def overtaken(task):
        site.clock.pass_by(minutes=3)
        jobs.run(opened, {"a kind": lambda other: Result("of the second")}, task.job.id)
        return Result("of the first")

    job_id = started(opened)
    jobs.run_waiting(opened, {"a kind": overtaken})

    assert seen(opened, job_id).result == "of the second"


def test_an_error_of_the_servers_own_ends_the_job_and_tells_no_details(opened, caplog):
    def broken(task):
        raise RuntimeError("the secret is 42")

    job_id = started(opened)
    other = started(opened)
    with caplog.at_level(logging.ERROR):
        jobs.run(opened, {"a kind": broken}, job_id)
    jobs.run_waiting(opened, {"a kind": nothing_more})

    says = seen(opened, job_id).result["says"]
    assert says == "an error of the server's own; its log has more"
    assert "the secret is 42" in caplog.text
    assert seen(opened, other).state == "done"


def test_a_job_is_seen_by_whoever_asked_for_it_and_by_administrators(opened):
    job_id = started(opened)
    other = Who(kind=Kind.PERSON, name="Eve Moss", role=Role.TECHNICIAN)

    with pytest.raises(ForbiddenError, match=f"job #{job_id} is somebody else's"):
        jobs.view(opened, other, job_id)

    assert jobs.list_jobs(opened, other, before=None, count=9) == ([], None)
    assert [each.id for each in jobs.list_jobs(opened, WHO, before=None, count=9)[0]] == [job_id]
    assert jobs.view(opened, WHO, job_id).asked_by == "person: Tom Arrow"


def test_a_job_that_is_not_there_is_said_to_be_forgotten_perhaps(opened):
    with pytest.raises(NotFoundError, match="there is no job #9; jobs are forgotten 30 days after"):
        seen(opened, 9)


def test_what_ended_long_ago_is_forgotten(opened, site):
    old = started(opened)
    jobs.run_waiting(opened, {"a kind": nothing_more})
    site.clock.pass_by(days=31)

    new = started(opened)

    assert [each.id for each in jobs.list_jobs(opened, WHO, before=None, count=9)[0]] == [new]
    assert new != old or seen(opened, new).state == "waiting"


def test_who_asked_is_told_in_the_audit_trail(opened):
    job_id = started(opened, given={"place": "Alder Lane"})

    entry = list(audit.all_entries(opened))[-1]
    assert (entry.who, entry.action) == ("person: Tom Arrow", "job.start")
    assert (entry.subject, json.loads(entry.after)["given"]) == (
        f"job #{job_id}",
        {"place": "Alder Lane"},
    )


def test_a_worker_does_jobs_until_it_is_stopped(opened, monkeypatch, caplog):
    worker, looks = Worker(opened), []

    def look(site, works):
        looks.append(works)
        if len(looks) == 1:
            raise RuntimeError("the disk is full")
        worker.stop()

    monkeypatch.setattr(jobs, "run_waiting", look)
    monkeypatch.setattr(worker._stop, "wait", lambda seconds: None)

    worker.do_jobs()

    assert looks == [long_work.WORKS] * 2
    assert "looking for jobs failed; it is tried again" in caplog.text


# ---- imports ----------------------------------------------------------------------------------

DOCUMENT = json.dumps(KNOWLEDGE).encode()


def compared(site, content=DOCUMENT, name="folio.json"):
    return seen(site, long_work.compare_document(site, TECHNICIAN, name, content))


def test_differences_are_shown_before_anything_is_recorded(opened):
    job = compared(opened)

    assert job.state == "done"
    assert job.result["tallies"]["releases"] == {"added": 1, "changed": 0, "unchanged": 0}
    assert [each["what"] for each in job.result["changes"]] == [
        "Quillmark Inc. Folio 14: 1.34",
        "QUILLMARK Folio 14",
    ]
    assert releases.count_releases(opened) == 0


def test_what_was_shown_is_recorded_once_however_often_it_is_asked_for(opened):
    job = compared(opened)

    first = long_work.record_document(opened, TECHNICIAN, job)
    second = long_work.record_document(opened, TECHNICIAN, job)

    assert first == second
    assert seen(opened, first).state == "done"
    assert releases.count_releases(opened) == 1
    recorded = [each.who for each in audit.all_entries(opened) if each.action == "release.add"]
    assert recorded == ["person: Tom Arrow"]


def test_nothing_is_recorded_but_what_was_shown(opened):
    job = compared(opened)
    releases.record_release(opened, WHO, RELEASE | {"minutes": 40})

    recorded = seen(opened, long_work.record_document(opened, TECHNICIAN, job))

    assert recorded.state == "failed"
    assert "look at them again; nothing was recorded" in recorded.result["says"]
    (stored,) = releases.all_releases(opened, ReleaseFilters())
    assert stored.release.minutes == 40


def test_an_import_whose_worker_died_after_it_was_recorded_is_no_failure(opened, site):
    job = compared(opened)
    recorded = jobs.start(
        opened,
        TECHNICIAN,
        long_work.RECORD_DOCUMENT,
        job.about,
        {"digest": job.result["digest"]},
        follows=job.id,
    )

    def killed_at_the_end(task):
        long_work.WORKS[long_work.RECORD_DOCUMENT](task)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        jobs.run(opened, {long_work.RECORD_DOCUMENT: killed_at_the_end}, recorded)
    site.clock.pass_by(minutes=3)
    jobs.run_waiting(opened, long_work.WORKS)

    found = seen(opened, recorded)
    assert (found.state, found.result["changes"]) == ("done", [])
    assert releases.count_releases(opened) == 1


def test_a_document_with_faults_names_each_with_its_line_and_cannot_be_recorded(opened):
    text = "machine_maker,models,version_text,minutes\nQuillmark,Folio 14,1.34,long\n"

    job = compared(opened, text.encode(), "folio.CSV")

    assert job.state == "failed"
    assert job.result["rows"] == [
        {
            "line": 2,
            "where": "releases[0].minutes",
            "reason": "expected a whole number from 0 to 4.29497e+09, got 'long'",
        }
    ]
    with pytest.raises(ConflictError, match="shows nothing that could be recorded"):
        long_work.record_document(opened, TECHNICIAN, job)


def test_nobody_records_what_somebody_else_compared(opened):
    job = compared(opened)

    with pytest.raises(ForbiddenError, match="only they may record it"):
        long_work.record_document(opened, WHO, job)


def test_a_large_document_waits_for_the_background(opened):
    releases_ = [RELEASE | {"models": [f"Folio {number}"]} for number in range(14, 150)]
    job = compared(opened, json.dumps({"releases": releases_}).encode())
    assert job.state == "waiting"

    jobs.run_waiting(opened, long_work.WORKS)
    job = seen(opened, job.id)
    record = long_work.record_document(opened, TECHNICIAN, job)
    jobs.run_waiting(opened, long_work.WORKS)

    assert (len(job.result["changes"]), job.result["more"]) == (100, 36)
    assert seen(opened, record).state == "done"
    assert releases.count_releases(opened) == 136


# ---- limits -----------------------------------------------------------------------------------


def effect(site, **limits):
    job_id = long_work.compare_policy(site, WHO, None, limits)
    return jobs.view(site, WHO, job_id)


def test_the_effect_of_limits_names_each_machine_whose_outcome_would_change(site, opened):
    site.know()
    site.machine(2, place="Mill Street")
    before = policies.view_policy(opened, None).set_here

    told = effect(opened, least_priority="immediate").result

    assert told["machines"] == 2
    (change,) = told["changes"]
    assert (change["then"], change["machines"]) == ("leave", 2)
    assert [each["name"] for each in told["named"]] == ["desk-001", "desk-002"]
    assert policies.view_policy(opened, None).set_here == before


def test_the_effect_at_one_place_looks_at_its_machines_alone(site, opened):
    site.machine(2, place="Mill Street / hall")

    job_id = long_work.compare_policy(opened, WHO, "Mill Street", {"charge_percent": 60})

    assert jobs.view(opened, WHO, job_id).result["machines"] == 1


def test_a_large_site_is_judged_in_the_background_with_progress(site, opened, monkeypatch):
    monkeypatch.setattr(long_work, "SMALL_MACHINES", 1)
    site.machine(2)
    job = effect(opened, charge_percent=60)
    assert job.state == "waiting"

    jobs.run_waiting(opened, long_work.WORKS)

    done = jobs.view(opened, WHO, job.id)
    assert (done.part, done.done, done.total) == ("machines", 2, 2)


def test_limits_that_somebody_set_since_are_not_overwritten(opened):
    proposed = policies.Proposed(**effect(opened, charge_percent=60).given)
    policies.set_limits(opened, TECHNICIAN, None, {"charge_percent": 70})

    with pytest.raises(ConflictError, match=r"Tom Arrow set other limits on .* look at the effect"):
        policies.set_limits(
            opened, WHO, proposed.place, proposed.limits, based_on=proposed.based_on
        )


def test_limits_that_are_set_twice_are_one_version(opened):
    for _ in range(2):
        policies.set_limits(opened, WHO, None, {"charge_percent": 60}, based_on=0)

    assert len(policies.view_policy(opened, None).versions) == 1


# ---- exports and files ------------------------------------------------------------------------


@pytest.mark.parametrize("format_", ["csv", "json"])
def test_an_export_can_be_imported_again_and_changes_nothing(site, opened, format_):
    site.post("/releases/import", KNOWLEDGE)
    job_id = long_work.export_releases(opened, TECHNICIAN, format_)
    jobs.run_waiting(opened, long_work.WORKS)

    content = jobs.output(opened, TECHNICIAN, job_id)
    again = compared(opened, content, f"releases.{format_}")

    assert again.result["changes"] == []
    assert again.result["tallies"]["releases"]["unchanged"] == 1


def test_an_export_tells_how_many_releases_are_written(site, opened):
    site.post("/releases/import", KNOWLEDGE)
    job_id = long_work.export_releases(opened, TECHNICIAN, "csv")
    jobs.run_waiting(opened, long_work.WORKS)

    found = seen(opened, job_id)

    assert (found.part, found.done, found.total) == ("releases", 1, 1)
    text = jobs.output(opened, TECHNICIAN, job_id).decode()
    assert next(csv.DictReader(io.StringIO(text)))["version_text"] == "1.34"


def test_a_job_without_a_file_says_so(opened):
    job_id = started(opened)
    jobs.run_waiting(opened, {"a kind": nothing_more})

    with pytest.raises(NotFoundError, match=f"no file came of job #{job_id}"):
        jobs.output(opened, TECHNICIAN, job_id)


def test_all_kept_files_are_read_in_the_background(site, opened):
    site.keep(b"the package of 1.29")
    job_id = long_work.verify_packages(opened, TECHNICIAN)

    jobs.run_waiting(opened, long_work.WORKS)

    assert seen(opened, job_id).result == {"intact": 1, "damaged": [], "unknown_files": []}


def test_reasons_are_weighed_by_other_inputs_in_a_job(site, opened):
    job_id = long_work.set_weighing(opened, WHO, {"exposure": "open"})

    job = jobs.view(opened, WHO, job_id)
    assert job.state == State.DONE.value
    assert {each["name"]: each["value"] for each in job.result}["exposure"] == "open"


def test_the_database_keeps_what_was_handed_in_small(opened):
    job_id = started(opened, content=b"0" * 100_000)

    with opened.database.reading() as connection:
        kept = connection.scalar(select(table.c.input).where(table.c.id == job_id))
    assert len(kept) < 1000


# ---- for programs and at the terminal ---------------------------------------------------------


def test_a_program_follows_a_job_and_fetches_what_came_of_it(site, opened):
    job_id = long_work.export_releases(opened, WHO, "csv")
    before = site.get(f"/jobs/{job_id}").json
    jobs.run_waiting(opened, long_work.WORKS)

    after = site.get(f"/jobs/{job_id}").json
    (listed,) = site.get("/jobs").json["jobs"]

    assert (before["state"], after["state"], listed) == ("waiting", "done", after)
    assert site.get(f"/jobs/{job_id}/output").text.startswith("machine_maker,models,version_text")
    assert site.get("/jobs/99/output").status_code == 404


def test_jobs_are_listed_and_fetched_at_the_terminal(opened, clock, url, tmp_path):
    job_id = long_work.export_releases(opened, WHO, "csv")
    jobs.run_waiting(opened, long_work.WORKS)

    def run(*words):
        return CliRunner().invoke(main, words, env={"FLASHWORTHY_DATABASE": url}, obj=clock)

    assert run("jobs", "list").output.splitlines()[-1].split() == [
        *("1", "releases.export", "releases.csv", "terminal:", "ida", "2026-05-04T10:00:00Z"),
        *("done", "-"),
    ]
    assert json.loads(run("jobs", "show", "1").output)["has_output"] is True
    assert json.loads(run("jobs", "list", "--json").output)[0]["id"] == job_id
    file = tmp_path / "all.csv"
    assert run("jobs", "fetch", "1", str(file)).output == f"{file}: {file.stat().st_size} bytes\n"
    assert "cannot write" in run("jobs", "fetch", "1", str(file)).output
