"""Random bits."""

from flashworthy_agent.chance import random_bits


def test_all_numbers_of_so_many_bits_come_and_none_beyond():
    assert {random_bits(3) for _ in range(1000)} == set(range(8))


def test_numbers_of_an_id_do_not_repeat():
    drawn = {random_bits(122) for _ in range(1000)}

    assert len(drawn) == 1000
    assert max(drawn) < 1 << 122
