"""A report arrives: kept once, judged, and never more than it is."""

import gzip
import json
import threading
from datetime import timedelta
from email.utils import format_datetime

import pytest

from flashworthy_server.store import history
from support.machines import NOW
from support.site import AGENT, OTHER_AGENT, OTHER_UUID, UUID, a_sent_report, report_id


def row_of(site, number=1):
    return site.get(f"/machines/{number}").json["machine"]


RECEIPT = {"report_id": report_id(1), "machine_id": 1, "rotate_token": False}


def codes_of(site, number=1):
    return [each["code"] for each in site.get(f"/machines/{number}").json["attention"]]


def test_a_report_is_acknowledged_with_its_machine(site):
    token = site.enrol(hostname="reading-room-4")

    response = site.send(token, a_sent_report())

    assert response.status_code == 201
    digest = site.get("/machines/1/plan").json["digest"]
    assert response.json == RECEIPT | {"stored": True, "plan_digest": digest}


def test_sending_a_report_again_changes_nothing(site):
    token = site.enrol(hostname="reading-room-4")
    site.send(token, a_sent_report())
    before = site.get("/machines/1").json

    again = site.send(token, a_sent_report())

    assert again.status_code == 200
    assert again.json == RECEIPT | {"stored": False, "plan_digest": None}
    assert site.get("/machines/1").json == before
    assert len(site.get("/machines/1/history").json["reports"]) == 1


def test_what_a_machine_is_now_is_read_from_its_newest_report(site):
    token = site.enrol(place="Alder Lane/ground floor", hostname="reading-room-4")

    site.send(token, a_sent_report())

    assert row_of(site) == {
        "id": 1,
        "name": "reading-room-4",
        "place": "Alder Lane / ground floor",
        "marked": None,
        "maker": "Quillmark",
        "model": "Folio 14",
        "board": None,
        "version_text": "1.29",
        "firmware_on": "2023-05-04",
        "outcome": "undecided",
        "sentence": row_of(site)["sentence"],
        "holds_until": None,  # nothing but news changes it
        "standing": "unlisted",
        "priority": None,
        "attention": [],
        "taken_at": "2026-05-04T09:58:00Z",
        "received_at": "2026-05-04T10:00:00Z",
    }
    assert row_of(site)["sentence"].startswith("Somebody must look first: nobody has compared")


def test_the_newest_report_is_the_one_with_the_highest_sequence_whatever_its_clock_says(site):
    token = site.enrol(hostname="reading-room-4")
    newest = a_sent_report(sequence=8, firmware={"version_text": "1.34"})
    late = a_sent_report(sequence=7, firmware={"version_text": "1.29"})
    late["taken_at"] = "2027-01-01T00:00:00Z"

    site.send(token, newest)
    response = site.send(token, late)

    assert response.json["stored"] is True
    assert row_of(site)["version_text"] == "1.34"
    kept = site.get("/machines/1/history").json["reports"]
    assert [(each["sequence"], each["kept_as"]) for each in kept] == [(7, "late"), (8, "current")]


def test_a_reinstalled_machine_counts_its_reports_anew(site):
    first = site.enrol(hostname="reading-room-4", smbios_uuid=UUID)
    site.send(first, a_sent_report(sequence=900, identity={"smbios_uuid": UUID}))

    second = site.enrol(agent_id=OTHER_AGENT, hostname="reading-room-4", smbios_uuid=UUID)
    report = a_sent_report(
        sequence=1,
        agent_id=OTHER_AGENT,
        identity={"smbios_uuid": UUID},
        firmware={"version_text": "1.34"},
    )
    response = site.send(second, report)

    assert response.json["machine_id"] == 1
    assert row_of(site)["version_text"] == "1.34"
    assert site.send(first, a_sent_report(sequence=901)).status_code == 401


def test_a_report_from_other_hardware_does_not_replace_what_the_machine_is(site):
    token = site.enrol(hostname="reading-room-4", smbios_uuid=UUID)
    site.send(token, a_sent_report(sequence=1, identity={"smbios_uuid": UUID}))

    moved = a_sent_report(
        sequence=2, identity={"smbios_uuid": OTHER_UUID}, firmware={"version_text": "9.9"}
    )
    response = site.send(token, moved)

    assert response.status_code == 201
    assert row_of(site)["version_text"] == "1.29"
    assert codes_of(site) == ["identity-in-doubt"]
    assert site.get("/machines/1/history").json["reports"][0]["kept_as"] == "in-doubt"


def test_a_doubted_identity_stays_doubted_until_the_machine_enrols_again(site):
    token = site.enrol(hostname="reading-room-4", smbios_uuid=UUID)
    site.send(token, a_sent_report(sequence=1, identity={"smbios_uuid": OTHER_UUID}))

    site.send(token, a_sent_report(sequence=2, identity={"smbios_uuid": UUID}))
    assert codes_of(site) == ["identity-in-doubt"]

    site.enrol(agent_id=OTHER_AGENT, hostname="reading-room-4", smbios_uuid=UUID)
    assert codes_of(site) == []


