"""Files of releases: JSON by its published schema, CSV by its columns, and UTF-8 only."""

import csv
import io
import json

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from jsonschema.exceptions import ValidationError

from flashworthy_common.releases import Release
from flashworthy_common.values import from_json
from flashworthy_server import documents
from flashworthy_server.errors import UnreadableBodyError
from flashworthy_server.release_schema import DIALECT, document_schema
from support.site import KNOWLEDGE, RELEASE, REVIEW

FULL_RELEASE = RELEASE | {
    "skus": ["QF14-16G"],
    "board_versions": ["A", "Rev*"],
    "state": "superseded",
    "state_reason": "superseded by 1.36",
    "notes_url": "https://quillmark.example/folio-14/notes",
    "reasons": [
        RELEASE["reasons"][0] | {"advisories": ["QM-2026-07", "QM-2026-08"]},
        {
            "kind": "fault",
            "says": 'mends, among others, a "humming" fan; at last',
            "source": "=notes",
            "symptoms": ["fan hums after sleep", "fan whistles when closed"],
        },
    ],
    "requires": {
        "firmware": "1.20",
        "os_builds": [{"name": "Alderleaf", "version_text": "12.4"}],
        "installed": [
            {"name": "qm-bridge", "version_text": "2.10"},
            {"name": "qm tools", "version_text": "7"},
        ],
        "mains": True,
        "charge_percent": 37.5,
        "free_bytes": 2_000_000_000,
        "os_updates": True,
    },
    "ways": ["inside-os", "boot-media"],
    "resets_settings": False,
    "back_to": "1.20",
    "esrt_class": "6b1c5f2e-0d9a-4c1e-8f55-0c9f3f1f7a10",
    "esrt_version": 65_572,
    "recovery": "hold Home while it starts, with a USB stick",
}
ADVISORY = {
    "id": "QM-2026-07",
    "exploitation": "public poc",
    "automatable": False,
    # FIRST's own example of firmware, CVE-2016-5729: 8.2, High (CVSS 3.1 examples document).
    "cvss_vector": "CVSS:3.1/AV:L/AC:L/PR:H/UI:N/S:C/C:H/I:H/A:H",
    "source": "https://quillmark.example/QM-2026-07",
}
WHOLE = {"releases": [FULL_RELEASE, RELEASE | {"version_text": "1.36"}], "reviews": [REVIEW]}
SCHEMA = Draft202012Validator(document_schema(), format_checker=FormatChecker())


# ---- the published schema ----------------------------------------------------------------------


def test_the_schema_is_one_of_its_draft_and_is_served_to_anyone(site):
    response = site.client.get("/api/v1/releases/schema.json")

    Draft202012Validator.check_schema(response.json)
    assert response.json["$schema"] == DIALECT
    assert response.content_type == "application/schema+json"
    assert response.json == document_schema()


def test_what_is_exported_is_valid_and_imports_to_the_same(site):
    site.post("/releases/import", WHOLE | {"advisories": [ADVISORY]})

    exported = site.get("/releases/export").json

    SCHEMA.validate(exported)
    assert [len(rows) for rows in exported.values()] == [2, 1, 1]
    again = site.post("/releases/import", exported).json
    assert [tally["unchanged"] for tally in again.values()] == [2, 1, 1]


@pytest.mark.parametrize("document", [{}, KNOWLEDGE, WHOLE, {"advisories": [ADVISORY]}])
def test_what_the_server_takes_the_schema_takes(site, document):
    SCHEMA.validate(document)

    assert site.post("/releases/import", document).status_code == 200


