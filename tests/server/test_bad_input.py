"""What is refused, with which status, and in which words."""

import gzip
import json
import random

import pytest

from support.site import OTHER_AGENT, a_sent_report, an_application

LIMIT = 256 * 1024  # bytes, of one report
MISSING = "Missing data for required field."

ENVELOPE = [
    ("wire", 2, "Expected one of 1, got 2."),
    ("wire", "1", "Not a valid integer."),
    (
        "report_id",
        "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801",
        "Expected a lower-case UUID of version 7",
    ),
    ("report_id", 5, "Not a valid string."),
    ("agent_id", "AGENT", "Expected a lower-case UUID, got 'AGENT'."),
    ("agent_id", "00000000-0000-0000-0000-000000000000", "Expected a lower-case UUID"),
    ("sequence", -1, "Must be greater than or equal to 0 and less than or equal to"),
    ("sequence", 2**53, "Must be greater than or equal to 0 and less than or equal to"),
    ("sequence", 1.5, "Not a valid integer."),
    ("sequence", True, "Not a valid integer."),
    ("sequence", "1", "Not a valid integer."),
    ("taken_at", "2026-05-04 10:00", "Expected an RFC 3339 time such as 2026-05-04T10:00:00Z, got"),
    ("taken_at", "2026-05-04T10:00:00", "Expected an RFC 3339 time"),  # no offset
    ("taken_at", 1777888800, "Expected an RFC 3339 time"),
    ("taken_at", None, "Field may not be null."),
    ("source", "hearsay", "Must be one of: agent, file, person."),
    ("why", [], "Must be one of: schedule, start-up, spot, by-hand."),
]


@pytest.fixture
def token(site):
    return site.enrol(hostname="reading-room-4")


def post_raw(site, token, body, **headers):
    return site.client.post(
        "/api/v1/reports",
        data=body,
        headers={"Authorization": f"Bearer {token}", "Content-Type": "application/json"} | headers,
    )


@pytest.mark.parametrize(("field", "value", "reason"), ENVELOPE)
def test_a_wrong_field_of_the_envelope_is_refused_by_name(site, token, field, value, reason):
    report = a_sent_report() | {field: value}

    response = site.post("/reports", report, token=token)

    assert response.status_code == 422
    assert response.json["detail"] == f"wrong or missing: {field}"
    (error,) = response.json["errors"]
    assert error["field"] == field
    assert error["reason"].startswith(reason)
    assert site.get("/machines/1/history").json["reports"] == []


def test_every_missing_field_of_the_envelope_is_named_at_once(site, token):
    response = site.post("/reports", {}, token=token)

    names = ["wire", "report_id", "agent_id", "sequence", "taken_at", "source", "why"]
    assert response.status_code == 422
    assert response.json == {
        "title": "Unprocessable Entity",
        "status": 422,
        "detail": "wrong or missing: " + ", ".join(names),
        "errors": [{"field": name, "reason": MISSING} for name in names],
    }


@pytest.mark.parametrize("data", [[], [a_sent_report()], "report", 5, None])
def test_a_report_that_is_no_object_is_refused(site, token, data):
    response = post_raw(site, token, json.dumps(data))

    assert response.status_code == 422
    assert response.json["errors"] == [{"field": "body", "reason": "Invalid input type."}]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"report=1",
        b'{"wire": NaN}',
        b'{"wire": Infinity}',
        b'{"wire": 1}}',
        b"\xff\xfe\x00",
        b'{"wire": "\xe9"}',
        b"[" * 100_000,
        b'{"sequence": ' + b"9" * 5000 + b"}",
    ],
    ids=lambda body: repr(body[:20]),
)
def test_what_is_not_json_is_refused(site, token, body):
    response = post_raw(site, token, body)

    assert response.status_code == 400
    assert response.json["title"] == "Bad Request"
    assert response.json["detail"].startswith("not JSON")


