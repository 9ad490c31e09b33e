"""The outcome, from the answers alone, in the order of the table.

1. out of scope: `hold`; a virtual machine, or firmware that comes with the system: `leave`
2. the need is unknown: `undecided`
3. no reason suffices, or an exception covers it: `leave`
4. a reason suffices, and some check says `stop`: `hold`
5. ... some check says `fix` or `unknown`: `prepare`
6. ... every check passes: `clear`
"""

from collections.abc import Sequence
from enum import Enum

from flashworthy_common.readiness.question import Answer, Check


class Outcome(Enum):
    CLEAR = "clear"  # go
    PREPARE = "prepare"  # go with these things done or brought
    HOLD = "hold"  # must not be flashed as things stand
    LEAVE = "leave"  # do not go
    UNDECIDED = "undecided"  # somebody must look first


_PASS = Answer.PASS  # looking up a member of an enumeration costs more than all the rest here

# These decide whether to go at all.
NEED = frozenset({"need.readable", "need.reviewed", "need.reason", "need.exception"})
# There is no firmware here that a person could flash.
NOTHING_TO_FLASH = frozenset({"scope.virtual", "scope.with_os"})


def outcome_of(checks: Sequence[Check]) -> Outcome:
    """The one outcome that these answers give."""
    not_passed = [check for check in checks if check.answer is not _PASS]
    stops = {check.code for check in not_passed if check.answer is Answer.STOP}
    unknowns = {check.code for check in not_passed if check.answer is Answer.UNKNOWN}

    if stops & NOTHING_TO_FLASH:
        return Outcome.LEAVE
    if any(code.startswith("scope.") for code in stops):
        return Outcome.HOLD
    if unknowns & NEED:
        return Outcome.UNDECIDED
    if stops & NEED:
        return Outcome.LEAVE
    if stops:
        return Outcome.HOLD
    return Outcome.PREPARE if not_passed else Outcome.CLEAR
