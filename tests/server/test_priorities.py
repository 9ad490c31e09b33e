"""What reasons are weighed by is set, shown, and felt at once by the machines that it touches.

The catalogue's shape is KEV's JSON as CISA publishes it; the ids are invented. Priorities: SSVC
deployer tree 1.0.0.
"""

import json

import pytest

from support.shared_data import shared_file
from support.site import RELEASE, REVIEW

HOLE = {
    "kind": "security",
    "says": "closes a hole",
    "source": "https://quillmark.example/notes",
    "advisories": ["CVE-2026-99901"],
}


def catalogue(*ids, at="2026-05-01T10:00:00.1234Z", **changes):
    entries = [
        {
            "cveID": each,
            "vendorProject": "Quillmark",
            "product": "Folio 14",
            "vulnerabilityName": "an invented one",
            "dateAdded": "2026-04-30",
            "shortDescription": "made up",
            "requiredAction": "none",
            "dueDate": "2026-04-01",  # before it was added: the real catalogue has such
            "cwes": [],
        }
        for each in ids
    ]
    whole = {"title": "t", "catalogVersion": "2026.05.01", "dateReleased": at}
    return {**whole, "count": len(entries), "vulnerabilities": entries} | changes


@pytest.fixture
def known(site):
    """A machine whose update closes a hole that is weighed."""
    site.machine(1)
    site.post(
        "/releases/import", {"releases": [RELEASE | {"reasons": [HOLE]}], "reviews": [REVIEW]}
    )
    return site


def reason(site):
    (found,) = site.get("/machines/1").json["need"]["reasons"]
    return found


def inputs(site):
    return {each["name"]: each["value"] for each in site.get("/weighing").json["inputs"]}


def test_every_input_is_shown_with_its_default_and_its_source(site):
    shown = site.get("/weighing").json["inputs"]

    assert inputs(site)["exposure"] == "controlled"
    assert all(each["value"] == each["default"] for each in shown)
    assert all(each["source"] and each["why"] for each in shown)


def test_an_input_that_is_set_is_felt_at_once(known):
    assert reason(known)["priority"] == "scheduled"  # none, controlled, no, medium

    response = known.patch(
        "/weighing", {"exposure": "open", "automatable": True, "human_impact": "very high"}
    )

    assert response.status_code == 200
    assert inputs(known)["exposure"] == "open"
    assert reason(known)["priority"] == "out-of-cycle"  # none, open, yes, very high
    assert "system exposure open (site)" in reason(known)["because"]
    assert known.get("/machines/1").json["machine"]["priority"] == "out-of-cycle"


@pytest.mark.parametrize(
    ("data", "fields"),
    [
        ({"exposure": "wide"}, ["exposure"]),
        ({"automatable": "perhaps", "expsure": "open"}, ["automatable", "expsure"]),
        ([], [""]),
    ],
)
def test_an_input_that_is_unknown_changes_nothing(known, data, fields):
    response = known.patch("/weighing", data)

    assert response.status_code == 422
    assert [error["field"] for error in response.json["errors"]] == fields
    assert inputs(known)["exposure"] == "controlled"


def test_a_catalogue_of_exploited_holes_raises_what_it_names(known):
    assert "no list of exploited ones is recorded" in reason(known)["because"]
    known.patch("/weighing", {"human_impact": "high"})

    response = known.post("/weighing/exploited", catalogue("CVE-2026-99901", "CVE-2026-99902"))

    assert response.json == {
        "version": "2026.05.01",
        "released_at": "2026-05-01T10:00:00.123Z",
        "count": 2,
        "added": 2,
        "removed": 0,
        "named": ["CVE-2026-99901"],
    }
    assert reason(known)["priority"] == "out-of-cycle"  # active, controlled, no, high
    assert "CVE-2026-99901 is known to be exploited" in reason(known)["because"]

    known.post("/weighing/exploited", catalogue("CVE-2026-99902", at="2026-05-02T10:00:00Z"))

    assert reason(known)["priority"] == "scheduled"
    assert "none known of CVE-2026-99901" in reason(known)["because"]


def test_the_same_catalogue_again_changes_nothing_and_a_dry_run_neither(known):
    wanted = catalogue("CVE-2026-99901")

    dry = known.post("/weighing/exploited?dry_run=true", wanted)
    assert known.get("/weighing/exploited").json == {"catalogue": None}
    known.post("/weighing/exploited", wanted)
    again = known.post("/weighing/exploited", wanted)

    assert (dry.json["added"], again.json["added"], again.json["removed"]) == (1, 0, 0)
    assert known.get("/weighing/exploited").json["catalogue"]["named"] == ["CVE-2026-99901"]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"count": 7}, "count"),
        ({"vulnerabilities": None}, "vulnerabilities"),
        ({"dateReleased": "yesterday"}, "dateReleased"),
        ({"vulnerabilities": [{"cveID": "CVE-2026-1"}], "count": 1}, "vulnerabilities[0].cveID"),
    ],
)
def test_a_catalogue_that_is_not_as_published_is_refused_by_field(known, changes, field):
    response = known.post("/weighing/exploited", catalogue() | changes)

    assert response.status_code == 422
    assert response.json["errors"][0]["field"] == field
    assert known.get("/weighing/exploited").json == {"catalogue": None}


