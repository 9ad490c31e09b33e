"""Releases and reviews are recorded all or not at all, and change what they speak of at once."""

import json

import pytest

from support.site import KNOWLEDGE, RELEASE, REVIEW

NOTHING = {"added": 0, "changed": 0, "unchanged": 0}
NONE_AT_ALL = {"releases": NOTHING, "reviews": NOTHING, "advisories": NOTHING}


def importing(site, releases=(), reviews=()):
    return site.post("/releases/import", {"releases": list(releases), "reviews": list(reviews)})


def recorded(site):
    return [each["release"]["version_text"] for each in site.get("/releases").json["releases"]]


def test_a_document_is_recorded_and_counted(site):
    response = site.post("/releases/import", KNOWLEDGE)

    assert response.status_code == 200
    assert response.json == {
        "releases": {"added": 1, "changed": 0, "unchanged": 0},
        "reviews": {"added": 1, "changed": 0, "unchanged": 0},
        "advisories": NOTHING,
    }


def test_importing_twice_changes_nothing(site):
    site.post("/releases/import", KNOWLEDGE)
    before = site.get("/releases").json

    again = site.post("/releases/import", KNOWLEDGE)

    assert again.json == {
        "releases": {"added": 0, "changed": 0, "unchanged": 1},
        "reviews": {"added": 0, "changed": 0, "unchanged": 1},
        "advisories": NOTHING,
    }
    assert site.get("/releases").json == before


def test_what_is_said_anew_of_a_release_replaces_what_was_recorded(site):
    importing(site, [RELEASE])

    response = importing(site, [RELEASE | {"minutes": 40, "models": ["Folio 14", "Folio 15"]}])

    assert response.json["releases"] == {"added": 0, "changed": 1, "unchanged": 0}
    (stored,) = site.get("/releases").json["releases"]
    assert stored["release"]["minutes"] == 40
    assert stored["release"]["models"] == ["Folio 14", "Folio 15"]


def test_one_version_may_mean_two_releases_for_different_models(site):
    response = importing(site, [RELEASE, RELEASE | {"models": ["Slate 3"], "minutes": 5}])

    assert response.json["releases"]["added"] == 2


def test_an_empty_document_is_no_mistake(site):
    assert site.post("/releases/import", {}).json == NONE_AT_ALL


BAD_ROWS = [
    (5, "", "expected an object, got 5"),
    ({"machine_maker": "To be filled by O.E.M."}, "machine_maker", "expected a maker's name"),
    ({"models": []}, "models", "expected the name of one model or more"),
    ({"models": ["  "]}, "models[0]", "expected "),
    ({"models": ["*"]}, "models[0]", "expected 3 letters or digits before the first '*'"),
    ({"models": ["Folio 14", "F*"]}, "models[1]", "expected 3 letters or digits before"),
    ({"models": "Folio 14"}, "models", "expected a list of at most 1000 items"),
    ({"version_text": "utterly unlike !"}, "version_text", "expected a version in a known way"),
    ({"version_text": " "}, "version_text", "expected a version, got nothing"),
    ({"released_on": "02.03.2026"}, "released_on", "expected a date such as 2026-05-04"),
    ({"released_on": "9999-12-31"}, "released_on", "expected a day that has been"),
    ({"state": "rumoured"}, "state", "expected one of offered, superseded, withdrawn"),
    ({"state": "withdrawn"}, "state_reason", "expected why it was withdrawn, got nothing"),
    ({"notes_url": "javascript:alert(1)"}, "notes_url", "expected a link that begins with"),
    ({"minutes": -5}, "minutes", "expected a whole number from 0 to"),
    ({"minuts": 5}, "minuts", "no field is known by this name"),
    (
        {"requires": {"firmware": "1.34"}},
        "requires.firmware",
        "expected a version before 1.34, which asks for it",
    ),
    ({"back_to": "Q7 build", "can_go_back": True}, "back_to", "expected a version in a known way"),
    (
        {"reasons": [RELEASE["reasons"][0] | {"weight": 3}]},
        "reasons[0].weight",
        "no field is known by this name",
    ),
    (
        {"reasons": [RELEASE["reasons"][0] | {"kind": "whim"}]},
        "reasons[0].kind",
        "expected one of security, fault",
    ),
]


@pytest.mark.parametrize(("change", "field", "reason"), BAD_ROWS)
def test_a_bad_row_is_named_with_its_field_and_nothing_is_recorded(site, change, field, reason):
    row = RELEASE | change if isinstance(change, dict) else change

    response = importing(site, [RELEASE, row], [REVIEW])

    assert response.status_code == 422
    assert response.json["detail"] == "1 bad row; nothing was recorded"
    (error,) = response.json["errors"]
    assert error["field"] == f"releases[1].{field}".strip(".")
    assert error["reason"].startswith(reason)
    assert recorded(site) == []


