"""zypper: its XML (zypper(8), --xmlout), from the lists it has.

Without repositories it lists nothing and ends well: only fetched lists make that an answer.
Security is counted in needed patches, which is what it knows of it.
"""

import time
from xml.etree import ElementTree

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.packages.manager import (
    MAX_NAMES,
    PackageManager,
    folders_in,
    newest_change,
    no_lists,
)
from flashworthy_agent.probes.linux.packages.rpm import CHANGES, installed_rpms
from flashworthy_common.report import PendingUpdates
from flashworthy_common.values import Maybe, Unknown

_LISTS = "/var/cache/zypp/raw"
_ZYPPER = ["zypper", "--xmlout", "--non-interactive", "--no-refresh"]
_UPDATES = [*_ZYPPER, "list-updates"]
_SECURITY = [*_ZYPPER, "list-patches", "--category", "security"]


def ask_zypper(access: Access, limit_seconds: float) -> Maybe[PendingUpdates]:
    deadline = time.monotonic() + limit_seconds
    asked_at = access.now()
    lists = folders_in(access.files, _LISTS)
    if not lists:
        return no_lists("zypper")
    names = _names(access.programs.said(_UPDATES, limit_seconds))
    if isinstance(names, Unknown):
        return names
    patches = _names(access.programs.said(_SECURITY, max(0.1, deadline - time.monotonic())))
    return PendingUpdates(
        count=len(names),
        security_count=patches if isinstance(patches, Unknown) else len(patches),
        names=tuple(names[:MAX_NAMES]),
        source="zypper list-updates; security: needed patches",
        seen_at=asked_at,
        lists_at=newest_change(access.files, lists),
    )


def _names(said: Maybe[str]) -> Maybe[list[str]]:
    return said if isinstance(said, Unknown) else parse_updates(said)


def parse_updates(text: str) -> Maybe[list[str]]:
    """The names in ``update`` elements; a list that is not there is not an empty one."""

    try:
        stream = ElementTree.fromstring(text)  # noqa: S314  (see above)
    except ElementTree.ParseError as error:
        return Unknown(f"expected zypper's XML, got {text[:80]!r}: {error}")
    if stream.find(".//update-list") is None:
        return Unknown(f"expected a list of updates from zypper, got {text[:80]!r}")
    return sorted({update.get("name", "not named") for update in stream.iter("update")})


MANAGER = PackageManager((_LISTS, *CHANGES), ask_zypper, installed_rpms)
