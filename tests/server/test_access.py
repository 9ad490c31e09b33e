"""Who may do what: every route times every role, as the table says, and nothing else."""

import pytest

from flashworthy_server.services.who import PEOPLE, Role
from flashworthy_server.web.access import ANYONE, MAY, PROVEN, is_page
from flashworthy_server.web.origin import FORM_FIELD

PAGES = sorted(filter(is_page, MAY))
API = sorted(set(MAY) - set(PAGES))


def requests_of(site, endpoint, number=1):
    """Method and path of each way to ask for an endpoint, about the thing with a number."""
    for rule in site.client.application.url_map.iter_rules(endpoint):
        values = dict.fromkeys(rule.arguments, number) | {"filename": "style.css"}
        with site.client.application.test_request_context():
            _, path = rule.build({name: values[name] for name in rule.arguments})
        for method in sorted(rule.methods - {"HEAD", "OPTIONS"}):
            yield method, path


def test_every_route_says_who_may_use_it(site):
    routes = {rule.endpoint for rule in site.client.application.url_map.iter_rules()}

    assert routes == set(MAY)


@pytest.mark.parametrize("role", [None, *Role])
def test_a_token_reaches_what_the_table_says_and_nothing_else(site, role):
    token = site.token_of(role) if role else None
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    site.settle(unknown_per_minute=1000)
    for endpoint in API:
        for method, path in requests_of(site, endpoint):
            with site.client.open(path, method=method, headers=headers) as response:
                status = response.status_code

            if MAY[endpoint] is ANYONE or role in MAY[endpoint]:
                assert status not in (401, 403), (method, path)
            else:
                assert status == (403 if role else 401), (method, path)


@pytest.mark.tedious
@pytest.mark.parametrize("role", PEOPLE)
def test_a_session_reaches_the_pages_of_its_role_and_no_others(site, role):
    name = site.person(role)
    for endpoint in PAGES:
        browser = site.signed_in(name)  # anew for each: a page may end the session
        token = browser.open("/machines").form("Sign out").fields[FORM_FIELD]
        for method, path in requests_of(site, endpoint, number=99):
            data = {FORM_FIELD: token} if method == "POST" else None
            with browser.client.open(path, method=method, data=data) as response:
                text = response.text

            is_let_in = MAY[endpoint] is ANYONE or role in MAY[endpoint]
            assert (f"not for the role {role.value}" in text) is not is_let_in, (method, path)
            assert is_let_in or response.status_code == 403, (method, path)


@pytest.mark.parametrize("endpoint", PAGES)
def test_without_a_session_a_page_asks_to_sign_in(site, endpoint):
    browser = site.browser()
    token = browser.open("/sign-in").form("Sign in").fields[FORM_FIELD]
    for method, path in requests_of(site, endpoint):
        response = browser.client.open(path, method=method, data={FORM_FIELD: token})

        response.close()
        if MAY[endpoint] is ANYONE:
            assert response.headers.get("Location") is None, (method, path)
        else:
            assert response.status_code == 303
            assert response.headers["Location"].startswith("/sign-in?to=")


def test_a_session_is_no_token_and_a_token_is_no_session(site):
    browser = site.browser(Role.ADMINISTRATOR)
    secret = browser.client.get_cookie("flashworthy").value

    assert browser.client.get("/api/v1/overview").status_code == 401
    assert site.get("/overview", token=secret).status_code == 401
    headers = {"Authorization": f"Bearer {site.token}"}
    assert site.client.get("/people", headers=headers).headers["Location"].startswith("/sign-in")


@pytest.mark.parametrize(
    "fails", ["store.sessions.session_with_digest", "store.accounts.load_account"]
)
def test_when_looking_up_a_session_or_token_fails_nobody_is_let_in(site, monkeypatch, fails):
    browser = site.browser(Role.ADMINISTRATOR)

    def fail(*arguments):
        raise RuntimeError

    monkeypatch.setattr(f"flashworthy_server.{fails}", fail)
    monkeypatch.setattr("flashworthy_server.store.credentials.valid_token", fail)

    assert browser.open("/people").status == 500
    assert site.get("/overview").status_code == 500


def test_what_changes_who_can_sign_in_asks_for_a_fresh_password(site):
    assert {name for name in MAY if "person" in name or "people" in name} <= PROVEN
    assert {name for name in PAGES if "token" in name} - PROVEN == {"pages.revoke_machine_token"}
    assert {name for name in PAGES if MAY[name] is ANYONE} & PROVEN == set()