@pytest.mark.parametrize(
    "document",
    [
        [],
        {"relases": []},
        {"releases": {}},
        {"releases": [{k: v for k, v in RELEASE.items() if k != "models"}]},
        {"releases": [RELEASE | {"models": "Folio 14"}]},
        {"releases": [RELEASE | {"minutes": -1}]},
        {"releases": [RELEASE | {"minutes": "20"}]},
        {"releases": [RELEASE | {"minuts": 20}]},
        {"releases": [RELEASE | {"state": "rumoured"}]},
        {"releases": [RELEASE | {"released_on": "02.03.2026"}]},
        {"releases": [RELEASE | {"requires": {"charge_percent": 101}}]},
        {"releases": [RELEASE | {"notes_url": None}]},
        {"reviews": [REVIEW | {"reviewed_by": 5}]},
        {"advisories": [{"exploitation": "none"}]},
        {"advisories": [ADVISORY | {"severity": "8.2 High"}]},
    ],
)
def test_what_the_schema_refuses_the_server_refuses(site, document):
    with pytest.raises(ValidationError):
        SCHEMA.validate(document)

    assert site.post("/releases/import", document).status_code == 422


# ---- CSV ---------------------------------------------------------------------------------------


def as_csv(site, text, **headers):
    return site.client.post(
        "/api/v1/releases/import",
        data=text if isinstance(text, bytes) else text.encode(),
        headers={"Authorization": f"Bearer {site.token}", "Content-Type": "text/csv", **headers},
    )


def rows_of(text):
    return [row.data for row in documents.read_csv(text).rows["releases"]]


def test_releases_come_back_from_csv_as_they_were(site):
    site.post("/releases/import", WHOLE)

    text = site.get("/releases", Accept="text/csv").text

    assert as_csv(site, text).json["releases"] == {"added": 0, "changed": 0, "unchanged": 2}
    stated = [from_json(Release, row) for row in rows_of(text)]
    assert stated == [from_json(Release, row) for row in WHOLE["releases"]]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_spreadsheets_write_csv_with_other_separators_and_a_mark(separator, mark):
    text = separator.join(["machine_maker", "models", "version_text", "minutes", "can_go_back"])
    text += (
        "\r\n" + separator.join(["Quillmark", "Folio 14 | QF14", "1.34", "25", "yes"]) + "\r\n\r\n"
    )

    assert rows_of(documents.decoded((mark + text).encode())) == [
        {
            "machine_maker": "Quillmark",
            "models": ["Folio 14", "QF14"],
            "version_text": "1.34",
            "minutes": 25,
            "can_go_back": True,
            "reasons": [],
        }
    ]


def test_further_reasons_stand_on_lines_of_their_own():
    text = (
        "machine_maker,models,version_text,minutes,reason_kind,reason_says,reason_source\n"
        "Quillmark,Folio 14,1.34,25,security,closes a hole,notes\n"
        "Quillmark,Folio 14,1.34,,fault,mends the fan,notes\n"
        "Quillmark,Folio 14,1.34,30,fault,mends the fan,notes\n"
    )

    rows = rows_of(text)

    assert [len(row["reasons"]) for row in rows] == [2, 1]
    assert [row["minutes"] for row in rows] == [25, 30]


def test_what_a_spreadsheet_would_run_is_written_with_an_apostrophe_and_read_without():
    release = from_json(Release, RELEASE | {"recovery": "=HYPERLINK(1)"})

    line = list(documents.write_csv([release]))[1]

    assert "'=HYPERLINK(1)" in next(csv.reader(io.StringIO(line)))
    text = "".join(documents.write_csv([release]))
    assert rows_of(text)[0]["recovery"] == "=HYPERLINK(1)"


HEADER = "machine_maker,models,version_text,minutes,requires_installed\n"


