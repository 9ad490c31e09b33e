"""Failures as problem details, the OpenAPI document, and who may do what."""

import json
import re

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate

from flashworthy_server import create_app
from flashworthy_server.db import Database
from support.shared_data import shared_file
from support.site import a_sent_report, an_application

# RFC 9457 §3.1 (members and their types) and its appendix A (the same as a JSON Schema).
RFC_9457 = {
    "type": "object",
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 100, "maximum": 599},
        "detail": {"type": "string"},
        "instance": {"type": "string", "format": "uri-reference"},
    },
}

# One request for each way of being refused: method, path, body, token, status.
REFUSED = [
    ("GET", "/nowhere", None, "administrator", 404),
    ("GET", "/api/v1/machines/99", None, "administrator", 404),
    ("DELETE", "/api/v1/machines", None, "administrator", 405),
    ("GET", "/api/v1/overview", None, None, 401),
    ("GET", "/api/v1/overview", None, "machine", 403),
    ("POST", "/api/v1/reports", a_sent_report(), "administrator", 403),
    ("POST", "/api/v1/reports", {}, "machine", 422),
    ("POST", "/api/v1/reports", "x" * 300_000, "machine", 413),
    ("POST", "/api/v1/reports", b"{", "machine", 400),
    ("GET", "/api/v1/machines?limit=x", None, "administrator", 422),
    ("POST", "/api/v1/enrolments", an_application("fwjoin-nothing"), None, 403),
    ("POST", "/api/v1/releases/import", {"releases": [{}]}, "administrator", 422),
    ("POST", "/api/v1/releases", None, "administrator", 415),
]


def ask(site, method, path, body, token):
    tokens = {"administrator": site.token, "machine": site.enrol(hostname="reading-room-4")}
    headers = {"Authorization": f"Bearer {tokens[token]}"} if token else {}
    if body is not None:
        body = body if isinstance(body, bytes) else json.dumps(body)
        headers["Content-Type"] = "application/json"
    return site.client.open(path, method=method, data=body, headers=headers)


def require_problem(response, schema=RFC_9457):
    assert response.content_type == "application/problem+json"
    Draft202012Validator(schema).validate(response.json)
    assert response.json["status"] == response.status_code  # RFC 9457 §3.1.2
    assert response.json["title"]
    assert response.json["detail"]


@pytest.mark.parametrize(("method", "path", "body", "token", "status"), REFUSED)
def test_every_refusal_is_a_problem_by_rfc_9457(site, method, path, body, token, status):
    response = ask(site, method, path, body, token)

    assert response.status_code == status
    require_problem(response)


@pytest.mark.parametrize(("method", "path", "body", "token", "status"), REFUSED)
def test_every_refusal_fits_the_published_schema(site, method, path, body, token, status):
    schema = json.loads(shared_file("standards/http/problem.json").read_text())

    require_problem(ask(site, method, path, body, token), schema)


def test_a_method_that_is_not_allowed_tells_which_are(site):
    response = ask(site, "DELETE", "/api/v1/machines", None, "administrator")

    assert set(response.headers["Allow"].split(", ")) == {
        "GET",
        "HEAD",
        "OPTIONS",
        "POST",
    }  # RFC 9110 §15.5.6


def test_an_error_of_the_servers_own_is_a_problem_without_details(site, monkeypatch):
    def fail(*arguments):
        raise RuntimeError(f"secret {site.token}")

    monkeypatch.setattr("flashworthy_server.services.overview.overview", fail)

    response = site.get("/overview")

    assert response.status_code == 500
    require_problem(response)
    assert response.json["detail"] == "an error of the server's own; its log has more"


def test_a_busy_database_asks_to_try_again(url):
    app = create_app({"database": url, "database_wait_seconds": 0})
    other = Database(url, wait_seconds=5)

    with other.engine.connect() as plain:
        holder = plain.execution_options(**other.dialect.writing_options)
        holder.begin()
        other.dialect.begin_writing(holder, beside_others=False)
        response = app.test_client().post("/api/v1/enrolments", json=an_application("fwjoin-x"))

    other.close()
    app.extensions["flashworthy"].database.close()
    assert response.status_code == 503
    assert response.headers["Retry-After"] == "5"
    require_problem(response)


def test_no_token_or_code_reaches_the_log(site, caplog):
    caplog.set_level("DEBUG")
    code = site.code()
    application = an_application(code, hostname="reading-room-4")
    token = site.client.post("/api/v1/enrolments", json=application).json["token"]
    site.send(token, a_sent_report())
    site.send(token, {})
    site.get("/overview")
    site.get("/overview", token=token + "x")

    for secret in (code, token, site.token):
        assert secret not in caplog.text


def test_answers_are_not_kept_by_caches(site):
    response = site.get("/machines")

    assert response.headers["Cache-Control"] == "no-store"
    assert response.headers["X-Content-Type-Options"] == "nosniff"


def test_the_openapi_document_is_valid(site):
    response = site.client.get("/api/v1/openapi.json")

    validate(response.json)  # openapi-spec-validator, against the published OpenAPI schema
    assert response.json["openapi"] == "3.0.3"


def as_told(rule):
    """A route as OpenAPI writes it: `{machine_id}` for `<int:machine_id>`."""
    return re.sub(r"<(?:[^:>]+:)?([^>]+)>", r"{\1}", rule)


def test_the_openapi_document_tells_of_every_route_and_of_problems(site):
    document = site.client.get("/api/v1/openapi.json").json

    told = {
        f"{method.upper()} {path}"
        for path, item in document["paths"].items()
        for method in item
        if method != "parameters"
    }
    served = {
        f"{method} {as_told(rule.rule)}"
        for rule in site.client.application.url_map.iter_rules()
        if rule.rule.startswith("/api/v1/") and rule.endpoint != "api-docs.openapi_json"
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    assert told == served
    default = document["components"]["responses"]["DEFAULT_ERROR"]
    assert list(default["content"]) == ["application/problem+json"]


def test_health_is_answered_without_a_token(site):
    response = site.client.get("/healthz")

    assert (response.status_code, response.json) == (200, {"status": "ok", "wire": [1]})
