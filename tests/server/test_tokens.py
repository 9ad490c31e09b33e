"""Tokens: a machine's is its own only and replaced without a gap; a person's does no more."""

import pytest

from flashworthy_server.errors import InvalidTokenError
from flashworthy_server.services import accounts, audit, credentials
from flashworthy_server.services.who import Role
from flashworthy_server.web.access import ANYONE, MAY, is_page
from support.site import AGENT, OTHER_AGENT, WHO, a_sent_report, an_application


def rotate(site, token):
    return site.post("/token", None, token=token)


def is_good(site, token):
    return site.get("/machines/1/verdict", token=token).status_code != 401


@pytest.fixture
def token(site):
    return site.enrol(hostname="reading-room-4")


# ---- a machine's token is replaced ------------------------------------------------------------


def test_a_report_is_answered_with_whether_the_token_should_be_replaced(site, token):
    first = site.send(token, a_sent_report(sequence=1))
    site.clock.pass_by(days=site.site.config.machine_token_days)

    later = site.send(token, a_sent_report(sequence=2))

    assert [answer.json["rotate_token"] for answer in (first, later)] == [False, True]


def test_a_new_token_is_good_at_once_and_the_old_one_until_it_is_used(site, token):
    response = rotate(site, token)
    new = response.json["token"]
    assert (response.status_code, list(response.json)) == (200, ["token"])

    assert is_good(site, token)  # the agent may have been killed before it kept the new one
    assert is_good(site, new)
    assert not is_good(site, token)


def test_an_agent_that_lost_the_new_token_asks_again_with_the_old_one(site, token):
    lost = rotate(site, token).json["token"]
    assert site.send(token, a_sent_report(sequence=1)).json["rotate_token"] is True

    new = rotate(site, token).json["token"]

    assert not is_good(site, lost)  # whoever found it cannot use it
    assert site.send(token, a_sent_report(sequence=2)).status_code == 201
    assert site.send(new, a_sent_report(sequence=3)).json["rotate_token"] is False
    assert site.send(token, a_sent_report(sequence=4)).status_code == 401


def test_no_report_is_lost_wherever_an_agent_is_killed_while_it_replaces_its_token(site, token):
    """Killed before it asked, before the answer came, before and after it kept the new token."""
    kept, sequence = token, 0
    for keeps in (False, False, True, False, True, True):
        sequence += 1
        assert site.send(kept, a_sent_report(sequence=sequence)).status_code == 201
        answer = rotate(site, kept).json["token"]
        kept = answer if keeps else kept
        site.clock.pass_by(days=7)  # switched off for a week

    assert len(site.get("/machines/1/history?limit=100").json["reports"]) == sequence


def test_a_token_that_was_replaced_replaces_nothing(site, token):
    new = rotate(site, token).json["token"]
    assert is_good(site, new)

    assert rotate(site, token).status_code == 401
    assert is_good(site, new)


def test_only_a_machine_replaces_a_machines_token(site):
    assert rotate(site, site.token).status_code == 403


def test_a_machine_that_enrols_again_makes_both_its_tokens_worthless(site, token):
    new = rotate(site, token).json["token"]
    again = site.enrol(agent_id=AGENT, hostname="reading-room-4")

    assert [is_good(site, each) for each in (token, new, again)] == [False, False, True]


def test_a_revoked_machine_reports_no_longer_until_it_enrols(site, token):
    new = rotate(site, token).json["token"]

    credentials.revoke_machine_token(site.site, WHO, 1)

    assert [is_good(site, each) for each in (token, new)] == [False, False]
    assert is_good(site, site.enrol(agent_id=AGENT, hostname="reading-room-4"))


# ---- a stolen one -----------------------------------------------------------------------------


def test_a_stolen_machine_token_reads_and_changes_nothing_but_its_own_machine(site):
    """Every route, asked about every machine, with every method that the route knows."""
    stolen = site.machine(1)
    site.machine(2)
    site.post("/releases/import", {"releases": [], "reviews": []})
    before = state_of(site)
    headers = {"Authorization": f"Bearer {stolen}"}
    let_in = set()
    for rule in site.client.application.url_map.iter_rules():
        values = dict.fromkeys(rule.arguments, 2) | {"filename": "style.css"}
        with site.client.application.test_request_context():
            _, path = rule.build({name: values[name] for name in rule.arguments})
        for method in rule.methods - {"OPTIONS", "HEAD"}:
            with site.client.open(path, method=method, headers=headers, json={}) as response:
                is_open = MAY[rule.endpoint] is ANYONE
                if response.status_code not in (303, 401, 403) and not is_open:
                    let_in.add((rule.endpoint, response.status_code))

    assert {name for name, _ in let_in} <= {
        name for name, roles in MAY.items() if roles and Role.MACHINE in roles
    }
    assert ("reports.receive", 422) in let_in  # its own report, which is empty here
    assert not any(name.startswith("machines.") for name, _ in let_in)  # machine 2 is another one
    assert state_of(site) == before


def state_of(site):
    machine = site.get("/machines/2").json
    trail = [each.action for each in audit.all_entries(site.site)]
    return machine, site.get("/machines/2/history").json, trail, site.get("/releases").json


