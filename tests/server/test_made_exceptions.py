"""The site decides otherwise: with a reason, an owner and an end; told on every verdict."""

import pytest

from support.site import RELEASE

ACCEPTED = {
    "kind": "risk-accepted",
    "machine_maker": "QUILLMARK",
    "models": ["Folio 14"],
    "version_text": "1.34",
    "reason": "exams until the end of May",
    "owner": "Ida Fenwick",
    "until": "2026-05-31",
}
NOT_THIS = ACCEPTED | {"kind": "not-this-release"}


@pytest.fixture
def pressing(site):
    """Two machines that would be told to go."""
    for number in (1, 2):
        site.machine(number)
    site.know()
    return site


def outcomes(site):
    return [row["outcome"] for row in site.get("/machines").json["machines"]]


def exception_check(site, number):
    checks = site.get(f"/machines/{number}/verdict").json["checks"]
    return next((each for each in checks if each["code"] == "need.exception"), None)


@pytest.mark.parametrize("data", [ACCEPTED, NOT_THIS])
def test_an_exception_leaves_every_machine_of_the_model_alone_and_says_why(pressing, data):
    response = pressing.post("/exceptions", data)

    assert response.status_code == 201
    assert outcomes(pressing) == ["leave", "leave"]
    told = exception_check(pressing, 1)
    assert told["says"] == (
        "by the site's own decision: exams until the end of May (Ida Fenwick, until 2026-05-31)"
    )


def test_an_exception_for_one_machine_leaves_the_others_as_they_were(pressing):
    pressing.post("/exceptions", ACCEPTED | {"machine_ids": [2]})

    assert outcomes(pressing) == ["clear", "leave"]
    assert exception_check(pressing, 1) is None


def test_an_exception_ends_by_itself(pressing):
    pressing.post("/exceptions", ACCEPTED | {"until": "2026-05-04"})
    assert outcomes(pressing) == ["leave", "leave"]

    pressing.clock.pass_by(hours=14)  # to midnight, UTC

    assert "leave" not in outcomes(pressing)
    assert pressing.get("/exceptions?in_force=true").json["exceptions"] == []
    assert len(pressing.get("/exceptions").json["exceptions"]) == 1


@pytest.mark.parametrize("machine_ids", [[], [1, 2]])
def test_an_exception_is_ended_early_with_a_reason(pressing, machine_ids):
    pressing.post("/exceptions", ACCEPTED | {"machine_ids": machine_ids})

    response = pressing.post("/exceptions/1/end", {"reason": "exams are over"})

    assert response.json["ended_at"] == "2026-05-04T10:00:00Z"
    assert outcomes(pressing) == ["clear", "clear"]
    assert pressing.get("/exceptions?in_force=true").json["exceptions"] == []
    assert pressing.post("/exceptions/1/end", {"reason": "again"}).status_code == 409
    assert pressing.post("/exceptions/7/end", {"reason": "which?"}).status_code == 404


def test_a_risk_that_comes_to_light_later_is_not_covered(pressing):
    hole = RELEASE["reasons"][0] | {"advisories": ["QM-2026-07"]}
    pressing.post("/releases", RELEASE | {"reasons": [hole]})
    pressing.post("/exceptions", ACCEPTED | {"version_text": "", "advisories": ["QM-2026-07"]})
    assert outcomes(pressing) == ["leave", "leave"]

    another = RELEASE["reasons"][0] | {"advisories": ["QM-2026-11"]}
    pressing.post("/releases", RELEASE | {"reasons": [hole, another]})

    assert outcomes(pressing) == ["clear", "clear"]


def test_exceptions_are_listed_newest_first(pressing):
    pressing.post("/exceptions", ACCEPTED)
    pressing.post("/exceptions", NOT_THIS)

    first = pressing.get("/exceptions?limit=1")
    second = pressing.get(first.headers["Link"].partition(">")[0].removeprefix("</api/v1"))

    kinds = [page.json["exceptions"][0]["exception"]["kind"] for page in (first, second)]
    assert kinds == ["not-this-release", "risk-accepted"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"reason": " "}, "reason"),
        ({"owner": ""}, "owner"),
        ({"until": "2026-05-03"}, "until"),
        ({"until": "soon"}, "until"),
        ({"models": ["*"]}, "models[0]"),
        ({"models": []}, "models"),
        ({"version_text": ""}, "advisories"),
        ({"kind": "whim"}, "kind"),
        ({"machine_ids": [1, 77]}, "machine_ids[1]"),
        ({"ownr": "x"}, "ownr"),
    ],
)
def test_a_wrong_exception_is_refused_by_field(pressing, change, field):
    response = pressing.post("/exceptions", ACCEPTED | change)

    assert response.status_code == 422
    assert [error["field"] for error in response.json["errors"]] == [field]
    assert outcomes(pressing) == ["clear", "clear"]