def test_a_replaced_board_keeps_the_machine_and_cuts_its_firmware_history(site):
    token = site.enrol(hostname="reading-room-4", smbios_uuid=UUID, system_serial="QM0001")
    old_board = {"smbios_uuid": UUID, "system_serial": "QM0001"}
    new_board = {"smbios_uuid": OTHER_UUID, "system_serial": "QM0001"}
    site.send(token, a_sent_report(sequence=1, identity=old_board))

    site.send(
        token,
        a_sent_report(sequence=2, identity=new_board, firmware={"version_text": "1.20"}),
    )

    assert row_of(site)["version_text"] == "1.20"
    assert codes_of(site) == ["board-replaced"]
    assert site.get("/machines/1/history").json["firmware_changes"] == []


@pytest.mark.parametrize(
    ("version_text", "code", "says"),
    [
        ("1.34", "changed", "changed from 1.29 to 1.34"),
        ("1.20", "went-back", "went back from 1.29 to 1.20"),
    ],
)
def test_a_version_change_is_recorded_with_both_versions_and_the_gap(
    site, version_text, code, says
):
    token = site.enrol(hostname="reading-room-4")
    site.send(token, a_sent_report(sequence=1))
    site.clock.pass_by(hours=30)
    later = {"version_text": version_text, "seen_at": site.clock.now - timedelta(minutes=2)}

    site.send(token, a_sent_report(sequence=2, firmware=later))

    (attention,) = site.get("/machines/1").json["attention"]
    assert attention["code"] == code
    assert attention["says"].startswith(f"{says}, between two reports 30 hours apart")
    assert site.get("/machines/1/history").json["firmware_changes"] == [
        {
            "from_text": "1.29",
            "to_text": version_text,
            "from_seen_at": "2026-05-04T09:58:00Z",
            "to_seen_at": "2026-05-05T15:58:00Z",
            "order": "newer" if code == "changed" else "older",
            "is_planned": False,
        }
    ]


def test_a_version_that_could_not_be_read_in_between_hides_no_change(site):
    token = site.enrol(hostname="reading-room-4")
    site.send(token, a_sent_report(sequence=1))
    unreadable = a_sent_report(sequence=2)
    unreadable["firmware"]["version_text"] = {"unknown": "permission denied"}

    site.send(token, unreadable)
    assert codes_of(site) == ["unreadable"]
    site.send(token, a_sent_report(sequence=3, firmware={"version_text": "1.34"}))

    assert codes_of(site) == ["changed"]


def test_a_version_change_asks_for_attention_for_a_limited_time(site):
    token = site.enrol(hostname="reading-room-4")
    site.send(token, a_sent_report(sequence=1))
    site.send(token, a_sent_report(sequence=2, firmware={"version_text": "1.34"}))

    site.clock.pass_by(days=31)
    site.send(token, a_sent_report(sequence=3, firmware={"version_text": "1.34"}))

    assert codes_of(site) == []


@pytest.mark.parametrize(("off_seconds", "codes"), [(-301, ["clock-off"]), (-300, []), (300, [])])
def test_a_clock_that_is_off_asks_for_attention(site, off_seconds, codes):
    token = site.enrol(hostname="reading-room-4")

    site.send(token, a_sent_report(), sent_at=NOW + timedelta(seconds=off_seconds))

    assert codes_of(site) == codes


@pytest.mark.parametrize("header", ["", "yesterday", "Wed, 31 Feb 2026 10:00:00 GMT"])
def test_a_date_header_that_says_nothing_leaves_the_clock_unknown(site, header):
    token = site.enrol(hostname="reading-room-4")
    headers = {"Authorization": f"Bearer {token}", "Date": header}

    site.client.post("/api/v1/reports", json=a_sent_report(), headers=headers)

    (clock,) = [
        check
        for check in site.get("/machines/1/verdict").json["checks"]
        if check["code"] == "evidence.clock"
    ]
    assert clock["answer"] == "unknown"


def test_a_malformed_section_is_unknown_and_the_rest_of_the_report_counts(site):
    token = site.enrol(hostname="reading-room-4")
    report = a_sent_report()
    report["power"] = ["not", "a", "section"]
    report["people"]["sessions"] = "nobody"

    response = site.send(token, report)

    assert response.status_code == 201
    (attention,) = site.get("/machines/1").json["attention"]
    assert attention["code"] == "malformed"
    assert attention["says"] == (
        "people.sessions: expected a list of at most 1000 items, got 'nobody';"
        " power: expected an object, got ['not', 'a', 'section']"
    )
    assert row_of(site)["version_text"] == "1.29"


def test_unknown_keys_are_kept_in_the_body_and_ignored(site):
    token = site.enrol(hostname="reading-room-4")
    report = a_sent_report()
    report["from_a_newer_agent"] = {"colour": "teal"}
    report["power"]["from_a_newer_agent"] = 1
    body = json.dumps(report).encode()
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}

    response = site.client.post("/api/v1/reports", data=body, headers=headers)

    assert response.status_code == 201
    with site.site.database.reading() as connection:
        assert history.load_body(connection, 1, 1) == body


