"""Reports that wait together are one transaction, and each of them is answered for itself."""

import json
import os
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import replace

import pytest
from sqlalchemy import select

from flashworthy_server.db import Database
from flashworthy_server.errors import (
    BusyError,
    ConflictError,
    InvalidTokenError,
    NoSpaceError,
    ServerError,
)
from flashworthy_server.intake import Bounds, Intake
from flashworthy_server.services import ingest, judgement
from flashworthy_server.services.ingest import Arrival, Taken
from flashworthy_server.tables import reports
from flashworthy_server.wire import read_report
from support.site import a_sent_report

BOUNDS = Bounds(most_waiting=10, most_together=10, wait_seconds=30)
PATIENCE_SECONDS = 30


class Gate:
    """Writes batches; each has to wait until the gate is opened for it."""

    def __init__(self):
        self.batches = []
        self.opened = threading.Semaphore(0)
        self.begun = threading.Semaphore(0)

    def write(self, take):
        items = take()
        self.batches.append(list(items))
        self.begun.release()
        assert self.opened.acquire(timeout=PATIENCE_SECONDS)
        return [f"{item} is kept" for item in items]


@contextmanager
def handing_in(intake, gate, items, bounds=BOUNDS):
    """Hand items in, each from a thread of its own, and none before the one before waits."""
    answers = {}

    def hand_in(item):
        try:
            answers[item] = intake.hand_in(item, gate.write, bounds)
        except ServerError as error:
            answers[item] = error

    threads = [threading.Thread(target=hand_in, args=(item,)) for item in items]
    for count, thread in enumerate(threads):
        thread.start()
        if count == 0:
            assert gate.begun.acquire(timeout=PATIENCE_SECONDS)
        else:
            wait_until(lambda count=count: intake.waiting >= min(count, bounds.most_waiting))
    yield answers
    for thread in threads:
        thread.join(PATIENCE_SECONDS)


def wait_until(holds):
    end = time.monotonic() + PATIENCE_SECONDS
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.001)


def test_what_comes_while_something_is_written_is_written_together_after_it():
    intake, gate = Intake(), Gate()

    with handing_in(intake, gate, "abcd") as answers:
        assert answers == {}
        gate.opened.release(2)

    assert gate.batches == [["a"], ["b", "c", "d"]]
    assert answers == {item: f"{item} is kept" for item in "abcd"}


def test_what_is_on_its_way_when_writing_could_begin_is_written_with_it(monkeypatch):
    monkeypatch.setattr("flashworthy_server.intake._MOMENT_SECONDS", PATIENCE_SECONDS)
    intake, gate, answers = Intake(), Gate(), []
    gate.opened.release(2)

    def hand_in(item):
        answers.append(intake.hand_in(item, gate.write, BOUNDS))

    threads = [threading.Thread(target=hand_in, args=(item,)) for item in "ab"]
    with intake.expecting():
        for count, thread in enumerate(threads, start=1):
            thread.start()
            wait_until(lambda count=count: intake.waiting == count)
        assert gate.batches == []
    for thread in threads:
        thread.join(PATIENCE_SECONDS)

    assert gate.batches == [["a", "b"]]
    assert sorted(answers) == ["a is kept", "b is kept"]


@pytest.fixture
def after_two():
    """An intake that wrote two together the last time, and its gate."""
    intake, gate = Intake(), Gate()
    with handing_in(intake, gate, "abc"):
        gate.opened.release(2)
    assert gate.batches == [["a"], ["b", "c"]]
    return intake, gate


def test_who_writes_waits_a_moment_for_as_many_as_the_last_time(after_two, monkeypatch):
    monkeypatch.setattr("flashworthy_server.intake._MOMENT_SECONDS", PATIENCE_SECONDS)
    intake, gate = after_two
    gate.opened.release(1)

    with in_threads(lambda item: intake.hand_in(item, gate.write, BOUNDS), "de"):
        pass

    assert [sorted(batch) for batch in gate.batches[2:]] == [["d", "e"]]


def test_where_fewer_come_than_the_last_time_they_are_written(after_two):
    intake, gate = after_two
    gate.opened.release(1)

    assert intake.hand_in("d", gate.write, BOUNDS) == "d is kept"


def test_nobody_is_waited_for_who_could_not_be_written_with_it(monkeypatch):
    monkeypatch.setattr("flashworthy_server.intake._MOMENT_SECONDS", PATIENCE_SECONDS)
    intake, gate = Intake(), Gate()
    gate.opened.release(1)

    with intake.expecting():
        assert intake.hand_in("a", gate.write, replace(BOUNDS, most_together=1)) == "a is kept"


def test_what_is_on_its_way_for_long_holds_nobody_up():
    intake, gate = Intake(), Gate()
    gate.opened.release(1)

    with intake.expecting():
        answer = intake.hand_in("a", gate.write, BOUNDS)

    assert (answer, gate.batches) == ("a is kept", [["a"]])


