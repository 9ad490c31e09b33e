"""What asks for attention: since when, and what rests because a person looked."""

import pytest

from flashworthy_common.report import Battery
from support.site import a_sent_report

WORN = {"code": "battery-worn", "reason": "a new one is ordered", "until": "2026-05-08"}


def a_machine_with_a_worn_battery(site):
    worn = Battery(name="BAT0", percent=90.0, full_mwh=9_000.0, design_mwh=50_000.0)
    site.machine(1, power={"batteries": (worn,)})


def codes(site):
    return [each["code"] for each in site.get("/machines/1").json["attention"]]


def asking(site):
    return site.get("/overview").json["attention"]


def test_what_a_person_acknowledged_rests_until_its_last_day_is_over(site):
    a_machine_with_a_worn_battery(site)
    before = asking(site)

    let = site.post("/machines/1/attention/rest", WORN)
    resting = (asking(site), site.get("/machines?attention=battery-worn").json["machines"])
    site.clock.pass_by(days=5)

    assert before == {"battery-worn": 1}
    assert (let.status_code, resting) == (200, ({}, []))
    assert asking(site) == {"battery-worn": 1}


def test_what_rests_is_still_shown_on_its_machine_with_who_why_and_until_when(site):
    a_machine_with_a_worn_battery(site)

    site.post("/machines/1/attention/rest", WORN)

    (shown,) = site.get("/machines/1").json["attention"]
    assert shown["code"] == "battery-worn"
    assert shown["acknowledged"] == {
        "by": "Ida Fenwick",
        "at": "2026-05-04T10:00:00Z",
        "reason": "a new one is ordered",
        "until": "2026-05-08",
    }
    assert site.get("/machines/1").json["machine"]["attention"] == []


def test_it_asks_again_at_once_where_a_person_says_so(site):
    a_machine_with_a_worn_battery(site)
    site.post("/machines/1/attention/rest", WORN)

    again = site.post("/machines/1/attention/ask-again", {"code": "battery-worn"})

    assert (again.status_code, asking(site)) == (204, {"battery-worn": 1})


def test_silence_can_rest_too(site):
    site.machine(1)
    site.clock.pass_by(days=8)

    site.post("/machines/1/attention/rest", WORN | {"code": "silent", "until": "2026-05-20"})

    assert codes(site) == ["silent"]
    assert asking(site) == {}


@pytest.mark.parametrize(
    ("changes", "field"), [({"reason": " "}, "reason"), ({"until": "2026-05-03"}, "until")]
)
def test_a_rest_needs_a_reason_and_a_day_to_come(site, changes, field):
    a_machine_with_a_worn_battery(site)

    refused = site.post("/machines/1/attention/rest", WORN | changes)

    assert refused.status_code == 422
    assert [each["field"] for each in refused.json["errors"]] == [field]


def test_attention_knows_when_it_was_first_seen_and_since_when_without_a_break(site):
    token = site.enrol(hostname="reading-room-4")
    for sequence, secure_boot in ((1, False), (2, True), (3, False)):
        sent = a_sent_report(sequence=sequence, firmware={"secure_boot": secure_boot})
        site.send(token, sent)
        if secure_boot:
            assert codes(site) == []
        site.clock.pass_by(hours=1)

    (shown,) = site.get("/machines/1").json["attention"]
    assert (shown["first_seen_at"], shown["since"]) == (
        "2026-05-04T10:00:00Z",
        "2026-05-04T12:00:00Z",
    )
