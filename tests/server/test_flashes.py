"""A flash is recorded when it is started; the machine's own reports say what came of it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from flashworthy_common.report import Why
from support.machines import SEALED_VOLUME
from support.site import AGENT, KNOWLEDGE, RELEASE, a_sent_report


class Machine:
    """One machine that reports when it is told to, and the server that hears of it."""

    def __init__(self, site):
        self.site = site
        self.token = site.enrol(hostname="reading-room-4")
        self.sequence = 0

    def report(self, version_text="1.29", *, uptime_seconds=86_400, why="schedule", **sections):
        self.sequence += 1
        seen_at = self.site.clock.now
        sections["firmware"] = {"version_text": version_text, "seen_at": seen_at} | (
            sections.get("firmware", {})
        )
        report = a_sent_report(sequence=self.sequence, agent_id=AGENT, **sections)
        report |= {"taken_at": seen_at.isoformat(), "uptime_seconds": uptime_seconds, "why": why}
        assert self.site.send(self.token, report).status_code == 201

    def comes_back(self, version_text, minutes=30, **sections):
        self.site.clock.pass_by(minutes=minutes)
        self.report(version_text, uptime_seconds=60, why=Why.START_UP.value, **sections)

    def start(self, **more):
        return self.site.post("/machines/1/flashes", more)

    @property
    def flash(self):
        return self.site.get("/machines/1/flashes").json["flashes"][0]

    @property
    def attention(self):
        """What asks for attention, but for the hole that makes the update pressing."""
        found = self.site.get("/machines/1").json["attention"]
        return {each["code"]: each["says"] for each in found if each["code"] != "priority"}


@pytest.fixture
def machine(site):
    site.post("/releases/import", KNOWLEDGE)
    found = Machine(site)
    found.report()
    return found


def test_a_flash_that_is_started_says_who_from_where_to_what_and_when(machine):
    made = machine.start()

    assert made.status_code == 201
    assert made.json == {
        "id": 1,
        "from_text": "1.29",
        "to_text": "1.34",
        "target_text": "1.34",
        "by": "Ida Fenwick",
        "started_at": "2026-05-04T10:00:00Z",
        "expected_at": "2026-05-04T10:25:00Z",  # its release says 25 minutes
        "outcome": "prepare",  # nobody keeps the package of 1.29
        "done_at": None,
        "result": None,
        "says": None,
        "given_up_because": None,
        "closed_at": None,
    }


def test_the_machines_own_report_closes_it(machine):
    machine.start()

    machine.comes_back("1.34")

    assert machine.flash["result"] == "done"
    assert machine.flash["says"] == "from 1.29 to 1.34"
    assert machine.flash["closed_at"] == "2026-05-04T10:30:00Z"
    assert machine.attention == {}
    (change,) = machine.site.get("/machines/1/history").json["firmware_changes"]
    assert change["is_planned"] is True


def test_a_change_that_nobody_planned_asks_for_attention(machine):
    machine.comes_back("1.34")

    assert machine.attention["changed"].startswith("changed from 1.29 to 1.34, between two reports")


def test_a_persons_word_does_not_close_it(machine):
    machine.start()

    noted = machine.site.post("/machines/1/flashes/done", {})

    assert noted.json["done_at"] == "2026-05-04T10:00:00Z"
    assert noted.json["result"] is None


def test_a_flash_that_nobody_started_cannot_be_done(machine):
    refused = machine.site.post("/machines/1/flashes/done", {})

    assert refused.status_code == 409
    assert refused.json["detail"] == "no flash of machine #1 is under way"


def test_an_unchanged_version_asks_for_attention_and_may_be_corrected(machine):
    machine.start()

    machine.comes_back("1.29")
    unchanged = (machine.flash["result"], machine.attention)
    machine.comes_back("1.34")

    assert unchanged == (
        "unchanged",
        {"not-updated": "after a flash: still 1.29, and 1.34 was meant"},
    )
    assert (machine.flash["result"], machine.attention) == ("done", {})


def test_a_flash_that_could_not_be_done_is_given_up_once_with_the_reason(machine):
    machine.start()
    told = {"reason": "its set-up asks for a password"}

    given_up = machine.site.post("/machines/1/flashes/give-up", told)
    again = machine.site.post("/machines/1/flashes/give-up", told)
    silent = machine.site.post("/machines/1/flashes/give-up", {"reason": " "})

    assert given_up.status_code == 200
    assert given_up.json["given_up_because"] == "its set-up asks for a password"
    assert (given_up.json["result"], given_up.json["closed_at"]) == (None, "2026-05-04T10:00:00Z")
    assert again.json["detail"] == "no flash of machine #1 is under way"
    assert (silent.status_code, silent.json["errors"][0]["field"]) == (422, "reason")


def test_an_older_version_is_told_once_as_what_came_of_the_flash(machine):
    machine.start()

    machine.comes_back("1.20")

    assert machine.attention == {
        "went-back": "after a flash: from 1.29 to 1.20, and 1.34 was meant"
    }


def test_a_stepping_stone_makes_the_next_flash_due(machine):
    stone = RELEASE | {"version_text": "1.31", "reasons": [], "released_on": "2025-11-18"}
    target = RELEASE | {"requires": {"firmware": "1.31"}}
    machine.site.post("/releases/import", {"releases": [stone, target]})
    first = machine.start().json

    machine.comes_back("1.31")
    after_first = (machine.flash["result"], machine.flash["says"])
    second = machine.start().json

    assert (first["to_text"], first["target_text"]) == ("1.31", "1.34")
    assert after_first == ("next-step", "from 1.29 to 1.31; next on the way to 1.34")
    assert (second["from_text"], second["to_text"]) == ("1.31", "1.34")


def test_silence_after_a_flash_is_an_alarm(machine):
    machine.start()

    machine.site.clock.pass_by(minutes=84)
    before = machine.attention
    machine.site.clock.pass_by(minutes=1)

    assert before == {}
    assert machine.attention == {
        "silent-after-flash": "Ida Fenwick started a flash to 1.34 at 2026-05-04 10:00 UTC; "
        "no report came since"
    }
    listed = machine.site.get("/machines?attention=silent-after-flash").json["machines"]
    assert [each["name"] for each in listed] == ["reading-room-4"]
    assert machine.site.get("/overview").json["attention"]["silent-after-flash"] == 1


def test_the_alarm_ends_when_the_machine_comes_back(machine):
    machine.start()
    machine.site.clock.pass_by(hours=9)

    machine.comes_back("1.34")

    assert machine.attention == {}


def test_protection_that_was_not_resumed_asks_until_it_is(machine):
    on, off = SEALED_VOLUME, replace(SEALED_VOLUME, suspended_restarts=2)
    machine.start()

    machine.comes_back("1.34", protection={"volumes": (off,)})
    forgotten = machine.attention
    machine.comes_back("1.34", protection={"volumes": (on,)})

    assert list(forgotten) == ["protection-off"]
    assert machine.attention == {}


def test_secure_boot_that_a_flash_turned_off_is_told_as_such(machine):
    machine.start()

    machine.comes_back("1.34", firmware={"secure_boot": False})

    assert machine.attention == {
        "secure-boot-changed": "after a flash: Secure Boot was on and is off",
        "secure-boot-off": "Secure Boot is off",
    }


def test_a_clock_that_a_flash_reset_is_told_although_the_system_sets_it_soon(machine, site):
    machine.start()
    site.clock.pass_by(minutes=30)
    factory = datetime(2015, 1, 1, tzinfo=UTC)
    report = a_sent_report(sequence=2, firmware={"version_text": "1.34"})
    report |= {"taken_at": factory.isoformat(), "uptime_seconds": 60, "why": "start-up"}
    machine.sequence = 2

    site.send(machine.token, report, sent_at=factory)
    reset = machine.attention
    machine.comes_back("1.34")

    assert set(reset) == {"clock-off", "clock-reset"}
    assert machine.flash["result"] == "done"
    assert set(machine.attention) == {"clock-reset"}


def test_a_flash_that_is_started_over_leaves_the_first_without_a_result(machine):
    machine.start()
    machine.site.clock.pass_by(minutes=5)

    machine.start()
    machine.comes_back("1.34")

    second, first = machine.site.get("/machines/1/flashes").json["flashes"]
    assert (first["result"], first["closed_at"]) == (None, "2026-05-04T10:05:00Z")
    assert second["result"] == "done"


def test_what_a_flash_left_behind_is_asked_for_some_weeks_only(machine):
    off = {"volumes": (replace(SEALED_VOLUME, suspended_restarts=2),)}
    machine.start()
    machine.comes_back("1.34", protection=off)

    machine.comes_back("1.34", minutes=timedelta(days=31).total_seconds() / 60, protection=off)

    assert "protection-off" not in machine.attention


def test_without_a_path_the_version_is_named(site):
    machine = Machine(site)
    machine.report()

    refused, named = machine.start(), machine.start(to_text="1.36")

    assert refused.status_code == 409
    assert refused.json["detail"] == ("no path to a target is known: say which version is flashed")
    assert (named.json["to_text"], named.json["target_text"]) == ("1.36", "1.36")


def test_starts_stand_in_the_audit_trail(machine):
    machine.start()

    (entry, *_) = machine.site.get("/audit").json["entries"]
    assert (entry["action"], entry["subject"]) == ("flash.start", "machine #1")
    assert entry["after"] == {"flash": 1, "from": "1.29", "to": "1.34", "outcome": "prepare"}