def test_what_turns_out_to_be_no_report_is_waited_for_no_longer(monkeypatch):
    monkeypatch.setattr("flashworthy_server.intake._MOMENT_SECONDS", PATIENCE_SECONDS)
    intake, gate = Intake(), Gate()
    gate.opened.release(1)

    with pytest.raises(ValueError, match="no report"), intake.expecting():
        raise ValueError("no report")

    assert intake.hand_in("a", gate.write, BOUNDS) == "a is kept"


def test_who_was_written_goes_on_before_the_next_one_is_read(monkeypatch):
    monkeypatch.setattr("flashworthy_server.intake._MOMENT_SECONDS", PATIENCE_SECONDS)
    intake, gate, may_go_on, read = Intake(), Gate(), threading.Event(), []
    note_told = intake._note_told

    def go_on_late():
        may_go_on.wait(PATIENCE_SECONDS)
        read.append("told")
        note_told()

    def read_next():
        with intake.expecting():
            read.append("next")

    intake._note_told = go_on_late
    with handing_in(intake, gate, "abc") as answers:
        gate.opened.release(2)
        wait_until(lambda: "b" in answers)  # who wrote itself and c
        reader = threading.Thread(target=read_next)
        reader.start()
        reader.join(0.2)  # it would have ended by now
        may_go_on.set()
    reader.join(PATIENCE_SECONDS)

    assert read == ["told", "next"]


def test_who_goes_on_late_holds_nobody_up():
    intake, gate, may_go_on = Intake(), Gate(), threading.Event()
    intake._note_told = lambda: may_go_on.wait(PATIENCE_SECONDS)

    with handing_in(intake, gate, "abc") as answers:
        gate.opened.release(2)
        wait_until(lambda: "b" in answers)
        with intake.expecting():
            pass
        assert "c" not in answers
        may_go_on.set()

    assert "c" in answers


def test_no_more_are_written_together_than_the_bound_says():
    intake, gate = Intake(), Gate()

    with handing_in(intake, gate, "abcd", replace(BOUNDS, most_together=2)):
        gate.opened.release(3)

    assert gate.batches == [["a"], ["b", "c"], ["d"]]


def test_what_comes_when_too_much_waits_is_turned_away_at_once():
    intake, gate = Intake(), Gate()

    with handing_in(intake, gate, "abc", replace(BOUNDS, most_waiting=2)):
        with pytest.raises(BusyError, match="too many reports wait"):
            intake.hand_in("d", gate.write, replace(BOUNDS, most_waiting=2))
        gate.opened.release(2)

    assert gate.batches == [["a"], ["b", "c"]]


def test_what_waits_too_long_is_turned_away_and_never_written():
    intake, gate = Intake(), Gate()

    with handing_in(intake, gate, "a"):
        with pytest.raises(BusyError, match="busy"):
            intake.hand_in("b", gate.write, replace(BOUNDS, wait_seconds=0.01))
        gate.opened.release(1)

    assert gate.batches == [["a"]]


def test_a_writer_that_fails_fails_all_that_it_wrote_and_the_next_one_works():
    intake = Intake()

    def fail(take):
        take()
        raise NoSpaceError("the disk is full")

    with pytest.raises(NoSpaceError):
        intake.hand_in("a", fail, BOUNDS)
    assert intake.hand_in("b", lambda take: [f"{each}!" for each in take()], BOUNDS) == "b!"


@contextmanager
def in_threads(work, items):
    """Do the work for each item in a thread of its own; all have ended after the block."""
    threads = [threading.Thread(target=work, args=(item,)) for item in items]
    for thread in threads:
        thread.start()
    yield
    for thread in threads:
        thread.join(PATIENCE_SECONDS)


def test_a_writer_that_never_gets_the_database_fails_all_that_wait_by_then():
    intake, begun, opened, failed = Intake(), threading.Event(), threading.Event(), []

    def fail(take):
        begun.set()
        assert opened.wait(PATIENCE_SECONDS)
        raise BusyError("the database is busy")

    def hand_in(item):
        with pytest.raises(BusyError):
            intake.hand_in(item, fail, BOUNDS)
        failed.append(item)

    with in_threads(hand_in, "abc"):
        assert begun.wait(PATIENCE_SECONDS)
        wait_until(lambda: intake.waiting == 3)
        opened.set()

    assert sorted(failed) == ["a", "b", "c"]
    assert intake.waiting == 0


def test_what_comes_until_the_database_is_ready_is_written_together():
    intake, begun, opened, batches = Intake(), threading.Event(), threading.Event(), []

    def write(take):
        begun.set()
        assert opened.wait(PATIENCE_SECONDS)
        batches.append(list(take()))
        return batches[-1]

    with in_threads(lambda item: intake.hand_in(item, write, BOUNDS), "abc"):
        assert begun.wait(PATIENCE_SECONDS)
        wait_until(lambda: intake.waiting == 3)
        opened.set()

    assert [sorted(batch) for batch in batches] == [["a", "b", "c"]]


def test_many_threads_at_once_are_each_answered_for_their_own_item():
    intake, answers, counted = Intake(), {}, []

    def write(take):
        items = take()
        counted.append(len(items))
        time.sleep(0.001)  # others come meanwhile
        return [item * 2 for item in items]

    def hand_in(start):
        for item in range(start, start + 100):
            answers[item] = intake.hand_in(item, write, BOUNDS)

    with in_threads(hand_in, range(0, 800, 100)):
        pass

    assert answers == {item: item * 2 for item in range(800)}
    assert sum(counted) == 800
    assert max(counted) > 1


