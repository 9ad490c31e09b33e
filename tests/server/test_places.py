"""Where machines stand: by agents, codes, rules and lists; a person's word wins."""

import pytest

from flashworthy_server.services.who import Role

RULES = [
    {"place": "Elmford /reading room", "hostname": "DESK-00*", "addresses": "127.0.0.0/8"},
    {"place": "Kelling", "hostname": "desk-*"},
]


def place(site, number=1):
    return site.get(f"/machines/{number}").json["machine"]["place"]


def test_rules_move_the_machines_that_nobody_else_places(site):
    site.machine(1)
    site.machine(2, place="Fallow Hill")  # by its enrolment code
    site.machine(3, identity={"place": "Ivy Bridge"})  # by its agent

    found = site.put("/places/rules", RULES).json

    assert found["moves"] == [
        {"machine_id": 1, "name": "desk-001", "before": None, "place": "Elmford / reading room"}
    ]
    assert [(each["name"], each["by"]) for each in found["kept"]] == [
        ("desk-002", "code"),
        ("desk-003", "agent"),
    ]
    assert [place(site, number) for number in (1, 2, 3)] == [
        "Elmford / reading room",
        "Fallow Hill",
        "Ivy Bridge",
    ]


def test_a_preview_of_rules_changes_nothing(site):
    site.machine(1)

    assert len(site.put("/places/rules?dry_run=true", RULES).json["moves"]) == 1

    assert place(site) is None
    assert site.get("/places/rules").json == {"rules": []}


def test_a_machines_page_says_who_says_where_it_stands(site):
    site.machine(1)
    site.put("/places/rules", RULES)

    assert "said by the site's rules" in site.browser(Role.VIEWER).open("/machines/1").text


def test_a_machine_that_joins_later_stands_where_the_rules_say(site):
    site.put("/places/rules", RULES)
    site.machine(12)

    assert place(site) == "Kelling"


def test_rules_that_are_taken_back_leave_no_place(site):
    site.machine(1)
    site.put("/places/rules", RULES)
    site.put("/places/rules", [])

    assert place(site) is None


def test_a_machine_that_a_person_placed_stays(site):
    site.machine(1)
    browser = site.browser(Role.TECHNICIAN)
    browser.send(browser.open("/machines/1"), "Say where it stands", place="Attic")

    site.put("/places/rules", RULES)
    site.client.post(
        "/api/v1/places/list",
        data="desk-001,Cellar",
        headers={"Authorization": f"Bearer {site.token}", "Content-Type": "text/csv"},
    )
    assert place(site) == "Attic"

    browser.send(browser.open("/machines/1"), "Say where it stands", place="")
    assert place(site) == "Elmford / reading room"  # the rules say it again


@pytest.mark.parametrize(
    ("rules", "field"),
    [
        ([{"place": "A"}], "rules[0].hostname"),
        ([{"place": " / ", "hostname": "a*"}], "rules[0].place"),
        ([RULES[0], {"place": "A", "addresses": "10.0.0.1/8"}], "rules[1].addresses"),
        ([{"hostname": "a*"}], "rules[0].place"),
        ({"place": "A"}, "rules"),
    ],
)
def test_a_rule_that_cannot_be_is_named(site, rules, field):
    response = site.put("/places/rules", rules)

    assert response.status_code == 422
    assert [each["field"] for each in response.json["errors"]] == [field]


def send_list(site, text, query=""):
    return site.client.post(
        f"/api/v1/places/list{query}",
        data=text.encode(),
        headers={"Authorization": f"Bearer {site.token}", "Content-Type": "text/csv"},
    )


@pytest.mark.parametrize(
    "text",
    [
        "hostname,place\nDesk-001,Elmford/cellar\n",
        "desk-001;Elmford / cellar\n\n",
        "desk-001\tElmford / cellar\r\n",
        "\ufeffhostname,place\ndesk-001,Elmford / cellar",
    ],
)
def test_a_list_places_machines_by_their_hostnames(site, text):
    site.machine(1, place="Fallow Hill")

    found = send_list(site, text).json

    assert [each["place"] for each in found["moves"]] == ["Elmford / cellar"]
    assert place(site) == "Elmford / cellar"


def test_a_hostname_that_no_machine_has_is_said(site):
    site.machine(1)

    found = send_list(site, "desk-009,A\ndesk-001,B\n", "?dry_run=true").json

    assert (found["not_found"], len(found["moves"])) == (["desk-009"], 1)
    assert place(site) is None


def test_a_list_with_a_bad_line_changes_nothing(site):
    site.machine(1)

    response = send_list(site, "desk-001,A\ndesk-002\ndesk-001,B\ndesk-003,\n")

    assert response.status_code == 422
    assert [each["line"] for each in response.json["errors"]] == [2, 3, 4]
    assert place(site) is None


def test_a_machine_that_moves_is_judged_by_the_limits_of_its_new_place(site):
    site.know()
    site.machine(1)
    site.put("/policy", {"place": "Elmford", "limits": {"charge_percent": 99}})
    assert site.get("/machines?outcome=clear").json["machines"]

    site.put("/places/rules", RULES)

    assert site.get("/machines?outcome=prepare").json["machines"]


def test_moving_is_told_in_the_audit_trail(site):
    site.machine(1)
    site.put("/places/rules", RULES)
    send_list(site, "desk-001,Cellar")

    actions = [each["action"] for each in site.get("/audit").json["entries"]]
    assert {"places.rules", "machine.move"} <= set(actions)
