"""How much and how often: each limit with its status, and what is told of it."""

import gzip
import json

import pytest

from flashworthy_server.config import Config
from flashworthy_server.services.who import Role
from flashworthy_server.web.limits import MOST_COUNTS, Counters
from flashworthy_server.wire import parse_json, require_bounded
from support.machines import NOW
from support.site import a_sent_report

JSON = {"Content-Type": "application/json"}


@pytest.fixture
def token(site):
    return site.enrol(hostname="reading-room-4")


def post(site, token, body, **headers):
    headers = {"Authorization": f"Bearer {token}", **JSON, **headers}
    return site.client.post("/api/v1/reports", data=body, headers=headers)


def test_a_body_that_unpacks_to_too_many_times_its_size_is_refused(site, token):
    body = json.dumps(a_sent_report() | {"padding": " " * 200_000}).encode()
    packed = gzip.compress(body)
    assert len(body) < site.site.config.report_body_bytes
    assert len(body) / len(packed) > site.site.config.body_ratio

    response = post(site, token, packed, **{"Content-Encoding": "gzip"})

    assert response.status_code == 413
    assert response.json["detail"] == "expected a body that was compressed to no less than 1/100"


@pytest.mark.parametrize(("depth", "status"), [(32, 201), (33, 413)])
def test_json_may_be_nested_so_deep_and_no_deeper(site, token, depth, status):
    nested = parse_json("[" * (depth - 1) + "]" * (depth - 1))  # the report itself is one more

    response = post(site, token, json.dumps(a_sent_report() | {"extra": nested}))

    assert response.status_code == status


def test_json_may_hold_so_many_values_and_no_more(site, token):
    response = post(site, token, json.dumps(a_sent_report() | {"extra": [0] * 20_000}))

    assert response.status_code == 413
    assert response.json["detail"] == "expected at most 20000 values"


@pytest.mark.parametrize(
    ("data", "depth", "values"),
    [(1, 0, 1), ([], 1, 1), ([1, 2], 1, 3), ({"a": [1]}, 2, 3), ([[[]]], 3, 3), ("text", 0, 1)],
)
def test_depth_and_values_are_counted_to_the_last_one(data, depth, values):
    require_bounded(data, depth=depth, values=values)
    for less in ({"depth": depth - 1, "values": values}, {"depth": depth, "values": values - 1}):
        is_over = values > 1 or less["depth"] < 0 or data in ([], {})
        if less["values"] < 1 or (not isinstance(data, (dict, list)) and less["depth"] < 0):
            continue
        if is_over:
            with pytest.raises(Exception, match="expected"):
                require_bounded(data, **less)


def test_a_form_may_be_so_large_and_no_larger(site):
    browser = site.browser(Role.ADMINISTRATOR)
    fields = browser.open("/codes").form("Make a code").fields

    page = browser.post("/codes", fields | {"place": "x" * site.site.config.form_body_bytes})

    assert page.status == 413


# ---- how often --------------------------------------------------------------------------------


def statuses(ask, count):
    return [ask().status_code for _ in range(count)]


def test_a_machine_that_asks_too_often_is_told_when_to_ask_again(site, token):
    site.settle(machine_requests_per_minute=5)
    site.clock.pass_by(seconds=20)

    answers = [site.send(token, a_sent_report(sequence=1)) for _ in range(7)]

    assert [answer.status_code for answer in answers] == [201, 200, 200, 200, 200, 429, 429]
    assert answers[-1].headers["Retry-After"] == "40"  # seconds; RFC 6585 §4, RFC 9110 §10.2.3
    assert answers[-1].content_type == "application/problem+json"
    site.clock.pass_by(seconds=40)
    assert site.send(token, a_sent_report(sequence=2)).status_code == 201


def test_one_machine_that_asks_too_often_keeps_no_other_out(site):
    site.settle(machine_requests_per_minute=3)
    first, second = site.machine(1), site.machine(2)
    for _ in range(9):
        site.get("/machines/1/verdict", token=first)

    assert site.get("/machines/1/verdict", token=first).status_code == 429
    assert site.get("/machines/2/verdict", token=second).status_code == 200


def test_a_program_may_ask_so_often(site):
    site.settle(requests_per_minute=4)

    assert statuses(lambda: site.get("/overview"), 6) == [200, 200, 200, 200, 429, 429]


def test_a_person_may_open_so_many_pages(site):
    browser = site.browser(Role.VIEWER)
    site.settle(requests_per_minute=4)

    assert [browser.open("/machines").status for _ in range(5)] == [200] * 4 + [429]


def test_whoever_guesses_tokens_is_held_back_and_those_beside_them_are_not(site):
    site.settle(unknown_per_minute=5)

    found = statuses(lambda: site.get("/overview", token="fwtoken_guess"), 7)

    assert found == [401] * 5 + [429] * 2
    assert site.get("/overview").status_code == 200  # from the same address


def test_an_address_may_ask_so_often_whoever_asks(site):
    site.settle(address_requests_per_minute=3)

    assert statuses(lambda: site.client.get("/healthz"), 5) == [200] * 3 + [429] * 2


def test_behind_a_proxy_the_address_is_what_the_proxy_says_and_no_client_can_say_it(
    url, clock, monkeypatch
):
    from flashworthy_server import create_app

    app = create_app({"database": url, "proxies": 1, "address_requests_per_minute": 2}, clock=clock)
    client = app.test_client()

    def ask(forged, real):
        return client.get("/healthz", headers={"X-Forwarded-For": f"{forged}, {real}"}).status_code

    found = [ask(f"198.51.100.{number}", "192.0.2.1") for number in range(4)]
    found += [ask("198.51.100.9", "192.0.2.2")]

    app.extensions["flashworthy"].database.close()
    assert found == [200, 200, 429, 429, 200]


def test_without_a_proxy_nobody_can_say_that_they_are_elsewhere(site):
    site.settle(address_requests_per_minute=2)

    found = [
        site.client.get("/healthz", headers={"X-Forwarded-For": f"192.0.2.{n}"}).status_code
        for n in range(3)
    ]

    assert found == [200, 200, 429]


def test_the_memory_of_counts_is_bounded():
    counters = Counters()
    for number in range(MOST_COUNTS + 10):
        counters.add(f"from {number}", 1, NOW)

    assert len(counters._counts) <= MOST_COUNTS


def test_every_limit_stands_in_the_documentation(readme):
    for name in (
        "report_body_bytes",
        "import_body_bytes",
        "form_body_bytes",
        "body_ratio",
        "json_depth",
        "report_values",
        "import_values",
        "requests_per_minute",
        "machine_requests_per_minute",
        "address_requests_per_minute",
        "unknown_per_minute",
        "tries_minutes",
        "tries_from_address",
        "tries_at_account",
        "tries_at_account_from_address",
        "session_idle_minutes",
        "session_hours",
        "session_proof_minutes",
        "most_sessions",
        "setup_code_hours",
        "second_factor_required",
        "machine_token_days",
        "public_url",
        "proxies",
    ):
        default = getattr(Config(), name)
        assert f"| `{name}` | {str(default).lower() or 'empty'} |" in readme, name
