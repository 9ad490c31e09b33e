"""The three requests, and what each answer means.

Statuses and their fields: RFC 9110 §15 and §10.2.3, RFC 6585 §4; problem details: RFC 9457.
"""

import gzip
import json
import shutil
import socket
import subprocess
from datetime import UTC, datetime

import pytest
import requests
import responses
from responses import matchers

from flashworthy_agent.address import canonical_address
from flashworthy_agent.errors import (
    AddressError,
    RequestRefusedError,
    ServerUnavailableError,
    TokenRefusedError,
)
from flashworthy_agent.transport import (
    MAX_ANSWER_BYTES,
    Enrolment,
    Receipt,
    Server,
)
from support.servers import serving

SITE = "https://flash.example"  # RFC 2606
REPORTS, ENROLMENTS = f"{SITE}/api/v1/reports", f"{SITE}/api/v1/enrolments"
REPORT_ID = "018f42d5-6800-7000-8000-000000000001"
ACKNOWLEDGED = {"report_id": REPORT_ID, "machine_id": 7, "stored": True}
BODY = gzip.compress(b"{}")
NOW = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)


@pytest.fixture(autouse=True)
def web():
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


@pytest.fixture
def server():
    return Server(SITE, "secret", now=lambda: NOW)


def send(server):
    return server.send_report(REPORT_ID, BODY)


# ---- addresses --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("https://flash.example", "https://flash.example"),
        (" https://flash.example/ ", "https://flash.example"),
        ("https://flash.example:8443/flashworthy/", "https://flash.example:8443/flashworthy"),
        ("http://127.0.0.1:8000", "http://127.0.0.1:8000"),
        ("http://127.8.8.8", "http://127.8.8.8"),  # 127.0.0.0/8: RFC 1122 §3.2.1.3
        ("http://[::1]:8000/", "http://[::1]:8000"),  # RFC 4291 §2.5.3
        ("http://localhost", "http://localhost"),  # RFC 6761 §6.3
        ("http://LOCALHOST", "http://LOCALHOST"),
    ],
)
def test_tls_goes_anywhere_and_plain_http_stays_here(text, address):
    assert canonical_address(text) == address


@pytest.mark.parametrize(
    "text",
    [
        "http://flash.example",
        "http://10.0.0.1",
        "http://128.0.0.1",
        "http://0.0.0.0",
        "http://[::2]",
        "http://localhost.example",
        "http://127.0.0.1.example",
        "HTTP://flash.example",
    ],
)
def test_plain_http_to_another_machine_is_refused(text):
    with pytest.raises(AddressError, match="plain HTTP would show the token to the network"):
        Server(text)


@pytest.mark.parametrize(
    "text",
    ["", "flash.example", "ftp://flash.example", "https://", "https://a:b@flash.example",
     "https://flash.example:port", "https://[::1", "http://127.0.0.1@flash.example"],
)  # fmt: skip
def test_what_is_no_address_is_refused(text):
    with pytest.raises(AddressError, match="expected an address such as https://"):
        canonical_address(text)


@pytest.mark.parametrize("text", ["https://flash.example/?a=1", "https://flash.example/#top"])
def test_an_address_has_no_query(text):
    with pytest.raises(AddressError, match=r"without \? or #"):
        canonical_address(text)


# ---- what is sent -----------------------------------------------------------------------------


def test_a_report_goes_gzipped_with_token_and_the_moment_of_sending(web, server):
    web.post(
        REPORTS,
        json=ACKNOWLEDGED,
        status=201,
        match=[
            matchers.header_matcher(
                {
                    "Authorization": "Bearer secret",
                    "Content-Type": "application/json",
                    "Content-Encoding": "gzip",
                    # RFC 9110 §5.6.7: the example of an IMF-fixdate
                    "Date": "Sun, 06 Nov 1994 08:49:37 GMT",
                    "Accept-Encoding": "identity",
                }
            )
        ],
    )

    assert send(server) == Receipt(is_new=True, is_rotation_due=False)
    assert web.calls[0].request.body == BODY


