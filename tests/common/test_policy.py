"""A site's limits: what each is, and how a site or a place sets them otherwise."""

import pytest

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.policy import DEFAULT_POLICY, UpsRule, limits, policy_of, read_limits
from flashworthy_common.reasons import Priority


def test_every_limit_says_where_its_default_comes_from_and_what_it_is_for():
    assert [
        each.name for each in limits() if not (each.metadata["source"] and each.metadata["why"])
    ] == []


def test_a_site_that_sets_nothing_has_the_defaults():
    assert policy_of([]) == DEFAULT_POLICY


def test_what_is_nearest_to_a_machine_holds():
    site = read_limits({"charge_percent": 60, "ups_rule": "told"})
    branch = read_limits({"charge_percent": 80})

    policy = policy_of([site, branch])

    assert policy.charge_percent == 80
    assert policy.ups_rule is UpsRule.TOLD
    assert policy.health_percent == DEFAULT_POLICY.health_percent


def test_a_limit_reads_as_json_knows_it():
    assert policy_of([read_limits({"least_priority": "immediate"})]).least_priority is (
        Priority.IMMEDIATE
    )


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({"charge": 60}, r"charge: expected a limit of least_priority, .*, got 60"),
        ({"charge_percent": 101}, "charge_percent: expected a number from 0 to 100 percent"),
        ({"charge_percent": "60"}, "charge_percent: expected a number from 0 to 100 percent"),
        ({"ups_rule": "never"}, "ups_rule: expected one of told, bring, got 'never'"),
        ({"pending_updates_block": 1}, "pending_updates_block: expected true or false, got 1"),
    ],
)
def test_a_limit_that_cannot_be_is_refused_by_name(data, message):
    with pytest.raises(MalformedValueError, match=message):
        read_limits(data)
