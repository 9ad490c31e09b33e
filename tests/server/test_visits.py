"""A visit is planned, carried out, and closed by the machines' own reports."""

from datetime import UTC, datetime, timedelta

import pytest

from flashworthy_server.services import visits as service
from flashworthy_server.services.who import Role
from support.machines import NOW
from support.site import a_sent_report

IN_A_DAY = NOW + timedelta(days=1)
TECHNICIAN = "Tom Arden"
ON_BATTERY = {"power": {"mains": False}}
QUEUED = {"firmware": {"update_queued": ("a capsule file",)}}
AT_TARGET = {"firmware": {"version_text": "1.34"}}


@pytest.fixture(autouse=True)
def technician(site):
    site.know()
    return site.person(Role.TECHNICIAN, TECHNICIAN)


def a_visit(*machines, **changes):
    usual = {
        "machines": list(machines or (1,)),
        "begins_at": IN_A_DAY.isoformat(),
        "ends_at": (IN_A_DAY + timedelta(hours=2)).isoformat(),
        "technician": TECHNICIAN,
    }
    return usual | changes


def plan(site, *machines, **changes):
    response = site.post("/visits", a_visit(*machines, **changes))
    assert response.status_code == 201, response.text
    return response.json


def note(site, what, machine=1, visit=1, **more):
    return site.post(f"/visits/{visit}/machines/{machine}/notes", {"what": what, **more})


def progress(site, visit=1):
    found = site.get(f"/visits/{visit}").json
    return found["standing"], {each["name"]: each["progress"] for each in found["machines"]}


def begin(site):
    site.clock.now = IN_A_DAY


def comes_back(site, token, number=1, version_text="1.34", *, minutes=20, sequence=9):
    """The machine starts again, and reports what it runs."""
    site.clock.pass_by(minutes=minutes)
    now = site.clock.now
    report = a_sent_report(
        sequence=sequence,
        agent_id=f"7b0c5a44-0a55-4c5e-9d4f-{number:012x}",
        number=number * 1000,
        identity={"hostname": f"desk-{number:03}", "system_serial": f"QM{number:04}"},
        firmware={"version_text": version_text, "seen_at": now},
    )
    report |= {"taken_at": now.isoformat(), "uptime_seconds": 60, "why": "start-up"}
    assert site.send(token, report).status_code == 201


# ---- planning ----------------------------------------------------------------------------------


def test_a_preview_tells_what_a_visit_takes_and_keeps_nothing(site):
    site.machine(1, place="Elmford / staff room")
    site.machine(2, place="Elmford / staff room", **ON_BATTERY)

    found = site.post("/visits/preview", a_visit(1, 2)).json

    assert found["place"] == "Elmford / staff room"
    assert [(each["name"], each["outcome"]) for each in found["machines"]] == [
        ("desk-002", "prepare"),
        ("desk-001", "clear"),
    ]
    assert {each["what"]: each["machines"] for each in found["bring"]} == {
        "its adapter": ["desk-002"],
        "for the way back, the package of 1.29": ["desk-002", "desk-001"],
    }
    assert "folio-14-1.29.cap, SHA-256 " in str(found["bring"])
    # Plug in 2 to 5, look at 1 to 10 and at 2 to 15, which is written to 40, look after to 45.
    assert found["minutes_of_machines"] == 40 + 35
    assert found["minutes"] == 45 + 10
    assert found["conflicts"] == []
    assert site.get("/visits").json == {"visits": []}


def test_a_plan_says_who_goes_where_when_and_to_which_machines(site):
    site.machine(1, place="Elmford / staff room")
    site.machine(2, place="Elmford / cellar", **QUEUED)

    found = plan(site, 1, 2, remark="key at the desk")

    assert found | {"machines": None} == {
        "id": 1,
        "standing": "planned",
        "place": "Elmford",
        "begins_at": "2026-05-05T10:00:00Z",
        "ends_at": "2026-05-05T12:00:00Z",
        "technician": TECHNICIAN,
        "remark": "key at the desk",
        "minutes": 45,
        "minutes_taken": None,
        "from_visit": None,
        "planned_by": "Ida Fenwick",
        "planned_at": "2026-05-04T10:00:00Z",
        "ended_at": None,
        "ended_by": None,
        "ended_because": None,
        "counts": {"waits": 2},
        "machines": None,
        "notes": [],
    }
    assert [(each["name"], each["foreseen"], each["minutes"]) for each in found["machines"]] == [
        ("desk-001", "clear", 35),
        ("desk-002", "hold", 0),
    ]


