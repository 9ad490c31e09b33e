"""ESRT numbers in words, against UEFI §23.4."""

import pytest

from flashworthy_common.esrt import attempt_status

# UEFI specification §23.4, LastAttemptStatus. The trap: the Linux kernel's ABI document lists
# 1 to 6 without "unsuccessful", so that its 5 would read as mains power.
STATUS = {
    0: "success",
    1: "unsuccessful",
    2: "resources",
    3: "version",
    4: "format",
    5: "authentic",
    6: "mains",
    7: "battery",
    8: "dependency",
}


@pytest.mark.parametrize(("status", "word"), STATUS.items())
def test_a_status_reads_as_the_specification_names_it(status, word):
    assert word in attempt_status(status)


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (0x1000, "a cause of the maker's own"),
        (0x3FFF, "a cause of the maker's own"),
        (9, "a code without a meaning"),
        (0x4000, "a code without a meaning"),
    ],
)
def test_other_codes_are_the_makers_own_or_without_meaning(status, words):
    assert attempt_status(status) == words
