"""The plan of a machine: its own, whole, and named by a digest that every receipt carries."""

import json

from flashworthy_common.plan import Plan, judge_by_plan
from flashworthy_common.readiness import Moment
from flashworthy_common.report import Report
from flashworthy_common.values import from_json
from flashworthy_server.services import machines
from support.machines import SEALED_VOLUME
from support.site import AGENT, KNOWLEDGE, OTHER_AGENT, RELEASE, a_sent_report

NAMING = RELEASE | {"requires": {"installed": [{"name": "qm-bridge", "version_text": "2.10"}]}}


def plan_of(site, token=None):
    return site.get("/machines/1/plan", token=token)


def digest_of(site):
    return plan_of(site).json["digest"]


def test_a_machine_reads_its_own_plan_and_no_other(site):
    token = site.enrol(hostname="reading-room-4", agent_id=AGENT)
    other = site.enrol(hostname="cellar", agent_id=OTHER_AGENT)
    site.send(token, a_sent_report())

    assert plan_of(site, token).status_code == 200
    assert plan_of(site, other).status_code == 403


def test_without_a_report_there_is_no_plan(site):
    token = site.enrol(hostname="reading-room-4")

    refused = plan_of(site, token)

    assert refused.status_code == 404
    assert refused.json["detail"] == "machine #1 has not reported yet: there is no plan"


def test_judged_by_the_plan_the_verdict_is_the_servers(site):
    site.post("/releases/import", KNOWLEDGE)
    site.machine(1, protection={"volumes": (SEALED_VOLUME,)})
    site.post("/machines/1/confirmations", {"what": "recovery-key"})
    report = from_json(Report, site.get("/machines/1").json["report"])

    plan = from_json(Plan, json.loads(json.dumps(plan_of(site).json["plan"])))
    by_plan = judge_by_plan(plan, report, site.clock.now)

    by_server = machines.verdict_of(site.site, 1, Moment.SPOT)
    without_plan = [each for each in by_plan.checks if each.code != "evidence.plan"]
    assert without_plan == list(by_server.checks)
    assert by_plan.outcome is by_server.outcome


def test_a_plan_names_the_drivers_and_packages_that_its_release_asks_for(site):
    site.post("/releases/import", KNOWLEDGE | {"releases": [NAMING]})
    site.machine(1)

    assert plan_of(site).json["look_for"] == ["qm-bridge"]


def test_a_plan_expires_when_policy_says(site):
    site.machine(1)
    site.put("/policy", {"limits": {"plan_age_seconds": 7200}})

    plan = plan_of(site).json["plan"]

    assert (plan["issued_at"], plan["expires_at"]) == (
        "2026-05-04T10:00:00Z",
        "2026-05-04T12:00:00Z",
    )


def test_the_digest_is_the_same_as_long_as_the_plan_is(site):
    token = site.machine(1)
    before = digest_of(site)
    identity = {"hostname": "desk-001", "system_serial": "QM0001"}
    agent = "7b0c5a44-0a55-4c5e-9d4f-000000000001"
    site.clock.pass_by(hours=3)
    again = a_sent_report(sequence=2, agent_id=agent, number=1000, identity=identity)

    receipt = site.send(token, again)

    assert receipt.json["plan_digest"] == before == digest_of(site)


def test_the_digest_changes_with_everything_that_a_verdict_rests_on(site):
    site.machine(1, protection={"volumes": (SEALED_VOLUME,)})
    digests = [digest_of(site)]

    for change in (
        lambda: site.post("/releases/import", KNOWLEDGE),
        lambda: site.post("/machines/1/confirmations", {"what": "recovery-key"}),
        lambda: site.put("/policy", {"limits": {"charge_percent": 60}}),
        lambda: site.patch("/machines/1", {"marked": "drug cabinet"}),
    ):
        assert change().status_code < 300
        digests.append(digest_of(site))

    assert len(set(digests)) == len(digests)
