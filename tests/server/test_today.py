"""The first page: what is pressing, what changed since yesterday, and how the weeks went."""

from datetime import timedelta

import pytest

from flashworthy_server.services import today
from flashworthy_server.services.who import Role
from flashworthy_server.services.work import Worker
from support.site import KNOWLEDGE, a_sent_report

DAY = timedelta(days=1)


@pytest.fixture
def viewer(site):
    return site.browser(Role.VIEWER)


def test_what_has_priority_says_why(site, viewer):
    site.machine(1)
    site.machine(2)
    site.post("/releases/import", KNOWLEDGE)

    page = viewer.open("/")

    (pressing,) = today.today(site.site).pressing
    assert pressing.machines == 2
    for reason in pressing.reasons:
        assert reason.says in page.text
    assert "2 Quillmark Folio 14 1.29 1.34 out-of-cycle" in page.text


def test_numbers_are_held_against_the_end_of_yesterday(site):
    site.machine(1)
    today.note_counts(site.site)
    site.clock.now += DAY
    site.machine(2)

    page = site.browser(Role.VIEWER).open("/")

    assert "undecided: 2, 1 more than yesterday" in page.text
    assert "machines: 2, 1 more than yesterday" in page.text


def test_what_stayed_the_same_is_no_change(site):
    site.machine(1)
    today.note_counts(site.site)
    site.clock.now += timedelta(hours=20)

    assert today.today(site.site).changes == []


def test_without_a_yesterday_nothing_is_compared(site, viewer):
    site.machine(1)

    assert "This page compares from tomorrow on." in viewer.open("/").text


def test_the_last_look_of_a_day_is_what_is_kept_of_it(site):
    for number in (1, 2):
        site.machine(number)
        assert Worker(site.site).round()
        site.clock.now += timedelta(hours=1)

    found = today.today(site.site)

    assert [dict(day)["undecided"] for day in found.days.values()] == [2]


def test_days_older_than_some_weeks_are_left_out(site):
    site.machine(1)
    today.note_counts(site.site)
    site.clock.now += timedelta(weeks=today.WEEKS_SHOWN, days=1)

    assert list(today.today(site.site).days) == [site.clock.now.date()]


def test_what_came_of_flashes_is_told_for_a_day(site):
    site.machine(1)
    site.know()
    browser = site.browser(Role.TECHNICIAN)
    browser.send(browser.open("/machines/1"), "It starts now")
    browser.send(browser.open("/machines/1"), "Say so", reason="the mains failed")

    assert "desk-001 : could not be done, the mains failed" in browser.open("/").text
    site.clock.now += 2 * DAY
    site.send(site.enrol(hostname="other", agent_id=OTHER), a_sent_report(agent_id=OTHER))
    assert today.today(site.site).flashes == []


OTHER = "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8aa"


def test_a_picture_stands_beside_its_numbers(site, viewer):
    site.machine(1)

    page = viewer.open("/")

    labels = [given["aria-label"] for _, given in page.tags if given.get("role") == "img"]
    assert labels == ["machines by outcome, day by day", "machines by the age of their firmware"]
    assert "age machines 3 years 1" in page.text