def test_a_report_that_was_there_already_is_acknowledged_too(web, server):
    web.post(REPORTS, json=ACKNOWLEDGED | {"stored": False}, status=200)

    assert send(server) == Receipt(is_new=False, is_rotation_due=False)


def test_enrolling_sends_the_code_without_any_token(web):
    web.post(ENROLMENTS, json={"machine_id": 7, "agent_id": "a", "token": "secret"}, status=201)

    assert Server(SITE).enrol({"code": "c"}) == Enrolment("7", "secret")
    assert "Authorization" not in web.calls[0].request.headers
    assert json.loads(web.calls[0].request.body) == {"code": "c"}


def test_a_password_file_does_not_replace_the_token(web, server, tmp_path, monkeypatch):
    (tmp_path / "netrc").write_text("machine flash.example login a password b\n")
    monkeypatch.setenv("NETRC", str(tmp_path / "netrc"))
    web.post(REPORTS, json=ACKNOWLEDGED, status=201)

    send(server)

    assert web.calls[0].request.headers["Authorization"] == "Bearer secret"


def test_the_verdict_is_asked_for_a_moment(web, server):
    web.get(
        f"{SITE}/api/v1/machines/7/verdict",
        json={"outcome": "hold"},
        match=[matchers.query_param_matcher({"moment": "spot"})],
    )

    assert server.verdict("7", "spot") == {"outcome": "hold"}


# ---- what the answers mean --------------------------------------------------------------------


@pytest.mark.parametrize("status", [400, 409, 413, 422])
def test_a_report_refused_for_good_says_why(web, server, status):
    problem = {"title": "Unfit", "status": status, "detail": "sequence: expected a number"}
    web.post(REPORTS, json=problem, status=status, content_type="application/problem+json")

    with pytest.raises(RequestRefusedError) as refused:
        send(server)

    assert str(refused.value) == f"{SITE} answers {status}: Unfit: sequence: expected a number"


@pytest.mark.parametrize("status", [401, 403])
def test_a_refused_token_asks_for_a_new_enrolment(web, server, status):
    web.post(REPORTS, json={"title": "No", "detail": "the token is revoked"}, status=status)

    with pytest.raises(TokenRefusedError) as refused:
        send(server)

    assert str(refused.value) == (
        f"{SITE} answers {status}: No: the token is revoked; "
        "enrol this machine again with a new code"
    )


def test_a_refused_code_is_refused_for_good(web):
    web.post(ENROLMENTS, json={"title": "Forbidden", "detail": "the code is used up"}, status=403)

    with pytest.raises(RequestRefusedError, match="answers 403: Forbidden: the code is used up"):
        Server(SITE).enrol({})


@pytest.mark.parametrize("status", [408, 429, 500, 502, 503, 504])
@pytest.mark.parametrize(
    ("headers", "when"),
    [
        ({}, "try again later"),
        ({"Retry-After": "120"}, "it asks to be left alone for 120 seconds"),
        # RFC 9110 §10.2.3: the example
        (
            {"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT"},
            "it asks to be left alone for 162573022 seconds",  # from `NOW`
        ),
        ({"Retry-After": "\x1b[2J"}, "try again later"),
    ],
)
def test_a_busy_server_is_tried_again_later(web, server, status, headers, when):
    web.post(REPORTS, body="<html>no JSON", status=status, headers=headers)

    with pytest.raises(ServerUnavailableError) as unavailable:
        send(server)

    assert str(unavailable.value) == f"{SITE} answers {status}; {when}"


@pytest.mark.parametrize("status", [204, 302, 307, 404, 405, 415])
def test_an_unexpected_status_keeps_the_report(web, server, status):
    web.post(REPORTS, status=status, headers={"Location": "https://elsewhere.example/"})

    with pytest.raises(ServerUnavailableError, match="is the address right"):
        send(server)

    assert len(web.calls) == 1  # a redirect is not followed: the token stays here


