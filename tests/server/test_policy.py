"""Limits of a site and of its places: what is nearest holds; what would change is told first."""

import pytest

from flashworthy_common.report import Battery
from flashworthy_server.services import machines
from flashworthy_server.services.who import Role
from support.site import KNOWLEDGE, WHO

BATTERY = Battery(
    name="BAT0", state="charging", percent=55.0, full_mwh=45_000.0, design_mwh=50_000.0
)


@pytest.fixture
def branches(site):
    """Three machines whose batteries hold 55 %, in two places."""
    site.post("/releases/import", KNOWLEDGE)
    for number, place in ((1, "Alder Lane / office"), (2, "Alder Lane"), (3, "Alder")):
        site.machine(number, place=place, power={"batteries": (BATTERY,)})
    return site


def limit(site, name, place=None):
    path = f"/policy?place={place}" if place else "/policy"
    return next(each for each in site.get(path).json["limits"] if each["name"] == name)


def charge_answers(site):
    return {
        number: next(
            check["answer"]
            for check in site.get(f"/machines/{number}/verdict").json["checks"]
            if check["code"] == "power.charge"
        )
        for number in (1, 2, 3)
    }


def test_a_site_that_sets_nothing_has_the_defaults_with_their_source(site):
    assert limit(site, "charge_percent") == {
        "name": "charge_percent",
        "value": 50,
        "default": 50,
        "set_here": False,
        "why": "battery charge below this is topped up first",
        "source": "common practice, no source (makers ask for 20 to 50)",
    }


def test_what_is_nearest_to_a_machine_holds(branches):
    branches.put("/policy", {"limits": {"charge_percent": 60}})
    branches.put("/policy", {"place": "Alder Lane/office", "limits": {"charge_percent": 40}})

    assert charge_answers(branches) == {1: "pass", 2: "fix", 3: "fix"}


def test_a_place_is_not_another_one_whose_name_begins_so(branches):
    branches.put("/policy", {"place": "Alder", "limits": {"charge_percent": 60}})

    assert charge_answers(branches) == {1: "pass", 2: "pass", 3: "fix"}


def test_lists_and_counts_know_new_limits_at_once(branches):
    before = branches.get("/machines/3").json["machine"]["sentence"]

    branches.put("/policy", {"limits": {"charge_percent": 60}})

    assert "let its battery charge" not in before.lower()
    assert (
        "let its battery charge" in branches.get("/machines/3").json["machine"]["sentence"].lower()
    )


def test_a_machine_that_is_moved_comes_under_the_limits_of_its_new_place(branches):
    branches.put("/policy", {"place": "Cellar", "limits": {"charge_percent": 60}})

    machines.move(branches.site, WHO, 3, "Cellar")

    row = branches.get("/machines/3").json["machine"]
    assert "et its battery charge" in row["sentence"]


def test_what_would_change_is_counted_by_outcome_and_nothing_is_saved(branches):
    stricter = {"limits": {"least_priority": "immediate"}}

    told = branches.post("/policy/preview", stricter)

    assert told.json == {"changes": [{"now": "prepare", "then": "leave", "machines": 3}]}
    assert limit(branches, "least_priority")["value"] == "scheduled"


def test_a_preview_for_a_place_looks_at_its_machines_only(branches):
    stricter = {"place": "Alder Lane", "limits": {"least_priority": "immediate"}}

    assert branches.post("/policy/preview", stricter).json["changes"][0]["machines"] == 2


def test_nothing_changes_where_the_limits_stay(branches):
    assert branches.post("/policy/preview", {"limits": {}}).json == {"changes": []}


def test_every_setting_is_a_version_with_who_and_when(site):
    site.put("/policy", {"limits": {"charge_percent": 60}})
    site.clock.pass_by(hours=1)

    versions = site.put("/policy", {"limits": {}}).json["versions"]

    assert versions == [
        {"limits": {}, "set_by": "Ida Fenwick", "set_at": "2026-05-04T11:00:00Z"},
        {
            "limits": {"charge_percent": 60.0},
            "set_by": "Ida Fenwick",
            "set_at": "2026-05-04T10:00:00Z",
        },
    ]
    (last, first) = site.get("/audit").json["entries"][:2]
    assert (last["action"], last["before"], last["after"]) == (
        "policy.set",
        {"charge_percent": 60.0},
        {},
    )
    assert first["before"] == {}


@pytest.mark.parametrize(
    ("limits", "field", "says"),
    [
        ({"charge": 60}, "charge", "expected a limit of least_priority"),
        ({"charge_percent": 101}, "charge_percent", "expected a number from 0 to 100 percent"),
        ({"ups_rule": "never"}, "ups_rule", "expected one of told, bring, got 'never'"),
    ],
)
def test_a_limit_that_cannot_be_is_refused_by_name(site, limits, field, says):
    refused = site.put("/policy", {"limits": limits})

    assert refused.status_code == 422
    assert says in refused.text
    assert field in refused.text
    assert site.get("/policy").json["versions"] == []


@pytest.mark.parametrize("role", [Role.VIEWER, Role.TECHNICIAN, Role.MACHINE])
def test_only_administrators_set_limits(site, role):
    refused = site.put("/policy", {"limits": {}}, token=site.token_of(role))

    assert refused.status_code == 403
