"""The EFI System Resource Table: what its numbers mean (UEFI specification §23.4).

- A larger version number is newer; what the number is made of is the maker's own affair and is
  never read as a version text.
- Never attempted is status 0 *and* version 0: no evidence of success.
- The status is the raw number of the UEFI table. The Linux kernel's document lists the codes
  shifted by one; its code passes the number through.
- The status says what was so then: "AC not connected" is a reason to look at the power now.
"""

from flashworthy_common.report import EsrtEntry
from flashworthy_common.values import Maybe, Unknown

SYSTEM_FIRMWARE = 1  # firmware type
SUCCESS = 0
AUTHENTICATION_ERROR = 5

_STATUS = {
    0: "success",
    1: "unsuccessful, the firmware gives no cause",
    2: "insufficient resources",
    3: "incorrect version",
    4: "invalid image format",
    5: "the image is not authentic",
    6: "mains power was not connected",
    7: "the battery was too low",
    8: "an unsatisfied dependency",
}
_VENDOR_RANGE = range(0x1000, 0x4000)  # 0x4000 itself is in the text, not in the header


def of_unique_classes(entries: list[EsrtEntry]) -> Maybe[tuple[EsrtEntry, ...]]:
    """The table, unless a class stands twice in it: it names one firmware only. [§23.4]"""
    classes = [entry.firmware_class for entry in entries]
    twice = sorted({one for one in classes if classes.count(one) > 1})
    if twice:
        return Unknown(f"corrupt: class {twice[0]} stands twice in the ESRT")
    return tuple(entries)


def attempt_status(status: int) -> str:
    """A last-attempt status in words."""
    if status in _STATUS:
        return _STATUS[status]
    return "a cause of the maker's own" if status in _VENDOR_RANGE else "a code without a meaning"


def failed_status(entry: EsrtEntry) -> int | None:
    """The status of a last attempt that failed; none if it did not.

    A failure is superseded once the running version reached the attempted one.
    """
    status, attempted = entry.last_attempt_status, entry.last_attempt_version
    if isinstance(status, Unknown) or status == SUCCESS:
        return None
    was_reached = not isinstance(attempted, Unknown) and entry.version >= attempted
    return None if was_reached else status


def last_failure(entries: Maybe[tuple[EsrtEntry, ...]]) -> int | None:
    """The status of a last attempt on the system firmware that failed; none: none is known."""
    for entry in () if isinstance(entries, Unknown) else entries:
        status = failed_status(entry)
        if entry.firmware_type == SYSTEM_FIRMWARE and status is not None:
            return status
    return None
