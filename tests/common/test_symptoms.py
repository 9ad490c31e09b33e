"""Whether a machine shows the fault that a release says it mends."""

from datetime import UTC, datetime, timedelta

import pytest

from flashworthy_common.symptoms import Symptom, is_shown, is_too_wide, shown

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("phrase", "symptom"),
    [
        ("fan hums after sleep", "fan hums after sleep"),
        ("fan hums after sleep", "Since Monday: the fan HUMS when it comes out of sleep!"),
        ("screen stays dark after start-up", "the screen stayed dark on start-up today"),
        ("loses its clock", "it is losing the clock every night"),
        ("does not wake from sleep", "It doesn\u2019t wake from its sleep"),
        ("wakes with noise", "noises on waking"),
    ],
)
def test_every_word_that_says_something_must_be_there(phrase, symptom):
    assert is_shown(phrase, symptom)


@pytest.mark.parametrize(
    ("phrase", "symptom"),
    [
        ("fan hums after sleep", "the fan hums"),  # a word is missing
        ("fan hums after sleep", "the fan does not hum after sleep"),  # denied
        ("does not wake from sleep", "it wakes from sleep by itself"),  # denied on the other side
        ("fan", "the fan hums"),  # too wide
        ("after the", "after the rain"),  # says nothing
        ("red light blinks", "the light blinks when he reads"),  # "red" is no ending of "reads"
        ("", ""),
    ],
)
def test_in_doubt_it_is_not_shown(phrase, symptom):
    assert not is_shown(phrase, symptom)


def test_a_phrase_of_one_word_is_too_wide_to_be_recorded():
    assert is_too_wide("the fan")
    assert not is_too_wide("the fan hums")


def test_the_first_symptom_that_fits_is_the_evidence():
    late = Symptom(says="fan hums in sleep", recorded_by="Ida Fenwick", recorded_at=NOW)
    early = Symptom(
        says="the fan hums, asleep or in sleep",
        recorded_by="Tom Arden",
        recorded_at=NOW - timedelta(days=1),
    )
    other = Symptom(says="keyboard dead", recorded_by="Tom Arden", recorded_at=NOW)

    assert shown(["dark screen", "fan hums after sleep"], [late, other, early]) == early
    assert shown(["dark screen"], [late, early, other]) is None
