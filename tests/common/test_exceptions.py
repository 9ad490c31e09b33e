"""Exceptions: what may be recorded, and until when they hold."""

from datetime import UTC, date, datetime

import pytest

from flashworthy_common.exceptions import ExceptionKind, SiteException, in_force, problems_of
from flashworthy_common.values import from_json, to_json


def an_exception(**changed):
    facts = {
        "kind": ExceptionKind.RISK_ACCEPTED,
        "machine_maker": "Quillmark",
        "models": ("Folio 14",),
        "advisories": ("QM-2026-07",),
        "reason": "the reading room is closed anyway",
        "owner": "Ida Fenwick",
        "until": date(2026, 6, 30),
    }
    return SiteException(**facts | changed)


def test_it_holds_to_the_end_of_its_last_day():
    exception = an_exception()

    assert exception.ends_at == datetime(2026, 7, 1, tzinfo=UTC)
    assert in_force([exception], datetime(2026, 6, 30, 23, 59, tzinfo=UTC)) == (exception,)
    assert in_force([exception], exception.ends_at) == ()


def test_the_last_day_of_the_calendar_is_no_error():
    assert an_exception(until=date.max).ends_at.year == 9999


def test_the_one_that_ends_first_stands_in_front():
    later, sooner = an_exception(until=date(2026, 8, 1)), an_exception()

    assert in_force([later, sooner], datetime(2026, 6, 1, tzinfo=UTC)) == (sooner, later)


@pytest.mark.parametrize(
    "exception",
    [
        an_exception(),
        an_exception(advisories=(), version_text="1.34"),
        an_exception(kind=ExceptionKind.NOT_THIS_RELEASE, version_text="1.34", machine_ids=(7,)),
    ],
)
def test_what_is_complete_may_be_recorded_and_survives_json(exception):
    assert problems_of(exception) == ()
    assert from_json(SiteException, to_json(exception)) == exception


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"reason": " "}, "reason: expected why it is made"),
        ({"owner": ""}, "owner: expected who answers for it"),
        (
            {"kind": ExceptionKind.NOT_THIS_RELEASE},
            "version_text: expected the release that is not to be flashed",
        ),
        (
            {"advisories": ()},
            "advisories: expected the accepted risks, or else a version_text",
        ),
    ],
)
def test_an_exception_without_reason_owner_or_object_is_refused(changed, says):
    assert problems_of(an_exception(**changed)) == (says,)