@pytest.mark.parametrize(
    ("body", "detail"),
    [
        (b"{}", "the body is not gzip, although its header says so"),
        (
            gzip.compress(b"{}" * 500, mtime=0)[:-4],
            "the gzip body is cut short, or something follows it",
        ),
        (
            gzip.compress(b"{}", mtime=0) + b"more",
            "the gzip body is cut short, or something follows it",
        ),
    ],
)
def test_a_body_that_is_not_compressed_as_it_says_is_refused(site, token, body, detail):
    response = post_raw(site, token, body, **{"Content-Encoding": "gzip"})

    assert response.status_code == 400
    assert response.json["detail"] == detail


@pytest.mark.parametrize(
    ("headers", "detail"),
    [
        ({"Content-Encoding": "br"}, "expected a Content-Encoding of gzip or none, got 'br'"),
        ({"Content-Type": "text/plain"}, "expected a body of Content-Type: application/json"),
    ],
)
def test_a_body_of_another_kind_is_refused(site, token, headers, detail):
    response = post_raw(site, token, b"{}", **headers)

    assert response.status_code == 415
    assert response.json["detail"] == detail


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "compressed"])
@pytest.mark.parametrize(("over", "status"), [(0, 201), (1, 413)])
def test_a_body_over_its_limit_is_refused_before_and_after_decompression(
    site, token, pack, over, status
):
    report = a_sent_report() | {"padding": ""}
    letters = random.Random(1).choices("abcdefgh", k=LIMIT + over - len(json.dumps(report)))
    report["padding"] = "".join(letters)  # that cannot be compressed too well
    body = pack(json.dumps(report).encode())
    headers = {"Content-Encoding": "gzip"} if pack is gzip.compress else {}

    response = post_raw(site, token, body, **headers)

    assert response.status_code == status


def test_a_report_of_another_agent_is_refused(site, token):
    response = site.post("/reports", a_sent_report(agent_id=OTHER_AGENT), token=token)

    assert response.status_code == 403
    assert response.json["detail"] == "agent_id: this token belongs to another agent"


@pytest.mark.parametrize(
    "header",
    [
        None,
        "",
        "Bearer",
        "Bearer fwmachine_unknown",
        "Bearer fwadmin_unknown",
        "Bearer somebody-elses",
        "Basic dXNlcjpwYXNz",
        "fwmachine_unknown",
        "Bearer fwmachine_' OR 1=1 --",
    ],
)
def test_without_a_valid_token_nothing_is_answered(site, header):
    headers = {} if header is None else {"Authorization": header}

    response = site.client.post("/api/v1/reports", json=a_sent_report(), headers=headers)

    assert response.status_code == 401
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="flashworthy"'
    assert response.content_type == "application/problem+json"


def test_a_token_ends_when_it_expires(site):
    site.clock.pass_by(days=89)
    assert site.get("/overview").status_code == 200

    site.clock.pass_by(days=1)

    assert site.get("/overview").status_code == 401


BAD_CODES = [
    ("fwjoin-AAAAA-AAAAA-AAAAA-AAAAA", 403),
    ("'; DELETE FROM enrolment_codes; --", 403),
    ("", 422),
    ("A" * 101, 422),
    (5, 422),
]


@pytest.mark.parametrize(("code", "status"), BAD_CODES)
def test_a_wrong_code_enrols_nobody(site, code, status):
    response = site.client.post("/api/v1/enrolments", json=an_application(code))

    assert response.status_code == status
    assert site.get("/machines").json["machines"] == []


@pytest.mark.parametrize("field", ["code", "agent_id", "identity", "machine"])
def test_an_application_lacks_nothing(site, field):
    application = an_application(site.code())
    del application[field]

    response = site.client.post("/api/v1/enrolments", json=application)

    assert response.status_code == 422
    assert response.json["errors"] == [{"field": field, "reason": MISSING}]