def test_the_same_key_plans_one_visit(site):
    site.machine(1)

    first, second = plan(site, key="a form"), plan(site, key="a form")

    assert first == second
    assert len(site.get("/visits").json["visits"]) == 1


def test_conflicts_are_said_and_do_not_forbid(site):
    site.machine(1, place="Elmford")
    plan(site, 1)

    short = (IN_A_DAY + timedelta(minutes=20)).isoformat()
    found = site.post("/visits/preview", a_visit(1, ends_at=short)).json

    assert found["conflicts"] == [
        "Tom Arden is at visit #1 (Elmford) then: Tuesday 5 May 2026, 10:00 to 12:00 (UTC)",
        "desk-001 is in visit #1 (Elmford) too",
        "the window has 20 minutes, and the plan takes 45 with its margin",
    ]
    assert site.post("/visits", a_visit(1)).status_code == 201


def test_a_window_that_has_begun_is_said(site):
    site.machine(1)
    begins_at = (NOW - timedelta(minutes=5)).isoformat()

    found = site.post("/visits/preview", a_visit(begins_at=begins_at)).json

    assert found["conflicts"] == ["its window has begun already"]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"technician": "Nobody"}, "technician: expected the name of somebody who may work visits"),
        ({"ends_at": IN_A_DAY.isoformat()}, "ends: expected a time after its begin"),
        ({"machines": []}, "expected 1 to 200 machines"),
    ],
)
def test_what_cannot_be_is_refused_by_its_field(site, changes, says):
    site.machine(1)

    response = site.post("/visits", a_visit(**changes))

    assert response.status_code == 422
    assert says in response.text


def test_a_viewer_cannot_be_sent(site):
    site.machine(1)
    site.person(Role.VIEWER, "Ada Brook")

    assert site.post("/visits", a_visit(technician="Ada Brook")).status_code == 422


def test_a_machine_that_is_not_there_is_said(site):
    assert site.post("/visits", a_visit(7)).status_code == 404


def test_another_window_is_a_change_that_calendars_see(site):
    site.machine(1)
    plan(site)

    later = (IN_A_DAY + timedelta(hours=4)).isoformat()
    changed = site.put("/visits/1", a_visit(ends_at=later))

    assert changed.json["ends_at"] == "2026-05-05T14:00:00Z"
    with site.site.database.reading() as connection:
        assert service.load_view(site.site, connection, 1).visit.revision == 1


def test_a_machine_of_which_something_was_noted_stays_in_its_visit(site):
    site.machine(1)
    site.machine(2)
    plan(site, 1, 2)
    note(site, "started")

    assert site.put("/visits/1", a_visit(2)).status_code == 409
    assert site.put("/visits/1", a_visit(1)).status_code == 200


# ---- on the spot and after ---------------------------------------------------------------------


def test_a_visit_is_closed_by_the_machines_own_reports(site):
    token = site.machine(1)
    plan(site)
    begin(site)

    assert note(site, "started").status_code == 200
    assert progress(site) == ("under-way", {"desk-001": "under-way"})
    note(site, "done")
    assert progress(site) == ("under-way", {"desk-001": "under-way"})  # a word is no result
    comes_back(site, token)

    assert progress(site) == ("closed", {"desk-001": "done"})
    found = site.get("/visits/1").json
    assert (found["ended_by"], found["ended_at"]) == (None, "2026-05-05T10:20:00Z")
    assert [each["what"] for each in found["machines"][0]["notes"]] == ["started", "done"]


def test_the_worker_closes_what_nobody_looks_at(site):
    token = site.machine(1)
    plan(site)
    begin(site)
    note(site, "started")
    comes_back(site, token)

    assert service.close_those_over(site.site) == 1
    assert service.close_those_over(site.site) == 0