# ---- reports ----------------------------------------------------------------------------------


@pytest.fixture
def machines(site):
    """Three machines that reported once, by number: the digest of the token of each."""
    return {number: site.machine(number) for number in (1, 2, 3)}


def arrival(site, number, sequence, *, report_number=None, machine_id=None):
    agent_id = f"7b0c5a44-0a55-4c5e-9d4f-{number:012x}"
    sent = a_sent_report(
        sequence=sequence,
        agent_id=agent_id,
        number=report_number or number * 1000,
        identity={"hostname": f"desk-{number:03}", "system_serial": f"QM{number:04}"},
    )
    body = json.dumps(sent).encode()
    return Arrival(machine_id or number, read_report(sent), body, site.clock(), 0)


def kept(site):
    with site.site.database.reading() as connection:
        rows = connection.execute(
            select(reports.c.machine_id, reports.c.sequence, reports.c.kept_as).order_by(
                reports.c.machine_id, reports.c.number
            )
        )
        return [tuple(row) for row in rows]


def test_two_reports_of_one_machine_in_one_batch_are_kept_one_after_the_other(site, machines):
    batch = [arrival(site, 1, 3), arrival(site, 2, 2), arrival(site, 1, 4), arrival(site, 1, 2)]

    found = ingest._keep_all(site.site, lambda: batch)

    assert all(isinstance(each, Taken) and each.is_new for each in found)
    assert kept(site) == [
        *((1, 1, "current"), (1, 3, "current"), (1, 4, "current"), (1, 2, "late")),
        *((2, 1, "current"), (2, 2, "current")),
        (3, 1, "current"),
    ]


def test_a_report_twice_in_one_batch_is_kept_once(site, machines):
    twice = [arrival(site, 1, 2), arrival(site, 1, 2)]

    first, again = ingest._keep_all(site.site, lambda: twice)

    assert (first.is_new, again.is_new) == (True, False)
    assert len(kept(site)) == 4


def test_an_id_that_two_machines_use_in_one_batch_is_one_machines(site, machines):
    batch = [arrival(site, number, 2, report_number=9000) for number in (1, 2, 3)]

    found = ingest._keep_all(site.site, lambda: batch)

    assert [type(each) for each in found] == [Taken, ConflictError, ConflictError]
    assert len(kept(site)) == 4


def test_a_report_that_cannot_be_judged_does_not_fail_the_others(site, machines, monkeypatch):
    judge = judgement.judgement_of

    def fail_for_the_second(known, now):
        assert known.id != 2, "cannot be judged"
        return judge(known, now)

    monkeypatch.setattr(ingest, "judgement_of", fail_for_the_second)
    batch = [arrival(site, number, 2) for number in (1, 2, 3)]
    found = ingest._keep_all(site.site, lambda: batch)

    assert [type(each) for each in found] == [Taken, AssertionError, Taken]
    assert [row for row in kept(site) if row[1] == 2] == [(1, 2, "current"), (3, 2, "current")]


def test_a_token_that_was_revoked_since_it_was_seen_lets_nothing_in(site, machines):
    again = a_sent_report(sequence=2, number=1000, agent_id="7b0c5a44-0a55-4c5e-9d4f-000000000001")
    assert site.send(machines[1], again).status_code == 201
    (digest, *_) = [each for each, seen in site.site.seen_tokens.items() if seen.machine_id == 1]
    batch = [replace(arrival(site, 1, 3), token_digest=digest), arrival(site, 2, 2)]
    with site.site.database.writing() as connection:
        ingest.machine_store.revoke_token(connection, 1)

    refused, stored = ingest._keep_all(site.site, lambda: batch)

    assert isinstance(refused, InvalidTokenError)
    assert stored.is_new
    assert site.send(machines[1], a_sent_report(sequence=3, number=1000)).status_code == 403
    assert site.send(machines[1], again | {"sequence": 3}).status_code == 401
    assert digest not in site.site.seen_tokens


# ---- writers of other processes ---------------------------------------------------------------

HOLDER = """
import sys
from flashworthy_server.db import Database
database = Database(sys.argv[1], wait_seconds=30)
with database.writing():
    print("writing", flush=True)
    sys.stdin.readline()
"""


def test_a_writer_waits_for_that_of_another_process_and_outlives_it(url):
    command = [sys.executable, "-c", HOLDER, url]
    held = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    order = []
    with subprocess.Popen(command, env=os.environ, text=True, **held) as holder:
        assert holder.stdout.readline() == "writing\n"
        database = Database(url, wait_seconds=30)

        def write():
            with database.writing():
                order.append("written here")

        thread = threading.Thread(target=write)
        thread.start()
        wait_until(lambda: database.is_writing)
        order.append("killed there")
        holder.kill()
        thread.join(PATIENCE_SECONDS)
        database.close()

    assert order == ["killed there", "written here"]