QUERIES = [
    ("/machines?outcome=splendid", "outcome", "Must be one of: clear, prepare, hold, leave,"),
    ("/machines?colour=teal", "colour", "Unknown field."),
    ("/machines?limit=0", "limit", "Must be greater than or equal to 1."),
    ("/machines?limit=many", "limit", "Not a valid integer."),
    ("/machines?after=page-2", "after", "Expected a cursor from a link, as it came."),
    ("/machines?after=WyJhIiwgMWUzMF0=", "after", "Expected a cursor"),  # ["a", 1e30]
    ("/machines?place=", "place", "Length must be between 1 and 200."),
    ("/machines/1/verdict?moment=later", "moment", "Must be one of: desk, spot."),
    ("/machines/1/history?after=WzE3LCAxXQ==", "after", "Expected a cursor"),  # [17, 1]
    (
        "/releases?after=WzEwMDAwMDAwMDAwMDAwMDAwMDAwMF0=",  # [10**21]
        "after",
        "Expected a cursor from a link, as it came.",
    ),
]


@pytest.mark.parametrize(("path", "field", "reason"), QUERIES)
def test_a_query_that_is_not_understood_is_refused_by_name(site, token, path, field, reason):
    response = site.get(path)

    assert response.status_code == 422
    (error,) = response.json["errors"]
    assert error["field"] == field
    assert error["reason"].startswith(reason)


@pytest.mark.parametrize("number", [99, 0, 2**63 - 1])
@pytest.mark.parametrize("part", ["", "/history", "/verdict"])
def test_a_machine_that_is_not_there_is_not_found(site, number, part):
    response = site.get(f"/machines/{number}{part}")

    assert response.status_code == 404
    assert response.json["detail"] == f"there is no machine #{number}"


@pytest.mark.parametrize("number", [2**63, 10**40])
@pytest.mark.parametrize("part", ["", "/history", "/verdict"])
def test_a_number_that_no_machine_can_have_leads_nowhere(site, number, part):
    response = site.get(f"/machines/{number}{part}")

    assert response.status_code == 404
    assert response.json["detail"] == "nothing is served under this path"


def test_a_machine_without_a_report_has_no_verdict_yet(site, token):
    response = site.get("/machines/1/verdict")

    assert response.status_code == 404
    assert response.json["detail"] == "machine 1 has not reported yet: there is no verdict"


INJECTIONS = ["' OR '1'='1", "%", "_", "\\", "x'); DROP TABLE machines; --", '"', "a\x00b"]


@pytest.mark.parametrize("text", INJECTIONS)
@pytest.mark.parametrize("name", ["text", "place", "maker", "model"])
def test_what_looks_like_sql_is_looked_for_and_not_run(site, name, text):
    site.machine(1)

    response = site.client.get(
        "/api/v1/machines",
        query_string={name: text},
        headers={"Authorization": f"Bearer {site.token}"},
    )

    assert response.status_code == 200
    assert response.json["machines"] == []
    assert len(site.get("/machines").json["machines"]) == 1


def test_refusals_are_counted_by_route_and_not_by_path(site, token):
    site.post("/reports", {}, token=token)
    site.post("/reports", [], token=token)
    site.get("/machines/4711")
    site.get("/machines/4712")
    site.get("/nonsense")
    site.client.open("/elsewhere", method="BREW")

    assert site.get("/overview").json["refusals"] == [
        {"request": "GET /api/v1/machines/<int:machine_id>", "status": 404, "count": 2},
        {"request": "POST /api/v1/reports", "status": 422, "count": 2},
        {"request": "GET (no such route or method)", "status": 404, "count": 1},
        {"request": "other (no such route or method)", "status": 404, "count": 1},
    ]


def test_old_refusals_are_no_longer_told(site):
    site.get("/nonsense")

    site.clock.pass_by(days=8)

    assert site.get("/overview").json["refusals"] == []