@pytest.mark.parametrize(
    ("status", "body"),
    [
        (200, "<html>Welcome to the hotel's network"),
        (200, "{}"),
        (200, "[]"),
        (200, '"stored"'),
        (201, json.dumps(ACKNOWLEDGED | {"report_id": "another"})),
        (201, json.dumps({"report_id": REPORT_ID})),
        (200, "[" * 100_000),
    ],
)
def test_an_answer_that_does_not_name_the_report_acknowledges_nothing(web, server, status, body):
    web.post(REPORTS, body=body, status=status)

    with pytest.raises(ServerUnavailableError):
        send(server)


@pytest.mark.parametrize("answer", [{}, {"machine_id": 7}, {"machine_id": 7, "token": ""}])
def test_an_enrolment_without_a_token_is_none(web, answer):
    web.post(ENROLMENTS, json=answer, status=201)

    with pytest.raises(ServerUnavailableError, match="did not answer as a Flashworthy server"):
        Server(SITE).enrol({})


def test_an_endless_answer_is_cut_off(web, server):
    web.post(REPORTS, body=b" " * (MAX_ANSWER_BYTES + 1), status=201)

    with pytest.raises(ServerUnavailableError, match="expected an answer of at most"):
        send(server)


def test_words_that_would_move_the_cursor_are_not_shown(web, server):
    web.post(REPORTS, json={"title": "\x1b[2J", "detail": "plain"}, status=422)

    with pytest.raises(RequestRefusedError) as refused:
        send(server)

    assert str(refused.value) == f"{SITE} answers 422: plain"


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (requests.ConnectTimeout("timed out"), "timed out"),
        (requests.ReadTimeout("read timed out"), "read timed out"),
        (requests.exceptions.SSLError("certificate verify failed"), "certificate verify failed"),
        (requests.ConnectionError(), "ConnectionError"),
        (requests.exceptions.ChunkedEncodingError("cut short"), "cut short"),
    ],
)
def test_no_answer_is_unavailable(web, server, error, words):
    web.post(REPORTS, body=error)

    with pytest.raises(ServerUnavailableError) as unavailable:
        send(server)

    assert str(unavailable.value) == f"{SITE} cannot be reached: {words}"


# ---- over real sockets ------------------------------------------------------------------------


def test_nobody_listening_is_told_in_the_systems_words(web):
    web.add_passthru("http://127.0.0.1")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{taken.getsockname()[1]}"

    with pytest.raises(ServerUnavailableError) as unavailable:
        Server(address, "secret").verdict("7", "spot")

    assert str(unavailable.value) == f"{address} cannot be reached: Connection refused"


def test_plain_http_never_goes_through_a_proxy(web, monkeypatch):
    web.add_passthru("http://127.0.0.1")
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    monkeypatch.delenv("no_proxy", raising=False)
    with serving() as site:
        site.verdict = {"outcome": "hold"}

        assert Server(site.address, "secret").verdict("7", "spot") == {"outcome": "hold"}


def test_tls_to_a_server_without_it_is_told(web):
    web.add_passthru("https://127.0.0.1")
    with serving() as site, pytest.raises(ServerUnavailableError, match="cannot be reached: "):
        Server(site.address.replace("http:", "https:"), "secret").verdict("7", "spot")


@pytest.fixture
def certificate(tmp_path):
    """A certificate for 127.0.0.1 that nobody vouches for but itself, and its key, in one file."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not here")
    pem = tmp_path / "server.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", pem, "-out", tmp_path / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    pem.write_bytes(pem.read_bytes() + (tmp_path / "cert.pem").read_bytes())
    return pem


def test_an_unknown_certificate_is_refused(web, certificate, monkeypatch):
    web.add_passthru("https://127.0.0.1")
    monkeypatch.delenv("REQUESTS_CA_BUNDLE", raising=False)
    with serving(certificate=certificate) as site:
        with pytest.raises(ServerUnavailableError, match=r"(?i)certificate.verify.failed"):
            Server(site.address, "secret").verdict("7", "spot")

        assert site.requests == []


def test_a_private_authority_is_named_in_the_environment(web, certificate, monkeypatch):
    web.add_passthru("https://127.0.0.1")
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(certificate))
    with serving(certificate=certificate) as site:
        site.verdict = {"outcome": "hold"}

        assert Server(site.address, "secret").verdict("7", "spot") == {"outcome": "hold"}
