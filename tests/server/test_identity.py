"""Which machine speaks, where it stands, and whether it is in service."""

import pytest

from flashworthy_common.attention import AttentionCode
from flashworthy_server.errors import ConflictError, InvalidInputError
from flashworthy_server.services import audit, machines
from flashworthy_server.services.who import Role
from support.site import (
    AGENT,
    OTHER_AGENT,
    OTHER_UUID,
    UUID,
    WHO,
    a_sent_report,
    an_application,
    report_id,
)

DOUBT, REPLACED = AttentionCode.IDENTITY_IN_DOUBT, AttentionCode.BOARD_REPLACED


def codes_of(site, number=1):
    return [each["code"] for each in site.get(f"/machines/{number}").json["attention"]]


def place_of(site):
    return site.get("/machines/1").json["machine"]["place"]


def names(site, query=""):
    return [row["name"] for row in site.get(f"/machines{query}").json["machines"]]


def told(site, action):
    return [audit.told_of(each) for each in audit.all_entries(site.site) if each.action == action]


# ---- cloned -----------------------------------------------------------------------------------


def test_two_reports_of_one_number_tell_of_a_copied_disk(site):
    """Image cloned onto the same hardware evidence, such as a machine without serials."""
    token = site.enrol(hostname="reading-room-4")
    for number in (1, 2, 3):
        site.send(token, a_sent_report(sequence=number))
    assert codes_of(site) == []

    copy = a_sent_report(sequence=2) | {"report_id": report_id(777)}
    site.send(token, copy)

    assert codes_of(site) == ["identity-in-doubt"]
    (attention,) = site.get("/machines/1").json["attention"]
    assert attention["says"].startswith("two reports of its agent have one number")


def test_a_report_that_only_comes_late_tells_of_nothing(site):
    token = site.enrol(hostname="reading-room-4")
    for number in (1, 3, 2):
        site.send(token, a_sent_report(sequence=number))

    assert codes_of(site) == []


def test_a_disk_in_another_machine_asks_attention_and_must_enrol(site):
    token = site.enrol(hostname="a", smbios_uuid=UUID, system_serial="QM1")
    site.send(token, a_sent_report(sequence=1, identity={"smbios_uuid": UUID}))

    site.send(token, a_sent_report(sequence=2, identity={"smbios_uuid": OTHER_UUID}))

    assert codes_of(site) == ["identity-in-doubt"]
    taken = an_application(site.code(), smbios_uuid=OTHER_UUID)
    assert site.client.post("/api/v1/enrolments", json=taken).status_code == 409
    site.enrol(agent_id=OTHER_AGENT, smbios_uuid=OTHER_UUID)
    assert len(names(site)) == 2


# ---- a person has looked ----------------------------------------------------------------------


@pytest.fixture
def doubted(site):
    """A machine whose agent reported from other hardware."""
    token = site.enrol(hostname="a", smbios_uuid=UUID)
    site.send(token, a_sent_report(sequence=1, identity={"smbios_uuid": UUID}))
    site.send(token, a_sent_report(sequence=2, identity={"smbios_uuid": OTHER_UUID}))
    return token


def test_a_doubt_stays_until_a_person_has_looked_and_said_what_they_found(site, doubted):
    site.send(doubted, a_sent_report(sequence=3, identity={"smbios_uuid": UUID}))
    assert codes_of(site) == ["identity-in-doubt"]

    machines.acknowledge(site.site, WHO, 1, DOUBT, "the disk was in the workshop's bench PC")

    assert codes_of(site) == []
    (entry,) = told(site, "attention.acknowledge")
    assert entry["who"] == "terminal: ida"
    assert entry["after"]["reason"] == "the disk was in the workshop's bench PC"


def test_a_machine_that_is_the_same_on_other_hardware_is_known_by_it_from_then_on(site, doubted):
    machines.acknowledge(site.site, WHO, 1, DOUBT, "its board was replaced", learn=True)

    site.send(
        doubted,
        a_sent_report(
            sequence=3, identity={"smbios_uuid": OTHER_UUID}, firmware={"version_text": "1.34"}
        ),
    )

    assert codes_of(site) == []
    assert site.get("/machines/1").json["machine"]["version_text"] == "1.34"
    history = site.get("/machines/1/history").json
    assert history["firmware_changes"] == []  # another board's version is no earlier one of this


def test_a_replaced_board_is_confirmed_on_the_page(site):
    site.enrol(agent_id=AGENT, smbios_uuid=UUID, asset_tag="LIB-0417")
    site.enrol(agent_id=OTHER_AGENT, smbios_uuid=OTHER_UUID, asset_tag="LIB-0417")
    browser = site.browser(Role.TECHNICIAN)

    browser.send(browser.open("/machines/1"), "Acknowledge", reason="replaced by the workshop")

    assert codes_of(site) == []
    assert told(site, "attention.acknowledge")[0]["who"] == "person: the technician"


