"""Which updates Windows would install now, from what it knew at its last search.

- The searcher stays offline: nothing is fetched, and the time of the last search is told.
- An update is for security where its maker gave it a severity, or where it is of the class of
  security updates. A firmware update comes as a driver of the class Firmware.
- What Windows only offers is kept apart from what it would install.
"""

from datetime import datetime
from typing import Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.kept_updates import KeptAnswer, keep, kept_answer
from flashworthy_agent.probes.windows.script import (
    items_in,
    number_in,
    text_in,
    texts_in,
    told_of,
)
from flashworthy_common.report import PendingUpdates, SoftwareSection
from flashworthy_common.values import Maybe, Unknown

MAX_NAMES = 20  # of updates that are told by name
# "OperationResultCode enumeration": orcSucceeded, orcSucceededWithErrors
_SUCCEEDED, _WITH_ERRORS = 2, 3
_DRIVER = 2  # "UpdateType enumeration": utDriver
_FIRMWARE = "firmware"  # "System-Defined Device Setup Classes Available to Vendors"
_SECURITY_UPDATES = "0fa1201d-4330-4fa8-8ae9-b877473b6441"  # the classification; *from memory*
_SOURCE = "IUpdateSearcher, offline"


def look_for_updates(access: Access) -> SoftwareSection:
    """The section with nothing but the pending updates."""
    kept = kept_answer(access, lambda asked_at: True)
    if kept is None:
        kept = KeptAnswer(asked_at=access.now(), answer=_asked(access))
        keep(access, kept)
    return SoftwareSection(pending_updates=kept.answer)


def _asked(access: Access) -> Maybe[PendingUpdates]:
    told = told_of(access).of("updates")
    if isinstance(told, Unknown):
        return told
    if len(told) != 1:
        return Unknown(f"expected one answer to the search for updates, got {len(told)}")
    (found,) = told
    result = number_in(found, "result")
    if result not in (_SUCCEEDED, _WITH_ERRORS):
        return Unknown(f"the search for updates did not succeed: result {result}")
    searched_at = text_in(found, "searched_at")
    if isinstance(searched_at, Unknown):
        return Unknown("Windows has not searched for updates yet: it cannot know of any")
    updates = items_in(found, "updates")
    due = [update for update in updates if update.get("optional") is not True]
    offered = [update for update in updates if update.get("optional") is True]
    return PendingUpdates(
        count=len(due),
        security_count=sum(map(_is_for_security, due)),
        names=tuple(map(_name, due[:MAX_NAMES])),
        kept_back=tuple(map(_name, offered[:MAX_NAMES])),
        source=_SOURCE,
        seen_at=access.now(),
        lists_at=_utc(searched_at),
    )


def _is_for_security(update: dict[str, Any]) -> bool:
    classes = {one.lower() for one in texts_in(update, "categories")}
    return isinstance(text_in(update, "severity"), str) or _SECURITY_UPDATES in classes


def _name(update: dict[str, Any]) -> str:
    title = text_in(update, "title")
    name = "an update without a title" if isinstance(title, Unknown) else title
    driver_class = text_in(update, "driver_class")
    is_firmware = isinstance(driver_class, str) and driver_class.lower() == _FIRMWARE
    return f"firmware: {name}" if is_firmware and update.get("kind") == _DRIVER else name


def _utc(text: str) -> Maybe[datetime]:
    """A time such as 2026-11-02T09:30:00Z."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return Unknown(f"expected a time, got {text[:40]!r}")
    return found if found.tzinfo else Unknown(f"expected a time in UTC, got {text[:40]!r}")
