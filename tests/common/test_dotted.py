"""Dotted numbers of systems and drivers, against `packaging.version`."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packaging.version import Version

from flashworthy_common.dotted import is_at_least

DOTTED = st.lists(st.integers(0, 10**6), min_size=1, max_size=6).map(
    lambda numbers: ".".join(map(str, numbers))
)


@given(DOTTED, DOTTED)
def test_the_order_is_that_of_packaging(text, least):
    assert is_at_least(text, least) is (Version(text) >= Version(least))


@pytest.mark.parametrize("text", ["", "twelve", "1..2", "1.2-3", "١.٢", "1.2\n3", "9" * 5_000])
def test_what_is_not_digits_and_dots_cannot_be_compared(text):
    assert is_at_least(text, "1") is None
    assert is_at_least("1", text) is None
