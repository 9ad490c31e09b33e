"""The page of one machine: what people record there, and what it shows of the past."""

import csv
import json
from datetime import timedelta

import pytest

from flashworthy_common.report import Battery
from flashworthy_server.services.who import Role
from support.site import AGENT, a_sent_report

DAY = timedelta(days=1)


@pytest.fixture
def technician(site):
    site.machine(1, place="Alder Lane")
    site.know()
    return site.browser(Role.TECHNICIAN)


def audited(site):
    return [entry["action"] for entry in site.get("/audit").json["entries"]]


def test_a_word_is_given_and_taken_back(site, technician):
    page = technician.send(technician.open("/machines/1"), "Confirm")
    assert "Nothing is confirmed" not in page.text
    assert "as it runs 1.29 the technician just now Withdraw" in page.text

    page = technician.send(page, "Withdraw")

    assert "Nothing is confirmed" in page.text
    assert audited(site)[:2] == ["confirmation.withdraw", "confirmation.add"]


def test_a_symptom_is_recorded_until_it_is_no_longer_seen(site, technician):
    shown = "the fan hums after sleep"
    page = technician.send(technician.open("/machines/1"), "Record it", says=shown)
    assert shown in page.text

    page = technician.send(page, "No longer seen")

    assert shown not in page.text
    assert audited(site)[:2] == ["symptom.end", "symptom.add"]


def test_a_symptom_that_says_too_little_is_refused_and_kept_in_its_field(technician):
    page = technician.send(technician.open("/machines/1"), "Record it", says="it is")

    assert page.status == 422
    assert "expected what it shows" in page.text
    assert page.form("Record it").fields["says"] == "it is"


def test_a_flash_is_started_and_said_to_be_done(site, technician):
    page = technician.send(technician.open("/machines/1"), "It starts now")
    assert "under way; expected back by" in page.text

    page = technician.send(page, "It is done")

    assert "said to be done" in page.text
    assert audited(site)[:2] == ["flash.done", "flash.start"]


def test_a_flash_that_could_not_be_done_says_why_and_is_waited_for_no_longer(site, technician):
    page = technician.send(technician.open("/machines/1"), "It starts now")

    page = technician.send(page, "Say so", reason="the setup password is not known")

    assert "could not be done: the setup password is not known" in page.text
    assert audited(site)[0] == "flash.give-up"
    site.clock.now += 2 * DAY
    assert "silent-after-flash" not in site.get("/machines/1").json["attention"]


def test_a_flash_that_nobody_started_cannot_be_given_up(technician):
    page = technician.open("/machines/1")
    token = page.form("It starts now").fields

    refused = technician.post("/machines/1/flashes/give-up", {**token, "reason": "no time"})

    assert refused.status == 409
    assert "no flash of machine #1 is under way" in refused.text


def test_what_asks_for_attention_rests_and_asks_again(site, technician):
    code = site.get("/machines/1").json["attention"][0]
    until = (site.clock.now + 5 * DAY).date().isoformat()

    page = technician.send(
        technician.open("/machines/1"), "Let it rest", reason="ordered", until=until
    )
    assert f"It rests until {until}: ordered" in page.text
    assert code not in site.get("/machines/1").json["attention"]

    technician.send(page, "Let it ask again")
    assert code in site.get("/machines/1").json["attention"]


def test_a_day_that_is_none_is_named_at_its_field(technician):
    page = technician.send(
        technician.open("/machines/1"), "Let it rest", reason="ordered", until="soon"
    )

    assert page.status == 422
    assert page.text.count("until: expected a day such as 2027-01-31, got 'soon'") == 2


def test_a_fault_stands_in_the_form_that_was_sent_and_in_no_other(site):
    site.machine(1)
    browser = site.browser(Role.ADMINISTRATOR)

    page = browser.send(browser.open("/machines/1"), "Take it out of service", reason="  ")

    faulty = [given for _, given in page.tags if given.get("aria-invalid")]
    assert [each["id"] for each in faulty] == ["machines-1-out-of-service-reason"]


def test_power_is_told_day_by_day(site):
    token = site.machine(1)
    for number, percent in enumerate((71, 64, 58), start=2):
        site.clock.now += DAY
        power = {"mains": False, "batteries": (Battery(name="BAT0", percent=percent),)}
        report = a_sent_report(sequence=number, agent_id=AGENT_OF_1, number=5000, power=power)
        assert site.send(token, report).status_code == 201

    page = site.browser(Role.VIEWER).open("/machines/1")

    for told in ("71 %", "64 %", "58 %"):
        assert told in page.text
    (picture,) = [given for tag, given in page.tags if given.get("role") == "img"]
    assert picture["aria-label"] == "charge of the battery, day by day, in percent"