def test_every_fault_of_every_row_is_named_at_once(site):
    rows = [RELEASE | {"minutes": "long", "restarts": -1}, RELEASE, {"state": 5}]

    response = importing(site, rows, [REVIEW | {"reviewed_at": "2027-01-01T00:00:00Z"}])

    assert response.json["detail"] == "3 bad rows; nothing was recorded"
    assert [error["field"] for error in response.json["errors"]] == [
        "releases[0].minutes",
        "releases[0].restarts",
        "releases[2].machine_maker",  # in the order of the fields
        "releases[2].models",
        "releases[2].version_text",
        "releases[2].state",
        "reviews[0].reviewed_at",
    ]


def test_a_fault_is_named_with_its_line(site):
    rows = ",\n".join(json.dumps(row) for row in (RELEASE, RELEASE | {"models": []}))

    response = site.client.post(
        "/api/v1/releases/import",
        data=f'{{"releases": [\n{rows}]}}',
        headers={"Authorization": f"Bearer {site.token}", "Content-Type": "application/json"},
    )

    assert response.json["errors"] == [
        {
            "field": "releases[1].models",
            "reason": "expected the name of one model or more, got none",
            "line": 3,
        }
    ]


@pytest.mark.parametrize(
    ("document", "field"),
    [
        ([], "document"),
        ({"releases": {}}, "releases"),
        ({"reviews": None}, "reviews"),
        ({"relases": []}, "relases"),
    ],
)
def test_a_document_of_another_shape_is_refused_by_name(site, document, field):
    response = site.post("/releases/import", document)

    assert response.status_code == 422
    assert response.json["errors"][0]["field"] == field


def test_two_rows_that_contradict_each_other_are_refused(site):
    response = importing(site, [RELEASE, RELEASE | {"minutes": 5, "machine_maker": "quillmark"}])

    assert response.json["errors"] == [
        {"field": "releases[1]", "reason": "says otherwise than releases[0] in minutes", "line": 1}
    ]


def test_two_rows_that_name_one_model_in_different_company_are_refused(site):
    response = importing(site, [RELEASE | {"models": ["Folio 14", "Slate 3"]}, RELEASE])

    assert response.status_code == 422
    (error,) = response.json["errors"]
    assert error["field"] == "releases[1].models"
    assert error["reason"].startswith("an earlier row of this version")
    assert recorded(site) == []


def test_a_row_that_says_what_another_says_is_no_mistake(site):
    response = importing(site, [RELEASE, RELEASE])

    assert response.json["releases"] == {"added": 1, "changed": 0, "unchanged": 1}


def test_a_row_with_several_faults_has_them_all_named(site):
    response = importing(site, [RELEASE | {"models": [], "notes_url": "ftp://x", "minuts": 5}])

    assert response.json["detail"] == "1 bad row; nothing was recorded"
    assert [error["field"] for error in response.json["errors"]] == [
        "releases[0].models",
        "releases[0].notes_url",
        "releases[0].minuts",
    ]


def test_a_row_that_would_swallow_two_recorded_releases_is_refused(site):
    importing(site, [RELEASE, RELEASE | {"models": ["Slate 3"], "minutes": 5}])

    response = importing(
        site, [RELEASE | {"version_text": "1.40"}, RELEASE | {"models": ["Folio 14", "Slate 3"]}]
    )

    assert response.status_code == 422
    assert response.json["errors"][0]["field"] == "releases[1].models"
    assert recorded(site) == ["1.34", "1.34"]


def test_one_release_is_recorded_by_itself(site):
    first = site.post("/releases", RELEASE)
    again = site.post("/releases", RELEASE)

    assert (first.status_code, first.json) == (201, {"added": 1, "changed": 0, "unchanged": 0})
    assert (again.status_code, again.json) == (200, {"added": 0, "changed": 0, "unchanged": 1})


def test_releases_are_listed_a_page_at_a_time_and_by_maker(site):
    rows = [RELEASE | {"version_text": f"1.{number}"} for number in range(7)]
    importing(site, [*rows, RELEASE | {"machine_maker": "Brightloom"}])

    first = site.get("/releases?maker=QUILLMARK&limit=4")
    link = first.headers["Link"].partition(">")[0].removeprefix("</api/v1")
    second = site.get(link)

    assert [each["release"]["version_text"] for each in first.json["releases"]] == [
        "1.0",
        "1.1",
        "1.2",
        "1.3",
    ]
    assert [each["release"]["version_text"] for each in second.json["releases"]] == [
        "1.4",
        "1.5",
        "1.6",
    ]
    assert "Link" not in second.headers


def test_new_knowledge_changes_need_and_verdict_of_its_machines_at_once(site):
    site.machine(1)
    site.machine(2, machine={"product": "Slate 3"})

    site.know()

    rows = site.get("/machines").json["machines"]
    assert [(row["standing"], row["outcome"]) for row in rows] == [
        ("behind", "clear"),
        ("unlisted", "undecided"),
    ]


