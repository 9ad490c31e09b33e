"""Ids against RFC 9562."""

import uuid

import pytest

from flashworthy_common.ids import is_uuid, uuid4, uuid7, uuid_text

# RFC 9562 appendix A.6: 2022-02-22 19:22:22 UTC, rand_a 0xCC3, rand_b 0x18C4DC0C0C07398F
EXAMPLE = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


def test_the_published_example_of_version_7_is_made_bit_for_bit():
    random_bits = 0xCC3 << 62 | 0x18C4DC0C0C07398F

    made = uuid7(1645557742000, random_bits)

    assert made == EXAMPLE
    assert uuid.UUID(made).version == 7
    assert uuid.UUID(made).variant == uuid.RFC_4122


def test_the_published_example_of_version_4_is_made_bit_for_bit():
    # RFC 9562 appendix A.3: random_a, random_b, random_c
    random_bits = 0x919108F752D1 << 74 | 0x320 << 62 | 0x1BACF847DB4148A8

    assert uuid4(random_bits) == "919108f7-52d1-4320-9bac-f847db4148a8"


def test_later_ids_sort_after_earlier_ones():
    assert uuid7(1_000, (1 << 74) - 1) < uuid7(1_001, 0)


def test_bytes_become_the_text_that_the_standard_library_gives():
    octets = bytes(range(0xF0, 0x100))

    assert uuid_text(octets) == str(uuid.UUID(bytes=octets))


@pytest.mark.parametrize(
    ("text", "version", "answer"),
    [
        (EXAMPLE, 7, True),
        (EXAMPLE, None, True),
        (EXAMPLE, 4, False),
        (EXAMPLE.upper(), 7, False),  # output is lower case, RFC 9562 §4
        ("00000000-0000-0000-0000-000000000000", None, False),  # nil is no real id, §5.9
        ("ffffffff-ffff-ffff-ffff-ffffffffffff", None, False),  # nor is max, §5.10
        (EXAMPLE + "\n", 7, False),
        ("", None, False),
    ],
)
def test_only_a_well_formed_uuid_is_one(text, version, answer):
    assert is_uuid(text, version=version) is answer
