"""Judging on the spot without a network, by the plan that the server handed out last."""

import json
from datetime import timedelta

import pytest

from flashworthy_common.plan import Plan, judge_by_plan
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.readiness import Answer, Outcome
from flashworthy_common.releases import LeastVersion
from flashworthy_common.values import from_json, to_json
from support.machines import NEED, NOW, a_report, a_target, answer_of


def a_plan(**facts):
    defaults = {
        "machine": "reading-room-4",
        "place": "Alder Lane",
        "marked": "",
        "need": NEED,
        "policy": DEFAULT_POLICY,
        "confirmations": (),
        "clock_difference_seconds": 0,
        "issued_at": NOW - timedelta(hours=3),
        "expires_at": NOW + timedelta(hours=21),
        "packages": ("1.29",),
    }
    return Plan(**(defaults | facts))


def test_a_fresh_plan_gives_the_same_answer_as_the_server():
    verdict = judge_by_plan(a_plan(), a_report(), NOW)

    assert verdict.outcome is Outcome.CLEAR
    (check,) = [check for check in verdict.checks if check.code == "evidence.plan"]
    assert check.says == "without the server, by its plan of 2026-05-04 07:00 UTC"


def test_an_expired_plan_is_never_clear():
    expired = a_plan(expires_at=NOW)

    verdict = judge_by_plan(expired, a_report(), NOW)

    assert answer_of("evidence.plan", verdict) is Answer.STOP
    assert verdict.outcome is Outcome.HOLD


def test_a_clock_that_went_back_does_not_make_a_plan_young():
    ahead = a_plan(issued_at=NOW + timedelta(hours=1))

    assert judge_by_plan(ahead, a_report(), NOW).outcome is Outcome.HOLD


def test_a_plan_for_another_running_version_is_never_clear():
    report = a_report(firmware={"version_text": "1.31"})

    assert judge_by_plan(a_plan(), report, NOW).outcome is Outcome.HOLD


@pytest.mark.parametrize("mark", ["patient monitor"])
def test_a_mark_holds_without_a_network_too(mark):
    assert judge_by_plan(a_plan(marked=mark), a_report(), NOW).outcome is Outcome.HOLD


def test_a_plan_says_which_drivers_and_packages_to_look_for():
    required = (LeastVersion(name="qm-bridge", version_text="2.10"),)

    plan = a_plan(need=a_target(installed=required))

    assert plan.look_for == ("qm-bridge",)


def test_a_plan_survives_json_whole():
    plan = a_plan()

    assert from_json(Plan, json.loads(json.dumps(to_json(plan)))) == plan
