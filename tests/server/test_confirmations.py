"""A known person confirms what no agent can see, and verdicts rest on it as long as it holds."""

import pytest

from flashworthy_common.report import Volume
from flashworthy_server.services.who import Role
from support.machines import SEALED_VOLUME
from support.site import KNOWLEDGE, a_sent_report

SEALED = {"volumes": (SEALED_VOLUME,)}


@pytest.fixture
def token(site):
    """Of a machine whose disk the TPM seals, with a reason for an update."""
    site.post("/releases/import", KNOWLEDGE)
    return site.machine(1, protection=SEALED)


def answer_of(site, code):
    checks = site.get("/machines/1/verdict").json["checks"]
    return next(check["answer"] for check in checks if check["code"] == code)


def confirm(site, what, **more):
    return site.post("/machines/1/confirmations", {"what": what, **more})


def test_a_confirmed_recovery_key_passes_and_says_who_said_so(site, token):
    before = answer_of(site, "protection.recovery_key")

    made = confirm(site, "recovery-key")

    assert (before, answer_of(site, "protection.recovery_key")) == ("fix", "pass")
    assert made.status_code == 201
    assert made.json == {
        "id": 1,
        "what": "recovery-key",
        "of": "7f3a-11c0",
        "by": "Ida Fenwick",
        "at": "2026-05-04T10:00:00Z",
        "withdrawn_at": None,
    }
    assert site.get("/machines/1/confirmations").json == {"confirmations": [made.json]}


def test_lists_know_it_at_once(site, token):
    before = site.get("/machines/1").json["machine"]["sentence"]

    confirm(site, "recovery-key")

    after = site.get("/machines/1").json["machine"]["sentence"]
    assert "recovery key" in before
    assert "recovery key" not in after


def test_another_protector_ends_the_word_about_the_old_one(site, token):
    confirm(site, "recovery-key")
    volumes = [{"name": "system", "is_system": True, "encrypted": True, "protector": "tpm",
                "protector_id": "0000-new", "suspended_restarts": 0}]  # fmt: skip
    report = a_sent_report(sequence=2, agent_id="7b0c5a44-0a55-4c5e-9d4f-000000000001", number=1000)
    report["identity"] = {"hostname": "desk-001", "system_serial": "QM0001"}
    report["protection"] = report["protection"] | {"volumes": volumes}

    site.send(token, report)

    assert answer_of(site, "protection.recovery_key") == "fix"


def test_a_word_is_believed_as_long_as_policy_says(site, token):
    site.put("/policy", {"limits": {"settings_confirmation_age_seconds": 3600}})
    confirm(site, "recovery-key")

    site.clock.pass_by(hours=1)

    assert answer_of(site, "protection.recovery_key") == "fix"


def test_a_word_can_be_taken_back(site, token):
    confirm(site, "recovery-key")

    withdrawn = site.post("/machines/1/confirmations/1/withdraw", {})

    assert withdrawn.status_code == 204
    assert answer_of(site, "protection.recovery_key") == "fix"
    again = site.post("/machines/1/confirmations/1/withdraw", {})
    assert again.status_code == 404
    assert again.json["detail"] == "no confirmation #1 stands of machine #1"


def test_what_a_machine_does_not_have_cannot_be_confirmed(site):
    site.machine(1)

    refused = confirm(site, "recovery-key")

    assert refused.status_code == 409
    assert refused.json["detail"] == (
        "there is nothing on this machine that recovery-key could speak of"
    )


def test_of_several_things_one_is_named(site):
    second = Volume(
        name="home", is_system=True, encrypted=True, protector=SEALED_VOLUME.protector,
        protector_id="9c21-77e0", suspended_restarts=0,
    )  # fmt: skip
    site.machine(1, protection={"volumes": (SEALED_VOLUME, second)})

    unnamed = confirm(site, "recovery-key")
    named = confirm(site, "recovery-key", of="9c21-77e0")

    assert unnamed.status_code == 409
    assert unnamed.json["detail"] == "of: expected one of 7f3a-11c0, 9c21-77e0, got None"
    assert named.json["of"] == "9c21-77e0"


@pytest.mark.parametrize("role", [Role.VIEWER, Role.MACHINE])
def test_only_who_records_may_confirm(site, token, role):
    of_role = token if role is Role.MACHINE else site.token_of(role)

    refused = site.post("/machines/1/confirmations", {"what": "ups-ready"}, token=of_role)

    assert refused.status_code == 403


def test_every_word_stands_in_the_audit_trail(site, token):
    confirm(site, "recovery-key")
    site.post("/machines/1/confirmations/1/withdraw", {})

    entries = site.get("/audit").json["entries"]
    told = {each["action"]: each for each in entries}
    assert told["confirmation.add"]["subject"] == "machine #1"
    assert told["confirmation.add"]["after"] == {
        "confirmation": 1,
        "what": "recovery-key",
        "of": "7f3a-11c0",
    }
    assert told["confirmation.withdraw"]["before"]["what"] == "recovery-key"