@pytest.mark.parametrize(
    ("lines", "errors"),
    [
        (
            "Quillmark,Folio 14,1.34,soon,\n",
            [(2, "releases[0].minutes", "expected a whole number")],
        ),
        (
            "Quillmark,*,1.34,,\nQuillmark,Folio 14,utterly unlike !,-3,\n",
            [
                (2, "releases[0].models[0]", "expected 3 letters or digits before"),
                (3, "releases[1].minutes", "expected a whole number"),
            ],
        ),
        ("Quillmark,Folio 14\n", [(2, "releases[0].version_text", "expected a value")]),
        ("Quillmark,Folio 14,1.34,5,,6\n", [(2, "line 2", "expected 5 cells as in the header")]),
        (
            'Quillmark,"Folio\n14",1.34,5,\nQuillmark,Folio 14,1.36,5,qm-bridge\n',
            [(4, "releases[1].requires.installed[0]", "expected an object, got 'qm-bridge'")],
        ),
    ],
)
def test_faults_of_csv_are_named_with_line_and_field(site, lines, errors):
    response = as_csv(site, HEADER + lines)

    assert response.status_code == 422
    told = [(each["line"], each["field"]) for each in response.json["errors"]]
    assert told == [(line, field) for line, field, _ in errors]
    for each, (_, _, reason) in zip(response.json["errors"], errors, strict=True):
        assert each["reason"].startswith(reason)
    assert site.get("/releases").json["releases"] == []


@pytest.mark.parametrize(
    ("header", "reason"),
    [
        ("machine_maker,models\n", "the column version_text is missing"),
        ("machine_maker,models,version_text,minuts\n", "no column is known by the name 'minuts'"),
        ("machine_maker,models,version_text,models\n", "the column models stands there twice"),
        ("", "expected the names of the columns, got nothing"),
    ],
)
def test_a_wrong_header_is_told(site, header, reason):
    response = as_csv(site, header)

    assert response.status_code == 422
    assert response.json["errors"][0]["field"] == "header"
    assert response.json["errors"][0]["reason"] == reason


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (
            HEADER.encode() + "Quillmark,Folio 14,1.34,5,\nŁódź & Söhne,X,1,,\n".encode("cp1250"),
            "line 3: expected UTF-8, got the byte 0xa3; save the file as UTF-8",
        ),
        (HEADER.encode("utf-16"), "line 1: expected UTF-8, got the byte 0xff"),
        (
            HEADER.encode() + b'Quillmark,"Folio 14,1.34\n',
            "line 2: not CSV: unexpected",
        ),
    ],
    ids=["another code page", "UTF-16", "an open quotation mark"],
)
def test_what_cannot_be_taken_apart_is_told_with_its_line(site, raw, message):
    response = as_csv(site, raw)

    assert response.status_code == 400
    assert response.json["detail"].startswith(message)


def test_every_column_is_explained_and_leads_to_a_field_of_the_schema():
    row = document_schema()["properties"]["releases"]["items"]

    for column in documents.RELEASE_COLUMNS:
        inner = row
        for name in column.path:
            inner = inner["properties"][name]
        assert column.about
    reason = row["properties"]["reasons"]["items"]["properties"]
    assert {column.path[0] for column in documents.REASON_COLUMNS} == set(reason)


# ---- JSON --------------------------------------------------------------------------------------


def test_lines_of_rows_are_found_whatever_the_layout():
    text = '\n{"reviews":[],\n "releases" : [ {"a": "[,\\"{"} ,\n\n [1,\n2],"x"\n,3 ] , "z": 1}\n'

    assert documents.lines_of_rows(text) == {
        "releases[0]": 3,
        "releases[1]": 5,
        "releases[2]": 6,
        "releases[3]": 7,
    }
    assert documents.lines_of_rows("[1]") == {}
    assert documents.lines_of_rows("{}") == {}


def test_broken_json_is_told_with_its_line():
    with pytest.raises(UnreadableBodyError, match="line 2 column 1"):
        documents.read_json('{"releases": [\n')


def test_ten_thousand_lines_are_counted_in_one_pass():
    text = json.dumps({"releases": [[]] * 10_000}, indent=0)

    lines = documents.lines_of_rows(text)

    assert (lines["releases[0]"], lines["releases[9999]"]) == (3, 10_002)
