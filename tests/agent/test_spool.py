"""The spool: whole reports in order, bounded, and nothing dropped in silence."""

import gzip
import json
import os
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from flashworthy_agent.encode import encode_report
from flashworthy_agent.spool import MAX_SET_ASIDE, Spool
from flashworthy_agent.state import StateFolder
from flashworthy_common.ids import uuid7
from flashworthy_common.report import Battery, PowerSection, Report, Source, Why

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


@pytest.fixture
def state(tmp_path):
    return StateFolder(tmp_path / "state")


@pytest.fixture
def spool(state):
    return Spool(state)


def report(sequence, why=Why.SCHEDULE):
    return Report(
        report_id=str(uuid7(1_777_888_800_000 + sequence, sequence)),
        agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801",
        sequence=sequence,
        taken_at=NOW,
        source=Source.AGENT,
        why=why,
    )


def add(spool, state, *reports):
    with state.locked():
        return [spool.add(one) for one in reports]


def sequences(reports):
    return [one.sequence for one in reports]


def dropped(state):
    return state.load().dropped_reports


def test_reports_wait_in_the_order_of_their_numbers(spool, state):
    add(spool, state, report(10), report(9), report(100, Why.SPOT), report(11, Why.START_UP))

    assert sequences(spool.waiting()) == [9, 10, 11, 100]


def test_a_waiting_report_is_the_gzipped_json_of_the_wire(spool, state):
    (waiting,) = add(spool, state, report(7))

    body = json.loads(gzip.decompress(waiting.body()))

    assert (body["wire"], body["sequence"], body["why"]) == (1, 7, "schedule")
    assert body["report_id"] == waiting.report_id


def test_texts_outside_utf_8_become_valid_json():
    cell = Battery(name=os.fsdecode(b"BAT\xe9"), state="voll geladen, ü")
    odd = replace(report(1), power=PowerSection(batteries=(cell,)))

    body = json.loads(encode_report(odd).encode("utf-8"))

    found = body["power"]["batteries"][0]
    assert (found["name"], found["state"]) == ("BAT\ufffd", "voll geladen, ü")


def test_a_report_that_was_sent_is_forgotten_even_twice(spool, state):
    first, second = add(spool, state, report(1), report(2))

    spool.remove(first)
    spool.remove(first)

    assert spool.waiting() == [second]


@pytest.mark.parametrize(
    "name",
    [
        "000000000002_schedule_018f42d5-6800-7000-8000-000000000001.json.gz.unfinished",
        "000000000002_whim_018f42d5-6800-7000-8000-000000000001.json.gz",
        "notes.txt",
        ".hidden",
    ],
)
def test_what_is_not_a_whole_report_is_not_seen(spool, state, name):
    add(spool, state, report(1))
    (state.spool_folder / name).write_bytes(b"half of it")

    assert sequences(spool.waiting()) == [1]


def test_what_a_killed_writer_left_is_cleared_away_with_the_next_report(spool, state):
    add(spool, state, report(1))
    (state.spool_folder / "x.unfinished").write_bytes(b"half of it")

    add(spool, state, report(2))

    assert len(os.listdir(state.spool_folder)) == 2


def test_a_report_is_on_disk_for_its_owner_only(spool, state):
    (waiting,) = add(spool, state, report(1))

    assert waiting.path.stat().st_mode & 0o777 == 0o600
    assert state.spool_folder.stat().st_mode & 0o777 == 0o700


# ---- bounds -----------------------------------------------------------------------------------


def test_the_oldest_report_of_the_schedule_is_dropped_first_and_counted(state):
    spool = Spool(state, max_reports=3)
    add(spool, state, report(1, Why.SPOT), report(2), report(3))

    add(spool, state, report(4))

    assert sequences(spool.waiting()) == [1, 3, 4]
    assert dropped(state) == 1


def test_when_the_schedule_made_none_the_oldest_goes(state):
    spool = Spool(state, max_reports=2)
    add(spool, state, report(1, Why.SPOT), report(2, Why.START_UP))

    add(spool, state, report(3))

    assert sequences(spool.waiting()) == [2, 3]


def test_the_spool_is_bounded_in_bytes_too(state):
    size = len(add(Spool(state), state, report(1))[0].body())
    spool = Spool(state, max_bytes=3 * size + size // 2)
    add(spool, state, report(2), report(3))

    add(spool, state, report(4))

    assert sequences(spool.waiting()) == [2, 3, 4]
    assert dropped(state) == 1


def test_a_report_larger_than_the_bound_is_still_kept(state):
    spool = Spool(state, max_bytes=10)

    add(spool, state, report(1))

    assert sequences(spool.waiting()) == [1]


def test_a_report_is_counted_before_it_is_dropped(state, monkeypatch):
    spool = Spool(state, max_reports=1)
    (first,) = add(spool, state, report(1))

    class Killed(BaseException):
        pass

    def killed(*_, **__):
        raise Killed

    monkeypatch.setattr(type(first.path), "unlink", killed)
    with pytest.raises(Killed):
        add(spool, state, report(2))

    assert (dropped(state), sequences(spool.waiting())) == (1, [1])


# ---- set aside --------------------------------------------------------------------------------


def test_a_refused_report_is_set_aside_with_its_reason(spool, state):
    first, second = add(spool, state, report(1), report(2))

    with state.locked():
        spool.put_aside(first, "422: sequence: expected a whole number")

    assert spool.waiting() == [second]
    ((aside, reason),) = spool.set_aside()
    assert (aside.sequence, reason) == (1, "422: sequence: expected a whole number")
    assert json.loads(gzip.decompress(aside.body()))["sequence"] == 1


def test_a_lost_reason_is_told(spool, state):
    (first,) = add(spool, state, report(1))
    with state.locked():
        spool.put_aside(first, "no matter")
    next(state.set_aside_folder.glob("*.reason.txt")).unlink()

    ((_, reason),) = spool.set_aside()

    assert reason == "its reason cannot be read: No such file or directory"


def test_what_a_killed_run_left_beside_what_is_set_aside_is_cleared_away(spool, state):
    (first,) = add(spool, state, report(1))
    with state.locked():
        spool.put_aside(first, "refused")
    for name in ("000000000002_schedule_x.reason.txt", "a.reason.txt.unfinished"):
        (state.set_aside_folder / name).write_text("left")

    add(spool, state, report(3))

    assert [reason for _, reason in spool.set_aside()] == ["refused"]
    assert len(os.listdir(state.set_aside_folder)) == 2


def test_what_is_set_aside_is_bounded_and_counted(spool, state):
    for number in range(1, MAX_SET_ASIDE + 3):
        (one,) = add(spool, state, report(number))
        with state.locked():
            spool.put_aside(one, "refused")

    aside = [one for one, _ in spool.set_aside()]

    assert sequences(aside) == list(range(3, MAX_SET_ASIDE + 3))
    assert dropped(state) == 2
    assert len(os.listdir(state.set_aside_folder)) == 2 * MAX_SET_ASIDE
