"""Which machine a report is of."""

import pytest

from flashworthy_common.identity import Likeness, evidence_of, likeness
from flashworthy_common.report import IdentitySection
from flashworthy_common.values import Unknown

UUID_A = "8a1de1c2-5f34-4b8e-9d0a-3f6f0b7c1a11"
UUID_B = "b7f0c5aa-91d2-4c33-8a1e-0d2c4e6f8a22"


def evidence(**values):
    return evidence_of(IdentitySection(**values))


CASES = [
    # known, seen, likeness
    ({"smbios_uuid": UUID_A}, {"smbios_uuid": UUID_A.upper()}, Likeness.SAME),
    ({"smbios_uuid": UUID_A}, {}, Likeness.SAME),  # nothing differs; the agent's token speaks
    (
        {"smbios_uuid": UUID_A, "asset_tag": "L-017"},
        {"smbios_uuid": UUID_A, "asset_tag": "L-018"},
        Likeness.SAME,
    ),
    (
        {"smbios_uuid": UUID_A, "system_serial": "TN-4401"},
        {"smbios_uuid": UUID_B, "system_serial": "TN-4401"},
        Likeness.BOARD_REPLACED,
    ),
    (
        {"board_serial": "B1", "asset_tag": "L-017"},
        {"board_serial": "B2", "asset_tag": "L-017"},
        Likeness.BOARD_REPLACED,
    ),
    ({"smbios_uuid": UUID_A}, {"smbios_uuid": UUID_B}, Likeness.IN_DOUBT),
    (
        {"smbios_uuid": UUID_A, "system_serial": "TN-4401"},
        {"smbios_uuid": UUID_A, "system_serial": "TN-4402"},  # a UUID that repeats
        Likeness.IN_DOUBT,
    ),
    (
        {"smbios_uuid": UUID_A, "system_serial": "TN-4401", "asset_tag": "L-017"},
        {"smbios_uuid": UUID_B, "system_serial": "TN-4402", "asset_tag": "L-017"},
        Likeness.IN_DOUBT,
    ),
    ({"asset_tag": "L-017"}, {"asset_tag": "L-018"}, Likeness.IN_DOUBT),
]


@pytest.mark.parametrize(("known", "seen", "expected"), CASES)
def test_evidence_decides_and_two_machines_are_never_merged_silently(known, seen, expected):
    assert likeness(evidence(**known), evidence(**seen)) is expected


@pytest.mark.parametrize(
    "value",
    [
        "00000000-0000-0000-0000-000000000000",  # DSP0134 §7.2.1: not present
        "ffffffff-ffff-ffff-ffff-ffffffffffff",  # DSP0134 §7.2.1: not set, but could be
        "03000200-0400-0500-0006-000700080009",  # repeats across boards; from memory
        Unknown("permission denied"),
        "",
    ],
)
def test_a_uuid_that_says_nothing_is_no_evidence(value):
    assert not evidence(smbios_uuid=value).items


@pytest.mark.parametrize("serial", ["To Be Filled By O.E.M.", "Default string", "0", " "])
def test_a_placeholder_is_no_evidence(serial):
    assert not evidence(system_serial=serial, board_serial=serial, asset_tag=serial).items
