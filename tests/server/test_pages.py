"""Pages: what a browser is told, forms that only work from here, and what stands on them."""

import re

import pytest

from flashworthy_common.present import verdict_lines
from flashworthy_common.readiness import Moment
from flashworthy_server.services import audit, machines
from flashworthy_server.services.who import Role
from flashworthy_server.web.access import MAY, is_page
from flashworthy_server.web.origin import FORM_FIELD
from support.library import paths
from support.site import KNOWLEDGE, RELEASE, a_sent_report

CHANGES = [  # what may differ after pages were only read
    "sessions",  # when each was used last
    "refusals",  # what was refused is counted
    "machines",  # verdicts that no longer hold are judged again; they are compared below
]


@pytest.fixture
def administrator(site):
    return site.browser(Role.ADMINISTRATOR)


def routes(site, method):
    for rule in site.client.application.url_map.iter_rules():
        if is_page(rule.endpoint) and method in rule.methods:
            values = dict.fromkeys(rule.arguments, 1) | {"filename": "style.css"}
            with site.client.application.test_request_context():
                _, path = rule.build({name: values[name] for name in rule.arguments})
            yield rule.endpoint, path


def tables(site, *, without=()):
    return {name: rows for name, rows in site.rows().items() if name not in without}


# ---- what every page tells the browser --------------------------------------------------------


def test_only_own_script_runs_and_no_page_is_framed_or_kept(site, administrator):
    site.machine(1)
    for _, path in routes(site, "GET"):
        with administrator.client.get(path) as response:
            headers = response.headers

        policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
        assert policy["default-src"] == "'none'"
        own = ("script-src", "connect-src", "style-src", "img-src", "form-action")
        assert {policy[name] for name in own} == {"'self'"}
        assert {policy[name] for name in ("base-uri", "frame-ancestors")} == {"'none'"}
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "same-origin"
        assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
        assert "Access-Control-Allow-Origin" not in headers
        if not path.startswith("/static/"):
            assert headers["Cache-Control"] == "no-store", path


def test_nothing_on_a_page_would_be_refused_by_its_own_policy(site, administrator):
    site.machine(1)
    site.know()
    for endpoint, path in routes(site, "GET"):
        page = administrator.open(path)
        if page.response.content_type != "text/html; charset=utf-8":
            continue
        for tag, given in page.tags:
            assert tag not in ("style", "iframe", "object", "base"), endpoint
            assert tag != "script" or given["src"] == "/static/page.js", endpoint
            assert not any(name == "style" or name.startswith("on") for name in given), endpoint
            for name in ("href", "src", "action"):
                leads = re.match(r"/|#", given.get(name, "/"))
                assert leads or (tag, name) == ("a", "href"), (endpoint, given)


def test_to_read_a_page_changes_nothing(site, administrator):
    site.machine(1)
    site.post("/releases/import", KNOWLEDGE)
    before = tables(site, without=CHANGES), site.get("/machines").json

    for _, path in routes(site, "GET"):
        administrator.open(path)
        with administrator.client.head(path):
            pass

    assert (tables(site, without=CHANGES), site.get("/machines").json) == before


def test_every_change_is_refused_without_the_forms_own_token(site, administrator):
    site.machine(1)
    before = tables(site, without=CHANGES)
    for endpoint, path in routes(site, "POST"):
        for given in ({}, {FORM_FIELD: ""}, {FORM_FIELD: "0" * 64}, {FORM_FIELD: "\u0660"}):
            page = administrator.post(path, given)

            assert page.status == 403, endpoint
            assert "the form is too old, or not of this browser" in page.text
    assert tables(site, without=CHANGES) == before


