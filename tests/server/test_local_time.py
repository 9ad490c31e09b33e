"""Times at the site, across changes of the clock, held against zoneinfo and the published rules."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_server import local_time
from flashworthy_server.config import config_from
from flashworthy_server.errors import ConfigurationError, InvalidInputError

LONDON = "Europe/London"  # Directive 2000/84/EC: last Sundays of March and October, 01:00 UTC
ZONES = ("UTC", LONDON, "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu")


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-05-04T10:00", datetime(2026, 5, 4, 9, 0, tzinfo=UTC)),
        ("2026-05-04 10:00", datetime(2026, 5, 4, 9, 0, tzinfo=UTC)),
        ("2026-01-04T10:00", datetime(2026, 1, 4, 10, 0, tzinfo=UTC)),
        ("2026-03-29T00:59", datetime(2026, 3, 29, 0, 59, tzinfo=UTC)),
        ("2026-03-29T02:00", datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        ("2026-10-25T01:30+01:00", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("2026-10-25T01:30+00:00", datetime(2026, 10, 25, 1, 30, tzinfo=UTC)),
    ],
)
def test_a_typed_time_is_one_of_the_site(text, utc):
    assert local_time.parse_local("begins", text, LONDON) == utc


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2026-03-29T01:30", "there is no 01:30 on 2026-03-29: the clock jumps over it"),
        ("2026-10-25T01:30", "01:30 comes twice on 2026-10-25: write its offset behind it"),
        ("tomorrow", "expected a day and a time"),
        ("", "expected a day and a time"),
    ],
)
def test_a_time_that_is_not_one_is_refused(text, says):
    with pytest.raises(InvalidInputError, match=says) as caught:
        local_time.parse_local("begins", text, LONDON)

    assert caught.value.field == "begins"


times = st.integers(0, 15 * 365 * 24 * 60).map(
    lambda minutes: datetime(2020, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
)


@given(times, st.sampled_from(ZONES))
def test_what_a_form_shows_is_read_back_unless_it_comes_twice(time, zone_name):
    text = local_time.typed_form(time, zone_name)
    local = time.astimezone(ZoneInfo(zone_name))
    if local.utcoffset() == local.replace(fold=1 - local.fold).utcoffset():
        assert local_time.parse_local("begins", text, zone_name) == time
    else:
        with pytest.raises(InvalidInputError, match="comes twice"):
            local_time.parse_local("begins", text, zone_name)


@given(times, st.integers(1, 400), st.sampled_from(ZONES))
def test_days_later_is_the_same_time_of_day_wherever_there_is_one(time, days, zone_name):
    zone = ZoneInfo(zone_name)
    later = local_time.days_later(time, days, zone_name).astimezone(zone)
    meant = time.astimezone(zone).replace(tzinfo=None) + timedelta(days=days)
    there_is_one = meant.replace(tzinfo=zone).astimezone(UTC).astimezone(zone)

    assert there_is_one.replace(tzinfo=None) == later.replace(tzinfo=None)
    assert there_is_one.replace(tzinfo=None) == meant or abs(
        later.replace(tzinfo=None) - meant
    ) <= timedelta(hours=1)


def test_a_window_that_goes_over_midnight_names_both_days():
    begins_at = datetime(2026, 5, 4, 21, 0, tzinfo=UTC)

    says = local_time.window_in_words(begins_at, begins_at + timedelta(hours=4), LONDON)

    assert says == "Monday 4 May 2026, 22:00 to Tuesday 5 May 2026, 02:00 (Europe/London)"


def test_a_month_begins_and_ends_at_the_sites_midnight():
    assert local_time.month_window("2026-10", LONDON) == (
        datetime(2026, 9, 30, 23, 0, tzinfo=UTC),
        datetime(2026, 11, 1, 0, 0, tzinfo=UTC),
    )


def test_the_day_on_which_the_clock_goes_back_has_25_hours():
    begin, end = local_time.day_window(datetime(2026, 10, 25, 12, 0, tzinfo=UTC), LONDON)

    assert (begin, end - begin) == (datetime(2026, 10, 24, 23, 0, tzinfo=UTC), timedelta(hours=25))


@pytest.mark.parametrize("name", ["Wendle", "", "/etc/localtime", "../UTC", "Europe"])
def test_a_time_zone_that_nobody_knows_is_refused(name):
    with pytest.raises(ConfigurationError, match="time_zone: expected a name of the IANA"):
        config_from({"time_zone": name})


def test_a_mail_server_needs_an_address_to_send_from():
    with pytest.raises(ConfigurationError, match="mail_from"):
        config_from({"mail_server": "127.0.0.1:25"})