def test_an_older_catalogue_does_not_replace_a_newer_one(known):
    known.post("/weighing/exploited", catalogue("CVE-2026-99901"))

    response = known.post("/weighing/exploited", catalogue(at="2026-04-01T10:00:00Z"))

    assert response.status_code == 409
    assert known.get("/weighing/exploited").json["catalogue"]["count"] == 1


def test_the_real_catalogue_is_taken_whole(site):
    data = json.loads(shared_file("standards/kev/kev_excerpt.json").read_text(encoding="utf-8"))

    response = site.post("/weighing/exploited", data)

    assert response.json["count"] == response.json["added"] == data["count"]


def test_an_advisory_tells_its_severity_and_its_exploitation_counts(known):
    known.patch("/weighing", {"human_impact": "very high"})
    advisory = {
        "id": "CVE-2026-99901",
        "exploitation": "public poc",
        "automatable": True,
        # FIRST's own example of firmware, CVE-2016-5729 (CVSS 3.1 examples document).
        "cvss_vector": "CVSS:3.1/AV:L/AC:L/PR:H/UI:N/S:C/C:H/I:H/A:H",
    }

    first = known.post("/weighing/advisories", advisory)
    again = known.post("/weighing/advisories", advisory)

    assert (first.status_code, again.status_code) == (201, 200)
    assert reason(known)["priority"] == "out-of-cycle"  # public PoC, controlled, yes, very high
    assert "severity 8.2 High (told, not weighed)" in reason(known)["because"]
    (told,) = known.get("/weighing/advisories").json["advisories"]
    assert (told["severity"], told["exploitation"]) == ("8.2 High", "public poc")


@pytest.mark.parametrize(
    ("data", "field"),
    [
        ({"id": " "}, "id"),
        ({"id": "QM-1", "cvss_vector": "CVSS:3.1/AV:L"}, "cvss_vector"),
        ({"id": "QM-1", "exploitation": "maybe"}, "exploitation"),
        ({"id": "QM-1", "severity": "8.2 High"}, "severity"),
        ({"exploitation": "none"}, "id"),
    ],
)
def test_a_wrong_advisory_is_refused_by_field(site, data, field):
    response = site.post("/weighing/advisories", data)

    assert response.status_code == 422
    assert [error["field"] for error in response.json["errors"]] == [field]
    assert site.get("/weighing/advisories").json["advisories"] == []


# ---- symptoms ----------------------------------------------------------------------------------


FAULT = {
    "kind": "fault",
    "says": "mends a screen that stays dark",
    "source": "https://quillmark.example/notes",
    "symptoms": ["screen stays dark after start-up"],
}


@pytest.fixture
def faulty(site):
    """Two machines of a model whose next release mends a fault."""
    for number in (1, 2):
        site.machine(number)
    site.know()
    site.post("/releases", RELEASE | {"reasons": [FAULT]})
    return site


def row(site, number):
    machine = site.get(f"/machines/{number}").json["machine"]
    return machine["outcome"], machine["priority"]


def test_a_fault_is_a_reason_for_the_machine_that_shows_it_alone(faulty):
    assert [row(faulty, number) for number in (1, 2)] == [("leave", None), ("leave", None)]

    response = faulty.post(
        "/machines/2/symptoms", {"says": "the screen stayed dark on start-up today"}
    )

    assert response.status_code == 201
    assert [row(faulty, number) for number in (1, 2)] == [("leave", None), ("clear", "scheduled")]
    (told,) = faulty.get("/machines/2").json["need"]["reasons"]
    assert "this machine shows it: 'the screen stayed dark on start-up today'" in told["because"]
    assert [
        each["name"] for each in faulty.get("/machines?priority=scheduled").json["machines"]
    ] == ["desk-002"]
    assert faulty.get("/overview").json["priorities"] == {"none": 1, "scheduled": 1}


def test_a_symptom_that_is_no_longer_seen_ends_the_reason_and_stays_in_the_list(faulty):
    faulty.post("/machines/2/symptoms", {"says": "screen stays dark after start-up"})

    ended = faulty.post("/machines/2/symptoms/1/end", {})

    assert ended.status_code == 204
    assert row(faulty, 2) == ("leave", None)
    (told,) = faulty.get("/machines/2/symptoms").json["symptoms"]
    assert told["ended_at"] == "2026-05-04T10:00:00Z"
    assert faulty.post("/machines/2/symptoms/1/end", {}).status_code == 404
    assert faulty.post("/machines/1/symptoms/1/end", {}).status_code == 404


def test_a_symptom_stays_when_the_release_is_recorded_anew(faulty):
    faulty.post("/machines/2/symptoms", {"says": "screen stays dark after start-up"})

    faulty.post("/releases", RELEASE | {"reasons": [FAULT], "minutes": 30})

    assert row(faulty, 2) == ("clear", "scheduled")


@pytest.mark.parametrize("says", ["dark", "   ", "it is"])
def test_a_symptom_that_says_too_little_is_refused(faulty, says):
    response = faulty.post("/machines/2/symptoms", {"says": says})

    assert response.status_code == 422
    assert response.json["errors"][0]["field"] == "says"
    assert faulty.get("/machines/2/symptoms").json["symptoms"] == []


def test_of_a_machine_that_is_not_there_no_symptom_is_recorded(site):
    assert site.post("/machines/7/symptoms", {"says": "the fan hums loudly"}).status_code == 404
    assert site.get("/machines/7/symptoms").status_code == 404