def test_a_machine_cannot_report_as_another_one(site):
    stolen = site.machine(1)
    site.machine(2)

    report = a_sent_report(sequence=9, agent_id="7b0c5a44-0a55-4c5e-9d4f-000000000002")

    assert site.send(stolen, report).status_code == 403


def test_a_machines_token_opens_no_page(site, token):
    for endpoint in filter(is_page, MAY):
        if MAY[endpoint] is not ANYONE:
            assert Role.MACHINE not in MAY[endpoint]


# ---- of people and programs -------------------------------------------------------------------


def test_a_token_expires(site):
    token = credentials.make_token(site.site, WHO, "nightly", role=Role.VIEWER, days=2).token
    assert site.get("/overview", token=token).status_code == 200

    site.clock.pass_by(days=2)

    assert site.get("/overview", token=token).status_code == 401


def test_a_token_is_shown_once_and_its_last_use_is_told(site):
    browser = site.browser(Role.ADMINISTRATOR)
    page = browser.send(
        browser.open("/tokens"), "Make a token", name="nightly", role="viewer", days="30"
    )
    token = next(word for word in page.text.split() if word.startswith("fwtoken_"))
    (made,) = [each for each in credentials.all_tokens(site.site) if each.name == "nightly"]
    assert made.used_at is None

    site.get("/overview", token=token)

    (used,) = [each for each in credentials.all_tokens(site.site) if each.name == "nightly"]
    assert used.used_at == site.clock.now
    assert token not in browser.open("/tokens").text


def test_a_person_makes_a_token_of_no_more_than_their_own_role(site):
    browser = site.browser(Role.TECHNICIAN)
    page = browser.open("/account")
    form = page.form("Make a token")

    refused = browser.post(form.action, form.fields | {"name": "a", "role": "administrator"})
    made = browser.post(form.action, form.fields | {"name": "b", "role": "technician"})

    assert refused.status == 403
    token = next(word for word in made.text.split() if word.startswith("fwtoken_"))
    assert site.get("/overview", token=token).status_code == 200
    assert site.get("/audit", token=token).status_code == 403


def test_a_persons_token_is_of_a_lesser_role_once_the_person_is(site):
    token = own_token(site, Role.ADMINISTRATOR)
    assert site.get("/audit", token=token).status_code == 200
    number = accounts.account_named(site.site, "the administrator").id

    accounts.change_role(site.site, WHO, number, Role.VIEWER)

    assert site.get("/audit", token=token).status_code == 403
    assert site.get("/overview", token=token).status_code == 200


def own_token(site, role):
    browser = site.browser(role)
    form = browser.open("/account").form("Make a token")
    page = browser.post(form.action, form.fields | {"name": "laptop", "role": role.value})
    return next(word for word in page.text.split() if word.startswith("fwtoken_"))


def test_what_a_person_does_by_a_token_is_told_as_theirs(site):
    site.machine(1)
    token = own_token(site, Role.ADMINISTRATOR)
    headers = {"Authorization": f"Bearer {token}"}

    site.client.patch("/api/v1/machines/1", json={"marked": "pump control"}, headers=headers)

    (entry,) = [each for each in audit.all_entries(site.site) if each.action == "machine.mark"]
    assert entry.who == "person: the administrator"


def test_nobody_revokes_anothers_token_but_an_administrator(site):
    token = own_token(site, Role.TECHNICIAN)
    other = site.browser(Role.VIEWER)
    form = other.open("/account").form("Sign out")

    page = other.post("/account/tokens/revoke", form.fields | {"name": "laptop"})

    assert page.status == 404
    assert site.get("/overview", token=token).status_code == 200
    administrator = site.browser(Role.ADMINISTRATOR)
    fields = administrator.open("/tokens").form("Revoke").fields | {"name": "laptop"}
    administrator.post("/tokens/revoke", fields)
    assert site.get("/overview", token=token).status_code == 401


@pytest.mark.parametrize(
    "header",
    [
        "",
        "Bearer",
        "Bearer ",
        "Basic aWRhOmlkYQ==",
        "Bearer fwtoken_",
        "Bearer fwmachine_x",
        "Bearer \u00e9",
        "Bearer a b",
        "fwtoken_x",
    ],
)
def test_what_is_no_token_lets_nobody_in(site, header):
    with site.client.get("/api/v1/overview", headers={"Authorization": header}) as response:
        assert response.status_code == 401
        assert response.headers["WWW-Authenticate"] == 'Bearer realm="flashworthy"'


def test_a_token_is_taken_in_no_other_place(site):
    for path in (
        f"/api/v1/overview?token={site.token}",
        f"/api/v1/overview?access_token={site.token}",
    ):
        assert site.client.get(path).status_code == 401


def test_an_unknown_token_is_refused_by_the_service_too(site):
    with pytest.raises(InvalidTokenError):
        credentials.identify(site.site, "fwtoken_unknown", "127.0.0.1")


def test_one_machines_agent_is_not_anothers(site):
    site.enrol(agent_id=AGENT, hostname="a", system_serial="QM1")
    taken = an_application(site.code(), agent_id=AGENT, system_serial="QM2")

    assert site.client.post("/api/v1/enrolments", json=taken).status_code == 409
    fresh = taken | {"agent_id": OTHER_AGENT}
    assert site.client.post("/api/v1/enrolments", json=fresh).status_code == 201
