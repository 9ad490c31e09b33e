"""One look at a maker's page is recorded in a minute, and grows old."""

import pytest

from support.site import RELEASE

READING = {
    "machine_maker": "QUILLMARK",
    "models": ["Folio 14"],
    "source": "https://quillmark.example/folio-14",
    "newest_version_text": "1.34",
}
REASON = {
    "kind": "security",
    "says": "closes a hole",
    "source": "https://quillmark.example/folio-14",
    "advisories": ["QM-2026-07"],
}


def worklist(site):
    return site.get("/reviews/worklist").json["worklist"]


def one_release(site):
    (stored,) = site.get("/releases").json["releases"]
    return stored["release"]


def test_the_worklist_names_what_nobody_has_compared_by_number_of_machines(site):
    site.machine(1)
    for number in (2, 3):
        site.machine(number, machine={"product": "Slate 3"})

    assert [(item["model"], item["machines"]) for item in worklist(site)] == [
        ("Slate 3", 2),
        ("Folio 14", 1),
    ]


def test_a_page_that_offers_nothing_newer_is_reviewed_and_off_the_list(site):
    site.machine(1)

    response = site.post("/reviews", READING | {"newest_version_text": ""})

    assert response.json["reviews"] == {"added": 1, "changed": 0, "unchanged": 0}
    assert worklist(site) == []
    assert site.get("/machines/1").json["machine"]["outcome"] == "leave"
    (stored,) = site.get("/reviews").json["reviews"]
    assert stored["review"]["reviewed_by"] == "Ida Fenwick"
    assert stored["review"]["reviewed_at"] == "2026-05-04T10:00:00Z"


def test_a_newer_version_without_a_reason_is_recorded_and_left_alone(site):
    site.machine(1)

    response = site.post("/reviews", READING | {"released_on": "2026-03-02"})

    assert response.json["releases"] == {"added": 1, "changed": 0, "unchanged": 0}
    release = one_release(site)
    assert (release["version_text"], release["released_on"]) == ("1.34", "2026-03-02")
    assert release["notes_url"] == "https://quillmark.example/folio-14"
    assert site.get("/machines/1").json["machine"]["outcome"] == "leave"


def test_a_reason_is_recorded_with_the_release_that_it_speaks_for(site):
    site.machine(1)

    site.post("/reviews", READING | {"reason": REASON})

    assert one_release(site)["reasons"][0]["advisories"] == ["QM-2026-07"]
    assert site.get("/machines/1").json["machine"]["priority"] == "scheduled"


def test_what_is_known_of_a_release_stays_when_its_page_is_read_again(site):
    site.post("/releases", RELEASE)

    site.post("/reviews", READING | {"reason": REASON})
    again = site.post("/reviews", READING | {"reason": REASON})

    release = one_release(site)
    assert [reason["says"] for reason in release["reasons"]] == [
        "closes a hole that is being exploited",
        "closes a hole",
    ]
    assert (release["minutes"], release["ways"]) == (25, ["inside-os"])
    assert again.json["releases"] == {"added": 0, "changed": 0, "unchanged": 1}


def test_a_review_ages_by_policy_and_comes_back_to_the_list(site):
    site.machine(1)
    site.post("/reviews", READING | {"reviewed_at": "2026-05-01T10:00:00Z"})

    site.clock.pass_by(days=88)

    (item,) = worklist(site)
    assert item["because"] == "compared last on 2026-05-01, which is too long ago"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"models": ["*"]}, "models[0]"),
        ({"source": " "}, "source"),
        ({"newest_version_text": "utterly unlike !"}, "newest_version_text"),
        ({"machine_maker": "Default string"}, "machine_maker"),
        ({"reason": REASON | {"says": ""}}, "reasons[0].says"),
        ({"reviewed_at": "2027-01-01T00:00:00Z"}, "reviewed_at"),
        ({"newst": "1.34"}, "newst"),
        ({"reason": REASON | {"kind": "whim"}}, "reason.kind"),
    ],
)
def test_a_wrong_field_is_named_once_and_nothing_is_recorded(site, change, field):
    response = site.post("/reviews", READING | change)

    assert response.status_code == 422
    assert [error["field"] for error in response.json["errors"]] == [field]
    assert site.get("/reviews").json["reviews"] == []
    assert site.get("/releases").json["releases"] == []


def test_reviews_are_listed_newest_first_a_page_at_a_time(site):
    for number in range(7):
        site.post("/reviews", READING | {"newest_version_text": f"1.{number}"})

    first = site.get("/reviews?limit=4")
    second = site.get(first.headers["Link"].partition(">")[0].removeprefix("</api/v1"))

    told = [
        each["review"]["newest_version_text"]
        for page in (first, second)
        for each in page.json["reviews"]
    ]
    assert told == [f"1.{number}" for number in reversed(range(7))]
    assert site.get("/reviews?maker=Tarnbrook").json["reviews"] == []
