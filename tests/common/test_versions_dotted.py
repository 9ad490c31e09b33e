"""Dotted firmware versions against two published orders, and where they part on purpose.

- PEP 440, by its reference implementation, the library `packaging`.
- VERS `intdot` (package-url/vers-spec): integers between dots, which stops at the first other
  character; leading zeros count for nothing.
"""

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packaging.version import Version

from flashworthy_common.versions import Order, compare

# Majors 0 and from 50 are left out: as trials they are a line of their own here.
MAJOR = st.integers(1, 49)
DOTTED = st.integers(2, 4).flatmap(
    lambda count: st.lists(
        st.tuples(MAJOR, *[st.integers(0, 9999)] * (count - 1)), min_size=2, max_size=2
    )
)


def spelt(numbers):
    return ".".join(map(str, numbers))


def sign(order):
    return {Order.OLDER: -1, Order.SAME: 0, Order.NEWER: 1}.get(order)


def order(a_text, b_text):
    return compare(a_text, b_text, maker="", model="")


def intdot(text):
    """VERS `intdot` as facts: the integers up to the first character that is no digit or dot."""
    return [int(number) for number in re.match(r"[0-9.]*", text)[0].strip(".").split(".")]


@given(DOTTED)
def test_versions_of_as_many_numbers_are_ordered_like_packaging_and_intdot(pair):
    a, b = map(spelt, pair)
    answer = sign(order(a, b))
    if answer is not None:  # core numbers have no order
        assert answer == (Version(a) > Version(b)) - (Version(a) < Version(b))
        assert answer == (intdot(a) > intdot(b)) - (intdot(a) < intdot(b))


@pytest.mark.parametrize("texts", [["1.9", "1.10", "2.0", "10.1"], ["1.9.9", "1.10.0", "2.0.0"]])
def test_1_9_is_before_1_10_as_in_both_and_not_as_in_a_dictionary(texts):
    for a, b in itertools.combinations(texts, 2):
        assert order(a, b) is Order.OLDER
        assert Version(a) < Version(b)
        assert intdot(a) < intdot(b)
    assert sorted(texts) != texts


def test_leading_zeros_count_for_nothing_as_in_both():
    assert order("1.07", "1.7") is Order.SAME
    assert Version("1.07") == Version("1.7")
    assert intdot("1.07") == intdot("1.7")


def test_a_letter_behind_the_numbers_is_a_later_build_where_intdot_stops_reading():
    assert intdot("1.21a") == intdot("1.21")  # VERS: equal
    assert Version("1.21a") < Version("1.21")  # PEP 440: an alpha release
    assert order("1.21a", "1.21") is Order.NEWER  # boards: mended


def test_another_count_of_numbers_is_another_scheme_where_both_would_fill_up_with_zeros():
    assert Version("1.07.15") < Version("7.006")
    assert order("1.07.15", "7.006") is Order.UNKNOWN


def test_a_trial_major_has_no_order_against_a_normal_one_where_both_compare_the_numbers():
    assert Version("99.1.0") > Version("1.4.0")
    assert order("99.1.0", "1.4.0") is Order.UNKNOWN
    assert order("99.1.0", "99.2.0") is Order.OLDER


def test_a_core_number_has_no_order_where_both_see_numbers():
    assert Version("4.6.5") > Version("1.02.3")
    assert order("4.6.5", "1.02.3") is Order.UNKNOWN