def test_a_form_of_another_browser_is_refused(site, administrator):
    theirs = site.browser(Role.TECHNICIAN).open("/account").form("Change it").fields[FORM_FIELD]

    assert (
        administrator.post("/codes", {FORM_FIELD: theirs, "uses": "1", "days": "1"}).status == 403
    )


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({"Sec-Fetch-Site": "none"}, 200),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Origin": "http://localhost"}, 200),
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({}, 200),
    ],
)
def test_a_form_that_a_browser_says_comes_from_elsewhere_is_refused(
    site, administrator, headers, status
):
    form = administrator.open("/codes").form("Make a code")

    assert administrator.post(form.action, form.fields, **headers).status == status


@pytest.mark.parametrize(
    ("address", "headers", "says"),
    [
        ("192.0.2.7", {}, "pages are served over plain HTTP to loopback only"),
        ("", {}, "pages are served over plain HTTP to loopback only"),
        ("127.0.0.1", {"X-Forwarded-For": "192.0.2.7"}, "a proxy stands before this server"),
        ("127.0.0.1", {"Forwarded": "for=192.0.2.7"}, "a proxy stands before this server"),
    ],
)
def test_passwords_are_not_asked_for_over_a_line_that_others_can_read(site, address, headers, says):
    page = site.browser(address=address).open("/sign-in", **headers)

    assert (page.status, says in page.text) == (403, True)


def test_behind_tls_pages_are_for_every_address(site):
    site.settle(public_url="https://flashworthy.example")

    assert site.browser(address="192.0.2.7").open("/sign-in").status == 200


# ---- what stands on them ----------------------------------------------------------------------


def test_the_page_of_a_machine_says_what_the_terminal_says(site, administrator):
    site.machine(1)
    site.post("/releases/import", KNOWLEDGE)
    page = administrator.open("/machines/1")

    verdict = machines.verdict_of(site.site, 1, Moment.DESK)
    head, sentence, _, *rest = verdict_lines(verdict, now=site.clock.now)
    assert head.split()[0].casefold() in page.text
    assert sentence in page.text
    for line in rest:
        words = " ".join(line[10:].split()) if line[:1].islower() or line[:1] == " " else line
        assert words.removesuffix(" (each of them: --all)") in page.text
    for check in verdict.checks:
        assert check.title in page.text
        assert check.says in page.text
        assert check.remedy in page.text


def test_a_machine_that_has_not_reported_says_so(site, administrator):
    site.enrol(hostname="reading-room-4")

    assert "It has not reported yet" in administrator.open("/machines/1").text


def test_what_machines_say_of_themselves_is_text_and_nothing_else(site, administrator):
    bad = "<script>alert(1)</script><b onclick='x'>\"'&"
    token = site.enrol(hostname=bad, place=f"{bad} hall")
    site.send(token, a_sent_report(machine={"product": bad}, firmware={"version_text": bad}))
    for path in ("/machines", "/machines/1", "/", "/audit"):
        page = administrator.open(path)
        assert page.status == 200
        scripts = [given for tag, given in page.tags if tag == "script"]
        assert scripts == [{"src": "/static/page.js"}]
        assert "b" not in {tag for tag, _ in page.tags}


def test_filters_stand_in_the_address_and_name_what_is_meant(site, administrator):
    for number in (1, 2, 12):
        site.machine(number, place="Alder Lane" if number < 10 else "Mill Street")
    page = administrator.open("/machines")

    shown = administrator.open(page.forms[1].action + "?place=Alder Lane&text=desk-002")

    assert "desk-002" in shown.text
    assert "desk-001" not in shown.text
    assert shown.forms[1].fields["place"] == "Alder Lane"


def test_a_filter_that_nothing_can_have_is_named(administrator):
    page = administrator.open("/machines?outcome=maybe")

    assert (page.status, "outcome: expected one of clear" in page.text) == (422, True)


def test_the_next_machines_are_a_link_away(site, administrator):
    for number in range(1, 8):
        site.machine(number)
    first = administrator.open("/machines")
    (link,) = [each for each in first.links if "after_id" in each]

    second = administrator.open(link)

    names = [set(re.findall(r"desk-\d+", page.text)) for page in (first, second)]
    assert sorted([*names[0], *names[1]]) == [f"desk-{number:03}" for number in range(1, 8)]


