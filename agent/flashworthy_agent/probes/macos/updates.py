"""Which updates macOS would install, from what its own last search wrote down; nothing is searched.

The search keeps its findings in the preferences of the software update; names *from memory*, and
held against a copy that others published. A list of before the last change of the system says
nothing of now. Security is not told apart there.
"""

import re
from datetime import datetime

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import (
    SYSTEM_VERSION,
    Item,
    items_in,
    number_in,
    plist_in,
    text_in,
    time_in,
)
from flashworthy_common.report import PendingUpdates, SoftwareSection
from flashworthy_common.values import Maybe, Unknown

PREFERENCES = "/Library/Preferences/com.apple.SoftwareUpdate.plist"
MAX_NAMES = 20  # of updates that are told by name
_MOST = 10_000  # updates at once; beyond that the number is no count
_SEARCHED = ("LastSuccessfulDate", "LastFullSuccessfulDate", "LastBackgroundSuccessfulDate")
_BUILD = re.compile(r"\(([0-9A-Za-z]+)\)")  # 15.1 (24B83)
_NOT_APART = Unknown("macOS does not tell security apart in what it wrote down")


def look_for_updates(access: Access) -> SoftwareSection:
    """The section with nothing but the pending updates."""
    return SoftwareSection(pending_updates=_pending(access))


def _pending(access: Access) -> Maybe[PendingUpdates]:
    told = plist_in(access, PREFERENCES)
    if isinstance(told, Unknown):
        return told
    searched_at = max(filter(None, (time_in(told, name) for name in _SEARCHED)), default=None)
    if searched_at is None:
        return Unknown("macOS has not searched for updates yet: it cannot know of any")
    if old := _is_of_another_system(access, told):
        return old
    return _listed(told, access.now(), searched_at)


def _is_of_another_system(access: Access, told: Item) -> Unknown | None:
    searched_by = text_in(told, "LastAttemptSystemVersion")
    build = text_in(plist_in(access, SYSTEM_VERSION), "ProductBuildVersion")
    match = None if isinstance(searched_by, Unknown) else _BUILD.search(searched_by)
    if match is None or isinstance(build, Unknown) or match[1] == build:
        return None
    return Unknown(f"the last search was made by {searched_by}; this is build {build}")


def _listed(told: Item, now: datetime, searched_at: datetime) -> Maybe[PendingUpdates]:
    updates, count = items_in(told, "RecommendedUpdates"), number_in(told, "LastUpdatesAvailable")
    if isinstance(count, Unknown) and not isinstance(told.get("RecommendedUpdates"), list):
        return count
    if isinstance(count, int) and not 0 <= count <= _MOST:
        return Unknown(f"expected a count of updates, got {count}")
    known = 0 if isinstance(count, Unknown) else count
    return PendingUpdates(
        count=max(known, len(updates)),  # the list holds only those that it recommends
        security_count=_NOT_APART,
        names=tuple(map(_name, updates[:MAX_NAMES])),
        source="com.apple.SoftwareUpdate.plist",
        seen_at=now,
        lists_at=searched_at,
    )


def _name(update: Item) -> str:
    told = (text_in(update, "Display Name"), text_in(update, "Display Version"))
    return " ".join(word for word in told if isinstance(word, str)) or "an update without a name"