def test_sending_a_note_twice_starts_one_flash(site):
    site.machine(1)
    plan(site)

    assert note(site, "started", key="a form").status_code == 200
    assert note(site, "started", key="a form").status_code == 200

    assert len(site.get("/machines/1/flashes").json["flashes"]) == 1


def test_a_second_flash_while_one_is_under_way_is_refused(site):
    site.machine(1)
    plan(site)
    note(site, "started")

    assert note(site, "started").status_code == 409


def test_why_it_could_not_be_done_decides_a_machine(site):
    site.machine(1)
    plan(site)

    assert note(site, "could-not").status_code == 422
    note(site, "could-not", reason="the reader needs it today")

    assert progress(site) == ("closed", {"desk-001": "could-not"})


def test_a_word_against_the_report_is_refused(site):
    token = site.machine(1)
    site.machine(2)
    plan(site, 1, 2)
    note(site, "started")
    comes_back(site, token)

    refused = note(site, "could-not", reason="it did not start")

    assert refused.status_code == 409
    assert "its own report says that it is done" in refused.text


def test_a_flash_that_was_recorded_elsewhere_counts_in_its_window(site):
    token = site.machine(1)
    plan(site)
    begin(site)
    site.post("/machines/1/flashes", {})
    comes_back(site, token)

    assert progress(site) == ("closed", {"desk-001": "done"})


def test_a_version_that_nobody_noted_is_seen(site):
    token = site.machine(1)
    plan(site)
    begin(site)
    comes_back(site, token)

    found = site.get("/visits/1").json
    assert found["machines"][0]["says"] == "runs 1.34, though no flash was noted"


def test_an_unchanged_version_is_left_over_with_its_cause(site):
    token = site.machine(1)
    plan(site)
    note(site, "started")
    comes_back(site, token, version_text="1.29", minutes=40)

    assert progress(site) == ("closed", {"desk-001": "not-updated"})
    month = site.get("/visits/month?month=2026-05").json
    assert month["failures"] == [
        {
            "visit_id": 1,
            "machine_id": 1,
            "name": "desk-001",
            "progress": "not-updated",
            "cause": "still 1.29, and 1.34 was meant",
        }
    ]


def test_a_machine_that_needs_nothing_is_left_alone_when_the_visit_begins(site):
    site.machine(1, **AT_TARGET)
    plan(site)
    assert progress(site)[0] == "planned"

    begin(site)

    assert progress(site) == ("closed", {"desk-001": "left-alone"})


def test_a_silent_machine_keeps_its_visit_open_until_a_person_ends_it_and_says_why(site):
    site.machine(1)
    plan(site)
    begin(site)
    note(site, "started")
    site.clock.pass_by(days=7)

    assert progress(site) == ("unfinished", {"desk-001": "silent"})
    assert site.post("/visits/1/end", {"reason": " "}).status_code == 422
    ended = site.post("/visits/1/end", {"reason": "taken to the workshop"}).json

    assert (ended["standing"], ended["ended_by"]) == ("closed", "Ida Fenwick")
    assert ended["machines"][0]["progress"] == "silent"
    told = site.get("/audit").json["entries"]
    (entry,) = [each for each in told if each["action"] == "visit.end"]
    assert entry["after"]["because"] == "taken to the workshop"
    assert entry["after"]["not decided"][0].startswith("desk-001: silent: Ida Fenwick started 1.34")
    assert site.post("/visits/1/end", {"reason": "again"}).status_code == 409


def test_what_comes_after_a_visit_ended_is_none_of_its_doing(site):
    token = site.machine(1)
    plan(site)
    begin(site)
    note(site, "could-not", reason="no time")
    site.clock.pass_by(days=1)
    comes_back(site, token)

    assert progress(site) == ("closed", {"desk-001": "could-not"})


def test_a_visit_that_is_called_off_takes_no_more_notes(site):
    site.machine(1)
    plan(site)

    found = site.post("/visits/1/call-off", {"reason": "works on the mains"}).json

    assert (found["standing"], found["ended_because"]) == ("called-off", "works on the mains")
    assert note(site, "started").status_code == 409