def test_a_code_is_shown_once_and_lets_a_machine_join(site, administrator):
    page = administrator.send(
        administrator.open("/codes"), "Make a code", uses="3", days="2", place="Alder Lane/hall"
    )
    code = re.search(r"fwjoin-\S+", page.text)[0]

    assert code not in administrator.open("/codes").text
    assert "0 of 3" in page.text
    application = {
        "code": code,
        "agent_id": "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801",
        "identity": {},
        "machine": {},
    }
    assert site.client.post("/api/v1/enrolments", json=application).status_code == 201
    assert "1 of 3" in administrator.open("/codes").text
    assert "Alder Lane / hall" in administrator.open("/machines").text


def test_older_codes_are_a_link_away(site, administrator):
    for _ in range(7):
        site.code()
    first = administrator.open("/codes")
    (link,) = [each for each in first.links if "before=" in each]

    second = administrator.open(link)

    assert [page.text.count("0 of 1000") for page in (first, second)] == [5, 2]


def test_a_revoked_code_lets_nobody_join(site, administrator):
    code = site.code()
    administrator.send(administrator.open("/codes"), "Revoke")

    application = {"code": code, "agent_id": "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801"}
    application |= {"identity": {}, "machine": {}}
    assert site.client.post("/api/v1/enrolments", json=application).status_code == 403


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"uses": "0"}, "uses: expected a whole number from 1 to 100000, got '0'"),
        ({"uses": "many"}, "uses: expected a whole number from 1 to 100000, got 'many'"),
        ({"days": "٣"}, "days: expected a whole number from 1 to 366"),
        ({"days": ""}, "days: expected a whole number from 1 to 366, got ''"),
    ],
)
def test_a_form_that_cannot_be_taken_keeps_what_was_typed(administrator, typed, says):
    given = {"uses": "7", "days": "3", "place": "Alder Lane"} | typed

    page = administrator.send(administrator.open("/codes"), "Make a code", **given)

    assert page.status == 422
    assert says in page.text
    assert page.form("Make a code").fields["place"] == "Alder Lane"


def test_somebody_is_added_with_a_code_and_sets_their_password(site, administrator):
    page = administrator.send(
        administrator.open("/people"),
        "Make an account and its code",
        name="Tom Arrow",
        role="technician",
    )
    code = re.search(r"fwsetup-\S+", page.text)[0]
    browser = site.browser()

    browser.send(
        browser.open("/set-up"), "Set it", name="Tom Arrow", code=code, password="quay windlass"
    )
    there = browser.send(
        browser.open("/sign-in"), "Sign in", name="tom arrow", password="quay windlass"
    )

    assert "Tom Arrow, technician" in there.text
    assert "People" not in there.text


def test_a_role_that_is_changed_holds_at_once(site, administrator):
    browser = site.browser(Role.VIEWER)
    assert browser.open("/codes").status == 403
    page = administrator.open("/people/2")

    administrator.send(page, "Change it", role="administrator")

    assert browser.open("/codes").status == 200


def test_a_machine_cannot_be_made_a_person(site, administrator):
    page = administrator.send(administrator.open("/people/1"), "Change it", role="machine")

    assert page.status == 422


def test_the_audit_page_shows_who_did_what_and_all_of_it_as_lines(site, administrator):
    site.machine(1)
    administrator.send(
        administrator.open("/machines/1"),
        "Say what it must not be touched for",
        duty="drug cabinet control",
    )

    page = administrator.open("/audit?action=machine.mark")
    lines = administrator.client.get("/audit.jsonl")

    assert "person: the administrator" in page.text
    assert '{"marked":"drug cabinet control"}' in page.text
    assert lines.content_type == "application/jsonl"
    assert lines.text == "".join(audit.json_lines(site.site))
    lines.close()


