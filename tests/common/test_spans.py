"""Spans of time, as people write and read them."""

import pytest

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.spans import parse_span, span_in_words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 seconds"),
        (1, "1 second"),
        (61, "61 seconds"),
        (600, "10 minutes"),
        (3_600, "1 hour"),
        (5_400, "90 minutes"),
        (86_400, "1 day"),
        (90_000, "25 hours"),
        (90 * 86_400, "90 days"),
    ],
)
def test_a_span_reads_in_the_largest_unit_that_says_it_exactly(seconds, words):
    assert span_in_words(seconds) == words
    assert parse_span(words, "age") == seconds


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("14days", 1_209_600), (" 4 HOURS ", 14_400), ("20", 20), ("1 day", 86_400)],
)
def test_a_span_is_read_as_people_write_it(text, seconds):
    assert parse_span(text, "age") == seconds


@pytest.mark.parametrize(
    "text", ["", "days", "-1 day", "1.5 hours", "3 weeks", "1 d", "٣ days", "9" * 20]
)
def test_what_is_no_span_is_named(text):
    with pytest.raises(MalformedValueError, match="age: expected a span such as 14 days"):
        parse_span(text, "age")
