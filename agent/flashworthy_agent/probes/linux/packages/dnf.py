"""dnf: what `repoquery --upgrades` lists from the cache alone (dnf(8), dnf5-repoquery(8)).

It says nothing, and ends well, where it has no repositories or no cache of them: only a cache makes
its silence an answer. The names of options are those that its fourth and fifth version share.
"""

import time

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

_CACHES = ("/var/cache/dnf", "/var/cache/libdnf5")  # of the fourth and the fifth version
_QUERY = ["dnf", "--quiet", "--cacheonly", "repoquery", "--upgrades"]
_FORMAT = ["--queryformat", "%{name}.%{arch}\\n"]


def ask_dnf(access: Access, limit_seconds: float) -> Maybe[PendingUpdates]:
    deadline = time.monotonic() + limit_seconds
    asked_at = access.now()
    if not access.is_root:
        return Unknown("dnf shows an ordinary user another cache than its own; run as root")
    lists = [
        folder
        for cache in _CACHES
        for folder in folders_in(access.files, cache)
        if access.files.is_there(f"{folder}/repodata/repomd.xml")
    ]
    if not lists:
        return no_lists("dnf")
    listed = access.programs.said([*_QUERY, *_FORMAT], limit_seconds)
    if isinstance(listed, Unknown):
        return listed
    names = parse_names(listed)
    security = access.programs.said(
        [*_QUERY, "--security", *_FORMAT], max(0.1, deadline - time.monotonic())
    )
    return PendingUpdates(
        count=len(names),
        security_count=security if isinstance(security, Unknown) else len(parse_names(security)),
        names=tuple(names[:MAX_NAMES]),
        source="dnf repoquery --upgrades",
        seen_at=asked_at,
        lists_at=newest_change(access.files, [f"{folder}/repodata" for folder in lists]),
    )


def parse_names(text: str) -> list[str]:
    """One name a line; the fourth version leaves empty lines between them."""
    return sorted({line.strip() for line in text.splitlines() if line.strip()})


MANAGER = PackageManager((*_CACHES, *CHANGES), ask_dnf, installed_rpms)
