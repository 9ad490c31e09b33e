"""A moved disk and a copied image are noticed; a reinstalled or repaired machine is not refused.

The rules themselves are tested with `flashworthy_common.identity`.
"""

import pytest

from flashworthy_agent.errors import AnotherMachineError
from flashworthy_agent.same_machine import remembered
from flashworthy_common.report import IdentitySection
from flashworthy_common.values import Unknown

AGENT = "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801"
HERE = {
    "smbios_uuid": "00112233-4455-6677-8899-aabbccddeeff",  # DSP0134 §7.2.1
    "board_serial": "B-1",
    "system_serial": "AL-0042",
    "asset_tag": "T-7",
}


def machine(**values):
    return IdentitySection(**(HERE | values))


def known(**values):
    return remembered(machine(**values), AGENT, None)


def test_the_same_machine_is_known_again():
    assert remembered(machine(), AGENT, known()) == known()


def test_serials_are_not_kept_in_the_open():
    kept = " ".join(known())

    assert "AL-0042" not in kept
    assert kept.count(":") == 4


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (
            {"smbios_uuid": "f0", "board_serial": "B-2", "system_serial": "AL-9",
             "asset_tag": "T-9"},
            "UUID and board serial and system serial and asset tag are not the same",
        ),
        (
            {"smbios_uuid": "f0", "board_serial": Unknown("x"), "system_serial": Unknown("x"),
             "asset_tag": Unknown("x")},
            "UUID is not the same",
        ),
    ],
)  # fmt: skip
def test_other_hardware_is_refused_in_words(values, words):
    with pytest.raises(AnotherMachineError) as refused:
        remembered(machine(**values), AGENT, known())

    assert str(refused.value) == (
        f"this is not the machine that was enrolled: {words} (a disk moved to another PC, or a "
        "copied image); nothing is reported for the other one: enrol this machine by itself with "
        "flashworthy-agent enrol"
    )


def test_a_replaced_board_is_the_same_machine_and_remembered():
    replaced = {"smbios_uuid": "f0", "board_serial": "B-2"}

    kept = remembered(machine(**replaced), AGENT, known())

    assert kept == known(**replaced)


def test_what_cannot_be_read_for_once_is_not_forgotten():
    unread = Unknown("permission denied")

    kept = remembered(machine(smbios_uuid=unread, system_serial=unread), AGENT, known())

    assert kept == known()


def test_a_machine_without_any_evidence_is_taken_at_its_word():
    nothing = IdentitySection()

    assert remembered(nothing, AGENT, remembered(nothing, AGENT, None)) == ()
