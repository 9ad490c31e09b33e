"""An agent joins: codes are limited, machines are recognised, tokens are kept as digests."""

import re

import pytest

from support.site import AGENT, OTHER_AGENT, OTHER_UUID, UUID, a_sent_report, an_application

UPPER_UUID = UUID.upper()


def enrol(site, code, **identity):
    agent_id = identity.pop("agent_id", AGENT)
    application = an_application(code, agent_id=agent_id, **identity)
    return site.client.post("/api/v1/enrolments", json=application)


def machines(site):
    return site.get("/machines").json["machines"]


def test_a_code_lets_an_agent_join_and_hands_out_its_token(site):
    response = enrol(site, site.code(), hostname="reading-room-4")

    assert response.status_code == 201
    assert list(response.json) == ["machine_id", "agent_id", "token"]
    assert (response.json["machine_id"], response.json["agent_id"]) == (1, AGENT)
    assert re.fullmatch(r"fwmachine_[A-Za-z0-9_-]{43}", response.json["token"])


def test_a_code_may_be_typed_in_any_case_and_with_other_separators(site):
    code = site.code()
    assert re.fullmatch(r"fwjoin(-[0-9A-HJKMNP-TV-Z]{6}){4}", code)

    assert enrol(site, code.lower().replace("-", " ")).status_code == 201


def test_a_code_is_used_up(site):
    code = site.code(uses=2)
    statuses = [
        enrol(site, code, agent_id=f"7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b80{n}").status_code
        for n in range(3)
    ]

    assert statuses == [201, 201, 403]


def test_a_code_expires(site):
    code = site.code(days=2)
    site.clock.pass_by(days=2)

    response = enrol(site, code)

    assert response.status_code == 403
    assert response.json["detail"] == "the enrolment code is unknown, used up or expired"


def test_a_refused_application_uses_nothing_up(site):
    code = site.code(uses=1)
    site.enrol(agent_id=AGENT, smbios_uuid=UUID)

    assert enrol(site, code, smbios_uuid=OTHER_UUID).status_code == 409

    assert enrol(site, code, agent_id=OTHER_AGENT, smbios_uuid=OTHER_UUID).status_code == 201


@pytest.mark.parametrize(
    ("of_code", "stated", "reported", "place"),
    [
        ("Alder Lane", "Mill Street", "Harbour", "Alder Lane"),
        (None, "Mill Street/hall", "Harbour", "Mill Street / hall"),
        (None, None, "Harbour", "Harbour"),
        (None, None, None, None),
        (None, " / ", None, None),
    ],
)
def test_the_place_of_the_code_comes_before_what_the_agent_says(
    site, of_code, stated, reported, place
):
    application = an_application(site.code(place=of_code)) | {"place": stated}
    application["identity"] = {"place": reported} if reported else {}

    site.client.post("/api/v1/enrolments", json=application)

    assert machines(site)[0]["place"] == place


def test_a_reinstalled_machine_is_the_same_machine(site):
    first = site.enrol(agent_id=AGENT, hostname="old", smbios_uuid=UUID)

    response = enrol(
        site, site.code(), agent_id=OTHER_AGENT, hostname="new", smbios_uuid=UPPER_UUID
    )

    assert response.json["machine_id"] == 1
    assert len(machines(site)) == 1
    assert site.send(first, a_sent_report()).status_code == 401  # the old token is worth nothing


@pytest.mark.parametrize(
    "evidence",
    [
        {"smbios_uuid": "00000000-0000-0000-0000-000000000000"},  # absent, DSP0134 §7.2.1
        {"smbios_uuid": "ffffffff-ffff-ffff-ffff-ffffffffffff"},  # not set, DSP0134 §7.2.1
        {"smbios_uuid": "03000200-0400-0500-0006-000700080009"},  # known to repeat, from memory
        {"system_serial": "To be filled by O.E.M."},
        {"board_serial": "Default string"},
        {},
    ],
)
def test_what_many_machines_say_is_no_evidence(site, evidence):
    site.enrol(agent_id=AGENT, **evidence)
    site.enrol(agent_id=OTHER_AGENT, **evidence)

    assert [row["attention"] for row in machines(site)] == [[], []]


def test_the_same_agent_without_evidence_is_the_same_machine(site):
    site.enrol(agent_id=AGENT)

    assert enrol(site, site.code(), agent_id=AGENT).json["machine_id"] == 1


def test_an_agent_id_that_another_machine_has_is_refused(site):
    site.enrol(agent_id=AGENT, smbios_uuid=UUID)

    response = enrol(site, site.code(), agent_id=AGENT, smbios_uuid=OTHER_UUID)

    assert response.status_code == 409
    assert response.json["detail"] == "this agent id belongs to another machine: make a new one"
    assert len(machines(site)) == 1


def test_machines_that_share_some_evidence_are_two_and_both_in_doubt(site):
    site.enrol(agent_id=AGENT, smbios_uuid=UUID, system_serial="QM0001")

    site.enrol(agent_id=OTHER_AGENT, smbios_uuid=UUID, system_serial="QM0002")

    assert [row["attention"] for row in machines(site)] == [["identity-in-doubt"]] * 2
    (attention,) = site.get("/machines/2").json["attention"]
    assert attention["says"] == "shares a serial, UUID or asset tag with #1"


def test_evidence_that_turns_up_later_and_is_anothers_puts_both_in_doubt(site):
    site.enrol(agent_id=AGENT, hostname="a", smbios_uuid=UUID)
    second = site.enrol(agent_id=OTHER_AGENT, hostname="b")  # could not read its UUID then

    site.send(second, a_sent_report(agent_id=OTHER_AGENT, identity={"smbios_uuid": UUID}))

    assert [row["attention"] for row in machines(site)] == [["identity-in-doubt"]] * 2


def test_a_replaced_board_is_the_same_machine_to_be_confirmed(site):
    site.enrol(agent_id=AGENT, smbios_uuid=UUID, asset_tag="LIB-0417")

    response = enrol(
        site, site.code(), agent_id=OTHER_AGENT, smbios_uuid=OTHER_UUID, asset_tag="LIB-0417"
    )

    assert response.json["machine_id"] == 1
    assert machines(site)[0]["attention"] == ["board-replaced"]


@pytest.mark.parametrize(
    ("identity", "name"),
    [
        ({"hostname": " reading-room-4 ", "asset_tag": "LIB-0417"}, "reading-room-4"),
        ({"asset_tag": "LIB-0417", "system_serial": "QM0001"}, "LIB-0417"),
        ({"system_serial": "QM0001"}, "QM0001"),
        ({}, "nameless"),
    ],
)
def test_a_machine_is_called_by_the_best_name_it_gives(site, identity, name):
    site.enrol(**identity)

    assert machines(site)[0]["name"] == name


def test_neither_codes_nor_tokens_stand_in_the_database(site):
    code = site.code()
    token = enrol(site, code).json["token"]

    everything = str(site.rows())

    for secret in (code, code.lower(), token, site.token):
        assert secret not in everything
        assert secret.partition("_")[2] not in everything or "_" not in secret