AGENT_OF_1 = f"{AGENT[:-12]}{1:012x}"


def test_versions_stand_in_a_line_and_are_text(site):
    bad = "1.<b>30"
    token = site.machine(1)
    site.clock.now += DAY
    firmware = {"version_text": bad}
    report = a_sent_report(sequence=2, agent_id=AGENT_OF_1, number=5000, firmware=firmware)
    assert site.send(token, report).status_code == 201

    page = site.browser(Role.VIEWER).open("/machines/1")

    assert "nobody planned it" in page.text
    assert page.text.count(bad) >= 2
    assert "b" not in {tag for tag, _ in page.tags}


def test_a_report_is_shown_as_it_came(site):
    site.machine(1)

    page = site.browser(Role.VIEWER).open("/machines/1/reports/1")

    shown = page.response.text.split('<pre tabindex="0">')[1].split("</pre>")[0]
    assert json.loads(shown.replace("&#34;", '"'))["sequence"] == 1


def test_older_reports_are_a_link_away(site):
    token = site.machine(1)
    for number in range(2, 13):
        report = a_sent_report(sequence=number, agent_id=AGENT_OF_1, number=5000)
        assert site.send(token, report).status_code == 201
    browser = site.browser(Role.VIEWER)
    (link,) = [each for each in browser.open("/machines/1").links if "before=" in each]

    page = browser.open(link)

    assert "report 2 as it came" in page.text
    assert "report 3 as it came" not in page.text


@pytest.mark.parametrize("number", ["9" * 30, "-1", "\u0663", "x"])
def test_a_number_that_no_report_can_have_shows_the_newest(site, number):
    site.machine(1)

    page = site.browser(Role.VIEWER).open(f"/machines/1?before={number}")

    assert "report 1 as it came" in page.text


def test_a_report_that_is_not_there_is_not_found(site):
    site.machine(1)

    assert site.browser(Role.VIEWER).open("/machines/1/reports/99").status == 404


def test_a_viewer_sees_all_and_can_change_nothing(site):
    site.machine(1)

    page = site.browser(Role.VIEWER).open("/machines/1")

    assert [form.label.strip() for form in page.forms] == ["Sign out"]


# ---- the list, and machines without an agent --------------------------------------------------


def test_the_csv_has_what_the_filters_let_through_and_no_more(site, technician):
    for number in range(2, 9):
        site.machine(number, place="Mill Street")

    listed = technician.client.get("/machines.csv?place=Mill+Street")

    names = [row["name"] for row in csv.DictReader(listed.text.splitlines())]
    assert names == [f"desk-{number:03}" for number in range(2, 9)]
    listed.close()


@pytest.mark.parametrize("text", ["DESK-002", "mill", "folio", "1.29"])
def test_text_is_looked_for_in_name_place_model_and_version(site, technician, text):
    site.machine(2, place="Mill Street")

    assert "desk-002" in technician.open(f"/machines?text={text}").text
    browser = site.browser(Role.ADMINISTRATOR)
    browser.send(browser.open("/machines/2"), "Take it out of service", reason="given away")
    assert "desk-002" not in technician.open(f"/machines?text={text}").text
    assert "desk-002" in technician.open(f"/machines?text={text}&out=yes").text


def test_machines_are_found_by_the_age_of_their_firmware(site, technician):
    site.machine(2, firmware={"date_text": "03/04/2016"})

    page = technician.open("/machines?older=8")

    assert "desk-002" in page.text
    assert "desk-001" not in page.text


def test_a_machine_without_an_agent_is_entered_by_hand(site, technician):
    page = technician.send(
        technician.open("/machines/enter"),
        "Enter it",
        name="attic-pc",
        maker="Quillmark",
        product="Folio 14",
        version_text="1.29",
        kind="portable",
        mains="no",
        battery_percent="71",
    )

    assert "the word of the technician" in page.text
    assert audited(site)[0] == "machine.enter"


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"maker": " "}, "maker"),
        ({"battery_percent": "full"}, "battery_percent"),
        ({"battery_percent": "101"}, "battery_percent"),
    ],
)
def test_what_cannot_be_entered_is_named_and_kept(technician, typed, field):
    given = {"name": "attic-pc", "maker": "Quillmark", "product": "Folio 14"} | typed

    page = technician.send(technician.open("/machines/enter"), "Enter it", **given)

    assert page.status == 422
    assert f"{field}: expected" in page.text
    assert page.form("Enter it").fields["product"] == "Folio 14"