def test_what_is_not_asked_for_cannot_be_acknowledged(site, doubted):
    for code in (REPLACED, AttentionCode.SECURE_BOOT_OFF):
        with pytest.raises(ConflictError):
            machines.acknowledge(site.site, WHO, 1, code, "why not")


@pytest.mark.parametrize("reason", ["", "   ", "x" * 501])
def test_nothing_is_acknowledged_without_a_reason(site, doubted, reason):
    with pytest.raises(InvalidInputError, match="expected why, in 1 to 500 characters"):
        machines.acknowledge(site.site, WHO, 1, DOUBT, reason)
    assert codes_of(site) == ["identity-in-doubt"]


# ---- moved ------------------------------------------------------------------------------------


def test_a_machine_that_says_another_place_has_moved(site):
    token = site.enrol(hostname="reading-room-4")
    places = []
    for number, place in enumerate(("Alder Lane", "Mill Street/hall", ""), start=1):
        site.send(token, a_sent_report(sequence=number, identity={"place": place}))
        places.append(place_of(site))

    assert places == ["Alder Lane", "Mill Street / hall", "Mill Street / hall"]


def test_what_a_person_says_of_the_place_comes_before_what_code_and_agent_say(site):
    token = site.enrol(hostname="reading-room-4", place="Alder Lane")
    machines.move(site.site, WHO, 1, "Harbour Street/cellar")

    site.send(token, a_sent_report(sequence=1, identity={"place": "Mill Street"}))
    site.enrol(agent_id=OTHER_AGENT, hostname="x", place="Mill Street")

    assert place_of(site) == "Harbour Street / cellar"
    (entry,) = told(site, "machine.move")
    assert (entry["before"], entry["after"]) == (
        {"place": "Alder Lane"},
        {"place": "Harbour Street / cellar"},
    )


def test_when_a_person_takes_their_word_back_the_reports_say_it_again(site):
    token = site.enrol(hostname="reading-room-4")
    machines.move(site.site, WHO, 1, "Harbour Street")
    machines.move(site.site, WHO, 1, "")

    site.send(token, a_sent_report(sequence=1, identity={"place": "Mill Street"}))

    assert place_of(site) == "Mill Street"


def test_the_place_of_a_code_stays_whatever_the_agent_says(site):
    token = site.enrol(hostname="reading-room-4", place="Alder Lane")

    site.send(token, a_sent_report(sequence=1, identity={"place": "Mill Street"}))

    assert place_of(site) == "Alder Lane"


# ---- out of service and back ------------------------------------------------------------------


def test_out_of_service_a_machine_is_neither_listed_nor_counted_nor_silent(site):
    token = site.machine(1)
    site.machine(2)

    machines.take_out_of_service(site.site, WHO, 1, "given away")
    site.clock.pass_by(days=60)

    overview = site.get("/overview").json
    assert names(site) == ["desk-002"]
    assert names(site, "?out_of_service=true") == ["desk-001"]
    assert (overview["machines"], overview["silent"]) == (1, 1)
    assert sum(overview["outcomes"].values()) == 1
    assert overview["places"] == {"not known": 1} or sum(overview["places"].values()) == 1
    report = a_sent_report(sequence=9, agent_id="7b0c5a44-0a55-4c5e-9d4f-000000000001")
    assert site.send(token, report).status_code == 401
    assert site.get("/machines/1/history").json["reports"]  # what was known stays


def test_back_in_service_it_is_listed_again_and_its_agent_enrols_anew(site):
    site.machine(1)
    machines.take_out_of_service(site.site, WHO, 1, "to the workshop")

    machines.put_back(site.site, WHO, 1, "mended")

    assert names(site) == ["desk-001"]
    assert [each["after"]["reason"] for each in told(site, "machine.put-back")] == ["mended"]


def test_a_machine_that_enrols_is_in_service(site):
    site.machine(1)
    machines.take_out_of_service(site.site, WHO, 1, "to the workshop")

    site.enrol(agent_id=OTHER_AGENT, hostname="desk-001", system_serial="QM0001")

    assert names(site) == ["desk-001"]


def test_one_cannot_leave_or_come_back_twice(site):
    site.machine(1)
    with pytest.raises(ConflictError, match="is in service"):
        machines.put_back(site.site, WHO, 1, "x")
    machines.take_out_of_service(site.site, WHO, 1, "x")
    with pytest.raises(ConflictError, match="out of service already"):
        machines.take_out_of_service(site.site, WHO, 1, "x")


def test_the_pages_take_a_machine_out_and_put_it_back(site):
    site.machine(1)
    browser = site.browser(Role.ADMINISTRATOR)

    page = browser.send(browser.open("/machines/1"), "Take it out of service", reason="given away")
    assert "out of service since" in page.text
    page = browser.send(page, "Put it back in service", reason="came back")

    assert "out of service" not in page.text.replace("Take it out of service", "")