def test_a_report_may_come_uncompressed(site):
    token = site.enrol(hostname="reading-room-4")

    assert site.post("/reports", a_sent_report(), token=token).status_code == 201


def test_the_far_end_of_time_gives_a_verdict_and_no_failure(site):
    token = site.enrol(hostname="reading-room-4")
    report = a_sent_report()
    for part in (report, report["power"], report["people"]):
        part["taken_at" if part is report else "seen_at"] = "9999-12-31T23:59:59Z"

    assert site.send(token, report).status_code == 201
    assert site.get("/machines/1/verdict").status_code == 200


@pytest.mark.parametrize(
    "text", ["a\x00b", "a\ud800b", "Łódź 漢字 🙂", "x'; DROP TABLE machines; --"]
)
def test_any_text_that_json_can_carry_is_kept_harmlessly(site, text):
    token = site.enrol(hostname="reading-room-4")
    report = a_sent_report(identity={"hostname": text}, firmware={"version_text": text})

    assert site.send(token, report).status_code == 201

    cleaned = text.replace("\x00", "\ufffd").replace("\ud800", "\ufffd")
    assert row_of(site)["name"] == cleaned
    assert row_of(site)["version_text"] == cleaned
    assert len(site.get("/machines").json["machines"]) == 1


def test_reports_of_two_machines_may_arrive_at_once(site):
    tokens = {number: site.machine(number) for number in (1, 2)}
    statuses = []

    def send(number):
        agent_id = f"7b0c5a44-0a55-4c5e-9d4f-{number:012x}"
        for sequence in range(2, 12):
            report = a_sent_report(sequence=sequence, agent_id=agent_id, number=number * 1000)
            statuses.append(site.send(tokens[number], report).status_code)

    threads = [threading.Thread(target=send, args=(number,)) for number in tokens]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)

    assert statuses == [201] * 20
    for number in tokens:
        history = site.get(f"/machines/{number}/history?limit=50").json["reports"]
        assert sorted(each["sequence"] for each in history) == list(range(1, 12))


def test_one_report_sent_twice_at_once_is_kept_once(site):
    token = site.enrol(hostname="reading-room-4")
    answers = []

    def send():
        answers.append(site.send(token, a_sent_report()).json["stored"])

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)

    assert sorted(answers) == [False, False, False, True]


def test_a_report_id_of_another_machine_is_refused(site):
    first, second = site.enrol(hostname="a"), site.enrol(agent_id=OTHER_AGENT, hostname="b")
    site.send(first, a_sent_report())

    response = site.send(second, a_sent_report(agent_id=OTHER_AGENT))

    assert response.status_code == 409
    assert response.json["detail"] == "report_id: another machine has a report with this id"


def test_a_small_body_that_unpacks_to_a_large_one_is_refused(site):
    token = site.enrol(hostname="reading-room-4")
    bomb = gzip.compress(b" " * (64 * 1024 * 1024))
    headers = {"Authorization": f"Bearer {token}", "Content-Encoding": "gzip"}

    response = site.client.post(
        "/api/v1/reports", data=bomb, headers=headers, content_type="application/json"
    )

    assert len(bomb) < 256 * 1024
    assert response.status_code == 413
    assert AGENT not in response.text


def test_machines_whose_agent_is_older_than_the_server_are_found_and_counted(site, monkeypatch):
    monkeypatch.setattr("flashworthy_server.services.ingest.__version__", "0.10.0")
    site.machine(1, agent={"version": "0.9.1"})
    site.machine(2, agent={"version": "0.10.0"})

    (found,) = site.get("/machines?attention=agent-old").json["machines"]

    assert (found["name"], found["attention"]) == ("desk-001", ["agent-old"])
    assert site.get("/overview").json["attention"] == {"agent-old": 1}
    (told,) = site.get("/machines/1").json["attention"]
    assert told["says"] == "its agent 0.9.1 is older than the server's 0.10.0"


@pytest.mark.parametrize(
    ("taken_at", "hours"), [("9999-12-31T23:59:59Z", -1), ("0001-01-01T00:00:00Z", 1)]
)
def test_a_clock_at_an_end_of_the_calendar_loses_no_report(site, taken_at, hours):
    token = site.machine(1)
    agent_id = f"7b0c5a44-0a55-4c5e-9d4f-{1:012x}"
    sent = a_sent_report(sequence=2, agent_id=agent_id, number=9_001) | {"taken_at": taken_at}
    date = format_datetime(site.clock() + timedelta(hours=hours), usegmt=True)

    answer = site.client.post(
        "/api/v1/reports", json=sent, headers={"Authorization": f"Bearer {token}", "Date": date}
    )

    assert answer.status_code == 201
    assert site.get("/machines/1").json["machine"]["taken_at"] == taken_at