def test_a_confirmation_on_the_spot_is_one_of_the_machine(site):
    site.machine(1)
    plan(site)

    assert note(site, "confirmed").status_code == 422
    assert note(site, "confirmed", confirms="ups-ready").status_code == 200

    (word,) = site.get("/machines/1/confirmations").json["confirmations"]
    assert (word["what"], word["by"]) == ("ups-ready", "Ida Fenwick")


# ---- what is left over -------------------------------------------------------------------------


def test_what_is_left_over_goes_into_a_visit_a_week_later(site):
    for number in (1, 2):
        site.machine(number, place="Elmford")
    plan(site, 1, 2)
    note(site, "could-not", reason="no time")

    following = site.post("/visits/1/carry-over", {"key": "a press"}).json
    again = site.post("/visits/1/carry-over", {"key": "another press"}).json

    assert following["id"] == again["id"] == 2
    assert following["begins_at"] == "2026-05-12T10:00:00Z"
    assert following["from_visit"] == 1
    assert [each["name"] for each in following["machines"]] == ["desk-001", "desk-002"]


def test_what_is_left_over_joins_the_next_visit_to_the_same_place(site):
    for number in (1, 2):
        site.machine(number, place="Elmford")
    plan(site, 1)
    later = IN_A_DAY + timedelta(days=2)
    plan(site, 2, begins_at=later.isoformat(), ends_at=(later + timedelta(hours=2)).isoformat())

    following = site.post("/visits/1/carry-over", {}).json

    assert following["id"] == 2
    assert {each["name"] for each in following["machines"]} == {"desk-001", "desk-002"}


def test_a_week_later_is_at_the_same_time_of_day_when_the_clock_changes(site):
    """Europe/London: summer time ends on 25 October 2026 at 01:00 UTC (zoneinfo)."""
    site.settle(time_zone="Europe/London")
    site.clock.now = datetime(2026, 10, 19, 8, 0, tzinfo=UTC)
    site.token = site.token_of(Role.ADMINISTRATOR)
    site.machine(1, place="Elmford")
    begins_at = datetime(2026, 10, 20, 8, 0, tzinfo=UTC)  # 09:00 there
    plan(
        site,
        1,
        begins_at=begins_at.isoformat(),
        ends_at=(begins_at + timedelta(hours=2)).isoformat(),
    )

    following = site.post("/visits/1/carry-over", {}).json

    assert following["begins_at"] == "2026-10-27T09:00:00Z"  # 09:00 there, too


def test_nothing_left_over_is_said(site):
    token = site.machine(1)
    plan(site)
    note(site, "started")
    comes_back(site, token)

    assert site.post("/visits/1/carry-over", {}).status_code == 409


# ---- the record --------------------------------------------------------------------------------


def test_a_machines_story_goes_from_reason_to_result(site):
    token = site.machine(1)
    plan(site)
    begin(site)
    note(site, "confirmed", confirms="ups-ready")
    note(site, "started")
    comes_back(site, token)
    progress(site)

    found = site.get("/machines/1/record").json

    assert [each["what"] for each in found["events"]] == [
        "compared",
        "joined",
        "visit planned",
        "confirmed",
        "flash started",
        "version",
        "done",
        "visit ended",
    ]
    assert found["events"][-1]["says"] == "#1: done"


def test_a_month_tells_minutes_planned_and_taken(site):
    token = site.machine(1)
    plan(site)
    begin(site)
    note(site, "started")
    site.clock.pass_by(minutes=20)
    note(site, "done")
    comes_back(site, token, minutes=5)

    month = site.get("/visits/month?month=2026-05").json

    assert (month["minutes_planned"], month["minutes_taken"]) == (45, 20)
    assert month["counts"] == {"done": 1}
    assert site.get("/visits/month?month=2026-06").json["visits"] == []
    assert site.get("/visits/month?month=May").status_code == 422


def test_visits_come_one_page_after_another(site):
    site.machine(1)
    for number in range(3):
        plan(site, key=str(number))

    first = site.get("/visits?limit=2")
    second = site.client.get(
        first.headers["Link"].partition(">")[0][1:],
        headers={"Authorization": f"Bearer {site.token}"},
    )

    assert [each["id"] for each in first.json["visits"] + second.json["visits"]] == [1, 2, 3]
    assert [
        each["id"] for each in site.get("/visits?technician=Tom Arden&open=true").json["visits"]
    ]