def test_one_entry_of_the_trail_is_shown_whole(site, administrator):
    long = "read " * 100
    site.post("/releases", RELEASE | {"recovery": long})
    newest, *_ = [e for e in administrator.open("/audit").links if re.fullmatch(r"/audit/\d+", e)]

    page = administrator.open(newest)

    assert long.strip() in page.text
    assert long.strip() not in administrator.open("/audit").text
    assert administrator.open("/audit/99").status == 404


def test_an_empty_site_says_what_to_do_first(administrator):
    page = administrator.open("/")

    assert "No machine has joined yet. Begin with an enrolment code" in page.text


def test_what_is_not_there_is_a_page_for_people_and_a_problem_for_programs(site):
    page = site.client.get("/nowhere", headers={"Accept": "text/html"})
    problem = site.client.get("/nowhere", headers={"Accept": "application/json"})

    assert (page.status_code, page.content_type) == (404, "text/html; charset=utf-8")
    assert problem.content_type == "application/problem+json"


def test_an_error_of_the_servers_own_is_a_page_without_details(site, administrator, monkeypatch):
    def fail(*arguments):
        raise RuntimeError(f"secret {site.token}")

    monkeypatch.setattr("flashworthy_server.services.today.today", fail)

    page = administrator.open("/")

    assert page.status == 500
    assert "an error of the server's own; its log has more" in page.text
    assert site.token not in page.response.text


def test_the_stylesheet_is_small_and_asks_nobody_else(site):
    with site.client.get("/static/style.css") as response:
        text = response.text

    assert len(text) <= 20 * 1024
    assert "url(" not in text
    assert "@import" not in text


def test_pages_of_people_tell_no_role_what_it_may_not_know(site):
    site.machine(1)
    viewer = site.browser(Role.VIEWER)

    page = viewer.open("/machines/1")

    assert [form.label for form in page.forms] == ["Sign out"]
    hidden = {name for name in MAY if is_page(name) and Role.VIEWER not in (MAY[name] or {None})}
    assert hidden
    assert not any("/people" in link or "/audit" in link for link in page.links)


def test_no_page_shows_the_secret_of_its_session(site, administrator):
    secret = administrator.client.get_cookie("flashworthy").value
    for _, path in routes(site, "GET"):
        with administrator.client.get(path) as response:
            assert secret not in response.text, path


def test_every_page_has_a_way_to_sign_out(site, administrator):
    site.machine(1)
    for endpoint, path in routes(site, "GET"):
        page = administrator.open(path)
        is_for_people = MAY[endpoint] and page.response.content_type.startswith("text/html")
        assert not is_for_people or page.form("Sign out").method == "post", path


def test_passwords_are_masked_and_managers_are_helped(site, administrator):
    site.clock.pass_by(minutes=5)
    found = []
    for path in ("/sign-in", "/set-up", "/prove", "/account"):
        for tag, given in administrator.open(path).tags:
            if tag == "input" and "password" in given.get("name", ""):
                assert given["type"] == "password", path
                found.append(given["autocomplete"])

    # HTML, autofill: what tells a manager which password is meant.
    assert sorted(found) == ["current-password"] * 3 + ["new-password"] * 2


def test_no_page_gives_hints_of_a_password(site):
    site.person(Role.VIEWER, "Tom Arrow")
    browser = site.browser()
    known = browser.send(browser.open("/sign-in"), "Sign in", name="Tom Arrow", password="x")
    unknown = browser.send(browser.open("/sign-in"), "Sign in", name="Tim Arrow", password="x")

    assert known.text == unknown.text
    assert "hint" not in known.text


def test_the_real_browser_reaches_every_page():
    by_endpoint = dict(paths())

    assert by_endpoint["pages.overview"] == "/"
    assert by_endpoint["pages.machine"].startswith("/machines/")