def test_a_withdrawn_release_is_no_longer_a_target(site):
    site.machine(1)
    site.post("/releases/import", KNOWLEDGE)

    importing(site, [RELEASE | {"state": "withdrawn", "state_reason": "it stops some disks"}])

    (row,) = site.get("/machines").json["machines"]
    assert (row["standing"], row["outcome"]) == ("unlisted", "leave")


def test_a_model_that_a_release_no_longer_names_is_judged_without_it(site):
    site.machine(1)
    importing(site, [RELEASE | {"models": ["Folio 14", "Slate 3"]}], [REVIEW])
    assert site.get("/machines/1").json["machine"]["standing"] == "behind"

    importing(site, [RELEASE | {"models": ["Slate 3"]}])

    assert site.get("/machines/1").json["machine"]["standing"] == "unlisted"


def test_a_machine_that_joins_later_is_judged_by_what_was_recorded_before(site):
    site.know()

    site.machine(1)

    assert site.get("/machines/1").json["machine"]["outcome"] == "clear"


def test_a_review_grows_old_and_the_combination_comes_back_to_be_looked_at(site):
    site.machine(1)
    site.post("/releases/import", KNOWLEDGE)

    site.clock.pass_by(days=88)

    (item,) = site.get("/overview").json["worklist"]
    assert item["because"] == "compared last on 2026-05-01, which is too long ago"


# ---- one release -------------------------------------------------------------------------------


def test_a_single_release_has_its_faults_by_field_name(site):
    response = site.post("/releases", RELEASE | {"models": ["*"], "minutes": -1, "restarts": "x"})

    assert response.status_code == 422
    assert response.json["detail"] == "2 bad fields; nothing was recorded"
    assert [error["field"] for error in response.json["errors"]] == ["minutes", "restarts"]


def test_a_release_is_withdrawn_with_its_reason_and_offered_again(site):
    site.machine(1)
    site.know()

    silent = site.patch("/releases/1", {"state": "withdrawn"})
    site.patch("/releases/1", {"state": "withdrawn", "state_reason": "it stops some disks"})

    assert silent.json["errors"] == [
        {"field": "state_reason", "reason": "expected why it was withdrawn, got nothing"}
    ]
    assert site.get("/machines/1").json["machine"]["outcome"] == "leave"
    assert site.get("/releases/1").json["release"]["state_reason"] == "it stops some disks"

    site.patch("/releases/1", {"state": "offered"})

    assert site.get("/machines/1").json["machine"]["outcome"] == "clear"
    assert site.patch("/releases/7", {"state": "offered"}).status_code == 404


def test_releases_are_filtered(site):
    hole = RELEASE["reasons"][0] | {"advisories": ["QM-2026-07"]}
    how = "hold Home; auf Überhitzung achten"
    others = [
        RELEASE | {"version_text": "1.31", "state": "superseded"},
        RELEASE
        | {
            "version_text": "1.36",
            "reasons": [hole],
            "recovery": how,
        },
    ]
    importing(site, [RELEASE, *others])

    def found(query):
        rows = site.get(f"/releases?{query}").json["releases"]
        return [each["release"]["version_text"] for each in rows]

    assert found("state=superseded") == ["1.31"]
    assert found("advisory=QM-2026-07") == ["1.36"]
    assert found("text=HOLD home") == ["1.36"]
    assert found("text=Überhitzung") == ["1.36"]
    assert found("maker=Tarnbrook") == []
    assert site.get("/releases?state=rumoured").status_code == 422


def test_two_spellings_of_a_version_are_one_release(site):
    importing(site, [RELEASE | {"machine_maker": "Tarnbrook", "version_text": "T1.34"}])

    again = importing(
        site, [RELEASE | {"machine_maker": "TARNBROOK", "version_text": "t1.34", "minutes": 9}]
    )

    assert again.json["releases"] == {"added": 0, "changed": 1, "unchanged": 0}


# ---- what would change -------------------------------------------------------------------------


def test_a_dry_run_shows_the_difference_and_records_nothing(site):
    importing(site, [RELEASE])
    document = {"releases": [RELEASE | {"minutes": 40}, RELEASE | {"version_text": "1.36"}]}

    response = site.post("/releases/import?dry_run=true", document)

    assert response.json["releases"] == {"added": 1, "changed": 1, "unchanged": 0}
    assert response.json["changes"] == [
        {
            "kind": "release",
            "position": "releases[0]",
            "what": "Quillmark Inc. Folio 14: 1.34",
            "is_new": False,
            "differences": [{"field": "minutes", "before": 25, "after": 40}],
        },
        {
            "kind": "release",
            "position": "releases[1]",
            "what": "Quillmark Inc. Folio 14: 1.36",
            "is_new": True,
            "differences": [],
        },
    ]
    assert recorded(site) == ["1.34"]
    assert site.get("/releases/1").json["release"]["minutes"] == 25
