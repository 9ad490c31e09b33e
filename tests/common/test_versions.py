"""The order of firmware versions, and the silence where nobody can know."""

import pytest

from flashworthy_common.versions import Order, compare


@pytest.mark.parametrize(
    ("older", "newer"),
    [("1.9", "1.10"), ("F.19", "F.1B"), ("F14e", "F14"), ("2.0", "2.0b"), ("0801", "1203")],
)
def test_the_order_of_a_scheme_holds_in_both_directions(older: str, newer: str) -> None:
    assert compare(older, newer, maker="", model="") is Order.OLDER
    assert compare(newer, older, maker="", model="") is Order.NEWER
    assert compare(older, older, maker="", model="") is Order.SAME
