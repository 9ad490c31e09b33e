"""When an agent reports, and that a site full of them does not fall upon the server."""

import statistics
import uuid
from datetime import UTC, datetime, timedelta, timezone

import pytest

from flashworthy_agent import pace
from flashworthy_agent.delivery import Delivery
from support.outage import after_outage

HOUR = 3600.0
NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)
AGENT = "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801"
AWAY = Delivery(stopped="away", may_settle_soon=True)


def ids(count):
    return [str(uuid.UUID(int=number, version=4)) for number in range(count)]


# ---- moments ----------------------------------------------------------------------------------


def test_the_moments_of_many_agents_are_spread_evenly():
    offsets = [pace.offset_seconds(agent_id, HOUR) for agent_id in ids(6000)]

    per_minute = [sum(offset // 60 == minute for offset in offsets) for minute in range(60)]
    # 100 each; 10 is the standard deviation of a Poisson count of 100
    assert min(per_minute) > 60
    assert max(per_minute) < 140
    assert statistics.mean(offsets) == pytest.approx(HOUR / 2, rel=0.02)


def test_an_agent_keeps_its_moment():
    first = pace.next_regular(AGENT, NOW, HOUR)

    second = pace.next_regular(AGENT, first, HOUR)

    assert second - first == timedelta(hours=1)
    assert pace.next_regular(AGENT, second + timedelta(minutes=4), HOUR) - second == timedelta(
        hours=1
    )


@pytest.mark.parametrize("agent_id", ids(50))
@pytest.mark.parametrize("every", [900.0, HOUR, 86400.0])
def test_the_next_moment_is_neither_too_soon_nor_too_late(agent_id, every):
    ahead = (pace.next_regular(agent_id, NOW, every) - NOW).total_seconds()

    assert 0.5 * every <= ahead <= 1.5 * every + 1e-3


def test_where_the_machine_stands_changes_nothing():
    elsewhere = NOW.astimezone(timezone(timedelta(hours=12, minutes=45)))

    assert pace.next_regular(AGENT, elsewhere, HOUR) == pace.next_regular(AGENT, NOW, HOUR)


def test_pauses_are_spread_evenly_and_independently_of_the_moments():
    pauses = [pace.pause_seconds(agent_id) for agent_id in ids(2000)]
    offsets = [pace.offset_seconds(agent_id, HOUR) for agent_id in ids(2000)]

    assert 15 <= min(pauses) < 17
    assert 118 < max(pauses) < 120
    assert abs(statistics.correlation(pauses, offsets)) < 0.05


# ---- after a run ------------------------------------------------------------------------------


def after(delivery, every=HOUR):
    return pace.next_after(delivery, AGENT, NOW, NOW + timedelta(minutes=1), every)


def test_after_a_success_the_next_moment_counts():
    assert after(Delivery(1)) == pace.next_regular(AGENT, NOW, HOUR)


def test_after_a_failure_the_next_moment_counts_too():
    assert after(AWAY) == pace.next_regular(AGENT, NOW, HOUR)


def test_an_agent_that_reports_once_a_day_tries_again_after_an_hour():
    assert after(AWAY, every=86400.0) == NOW + timedelta(hours=1)


@pytest.mark.parametrize(("asked", "honoured"), [(7200.0, 7200.0), (1e9, 24 * HOUR)])
def test_a_server_that_asks_to_be_left_alone_is_up_to_a_day(asked, honoured):
    busy = Delivery(stopped="busy", may_settle_soon=True, retry_after_seconds=asked)

    assert after(busy) == NOW + timedelta(seconds=60 + honoured)


@pytest.mark.parametrize(
    ("chosen", "ahead", "seconds"),
    [
        (-60, 600, 600),
        (0, 24 * HOUR, 24 * HOUR),
        (-60, 0, 0),
        (-24 * HOUR, -23 * HOUR, 0),  # the machine slept, or its clock was a day behind
        (24 * HOUR, 25 * HOUR, 0),  # the clock was a day ahead when this was chosen
        (1, 1800, 0),
    ],
)
def test_a_moment_that_a_wrong_clock_chose_is_not_waited_for(chosen, ahead, seconds):
    chosen_at, next_at = NOW + timedelta(seconds=chosen), NOW + timedelta(seconds=ahead)

    assert pace.wait_seconds(next_at, chosen_at, NOW) == seconds


def test_without_any_run_before_there_is_nothing_to_wait_for():
    assert pace.wait_seconds(None, None, NOW) == 0


# ---- the sending of one run -------------------------------------------------------------------


class Story:
    """Answers in turn, and what was sent and waited."""

    def __init__(self, *answers):
        self._answers = list(answers)
        self.told = []

    def deliver(self, reports):
        self.told.append(list(reports))
        return self._answers.pop(0)

    def run(self, older=()):
        return pace.deliver_paced([9], list(older), self.deliver, 30.0, self.told.append)


def test_the_newest_goes_first_and_older_ones_after_a_pause():
    story = Story(Delivery(1), Delivery(2))

    delivery = story.run(older=[7, 8])

    assert story.told == [[9], 30.0, [7, 8]]
    assert (delivery.acknowledged, delivery.stopped) == (3, None)


def test_what_fails_is_tried_once_more_and_older_ones_stay():
    story = Story(AWAY, AWAY)

    delivery = story.run(older=[8])

    assert story.told == [[9], 30.0, [9]]
    assert delivery.stopped == "away"


def test_a_quick_try_that_succeeds_lets_older_ones_follow():
    story = Story(AWAY, Delivery(1), Delivery(1))

    delivery = story.run(older=[8])

    assert story.told == [[9], 30.0, [9], 30.0, [8]]
    assert (delivery.acknowledged, delivery.stopped) == (2, None)


def test_a_short_wish_is_waited_for():
    busy = Delivery(stopped="busy", may_settle_soon=True, retry_after_seconds=90)
    story = Story(busy, Delivery(1))

    story.run()

    assert story.told == [[9], 90, [9]]


def test_a_long_wish_leaves_no_quick_try():
    busy = Delivery(stopped="busy", may_settle_soon=True, retry_after_seconds=121)
    story = Story(busy)

    assert story.run() == busy
    assert story.told == [[9]]


def test_a_refused_token_is_not_tried_again():
    story = Story(Delivery(stopped="revoked"))

    story.run(older=[8])

    assert story.told == [[9]]


# ---- the herd ---------------------------------------------------------------------------------


def test_after_an_outage_of_an_hour_the_server_is_not_overrun():
    outcome = after_outage(20_000)

    # bar: 3 times; 333 reports in an ordinary minute, so that chance alone adds some
    assert outcome.peak < 2.5
    assert outcome.drained_after_minutes <= 60


@pytest.mark.long
def test_a_hundred_thousand_agents_stay_below_the_goal():
    outcome = after_outage(100_000)

    assert outcome.peak < 2.2
    assert outcome.drained_after_minutes <= 60
