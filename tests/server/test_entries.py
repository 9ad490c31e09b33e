"""Machines without an agent: a person says what stands there, a carried file does as well."""

import json

import pytest

from flashworthy_common.report import Report, Source, report_to_json
from flashworthy_common.values import from_json
from flashworthy_server.services.ingest import import_carried
from flashworthy_server.services.who import Role
from flashworthy_server.wire import read_report
from support.site import KNOWLEDGE, WHO

SAID = {
    "name": "cellar-pc",
    "maker": "Quillmark Inc.",
    "product": "Folio 14",
    "version_text": "1.29",
    "kind": "portable",
    "place": "Alder Lane/cellar",
    "mains": False,
    "battery_percent": 62,
}


def enter(site, **changes):
    return site.post("/machines", SAID | changes)


def test_what_a_person_says_is_judged_like_any_report(site):
    site.post("/releases/import", KNOWLEDGE)

    made = enter(site)

    assert made.status_code == 201
    row = site.get("/machines/1").json["machine"]
    assert (row["name"], row["place"], row["maker"]) == (
        "cellar-pc",
        "Alder Lane / cellar",
        "Quillmark",
    )
    assert (row["version_text"], row["standing"], row["outcome"]) == ("1.29", "behind", "prepare")
    checks = {each["code"]: each for each in site.get("/machines/1/verdict").json["checks"]}
    assert checks["power.mains"]["source"] == "the word of Ida Fenwick"
    assert checks["power.mains"]["answer"] == "fix"
    assert checks["protection.encryption"]["says"] == "Ida Fenwick did not say"


def test_what_a_person_says_later_takes_its_place(site):
    enter(site)
    site.clock.pass_by(hours=2)

    enter(site, version_text="1.34")

    assert site.get("/machines/1").json["machine"]["version_text"] == "1.34"
    assert [each["source"] for each in site.get("/machines/1/history").json["reports"]] == [
        "person",
        "person",
    ]
    assert len(site.get("/machines").json["machines"]) == 1


def test_a_carried_file_that_tells_the_same_gives_the_same_verdict(site):
    site.post("/releases/import", KNOWLEDGE)
    enter(site)
    told = site.get("/machines/1").json["report"]
    file = report_to_json(from_json(Report, told)) | {
        "source": Source.FILE.value,
        "report_id": "018f42d5-6800-7000-8000-00000000abcd",
    }
    file["identity"] = file["identity"] | {"hostname": "attic-pc"}
    import_carried(site.site, WHO, read_report(file), json.dumps(file).encode())

    entered, carried = (site.get(f"/machines/{each}/verdict").json for each in (1, 2))

    assert (entered["machine"], carried["machine"]) == ("cellar-pc", "attic-pc")
    assert (entered["outcome"], entered["need"]) == (carried["outcome"], carried["need"])
    of_an_agent_only = {"evidence.clock", "evidence.probes"}
    assert entered["checks"] == [e for e in carried["checks"] if e["code"] not in of_an_agent_only]


def test_a_machine_with_an_agent_is_not_spoken_for(site):
    site.machine(1)

    refused = enter(site, name="desk-001")

    assert refused.status_code == 409
    assert refused.json["detail"] == "machine #1 has an agent, which reports for it"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"maker": ""}, "maker"),
        ({"battery_percent": 101}, "battery_percent"),
        ({"kind": "x"}, "kind"),
    ],
)
def test_what_cannot_be_is_refused_by_name(site, changes, field):
    refused = enter(site, **changes)

    assert refused.status_code == 422
    assert [each["field"] for each in refused.json["errors"]] == [field]
    assert site.get("/machines").json["machines"] == []


def test_only_who_records_may_enter_machines(site):
    assert site.post("/machines", SAID, token=site.token_of(Role.VIEWER)).status_code == 403


def test_entering_stands_in_the_audit_trail(site):
    enter(site)

    (entry, *_) = site.get("/audit").json["entries"]
    assert (entry["action"], entry["subject"]) == ("machine.enter", "machine #1")
    assert entry["after"]["is_new"] is True
