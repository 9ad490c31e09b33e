"""pacman: what `pacman -Qu` lists from the databases it has (pacman(8)); it does not tell security.

It ends with status 1 for *none* as for an error: only the former complains of nothing.
"""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.packages.manager import (
    MAX_NAMES,
    PackageManager,
    no_lists,
    parse_pairs,
)
from flashworthy_common.report import PendingUpdates
from flashworthy_common.values import Maybe, Unknown

_LISTS = "/var/lib/pacman/sync"
_INSTALLED = "/var/lib/pacman/local"
_IGNORED = "[ignored]"
_VERSIONS_SECONDS = 5.0


def ask_pacman(access: Access, limit_seconds: float) -> Maybe[PendingUpdates]:
    asked_at = access.now()
    lists = access.files.names(_LISTS)
    if isinstance(lists, Unknown) or not any(name.endswith(".db") for name in lists):
        return no_lists("pacman")
    outcome = access.programs.run(["pacman", "-Qu"], limit_seconds)
    if isinstance(outcome, Unknown):
        return outcome
    if outcome.status and (outcome.status != 1 or outcome.complaint.strip()):
        return outcome.failure("pacman")
    names, ignored = parse_upgrades(outcome.output)
    return PendingUpdates(
        count=len(names),
        security_count=Unknown("pacman does not tell which are for security"),
        names=tuple(names[:MAX_NAMES]),
        kept_back=tuple(ignored[:MAX_NAMES]),
        source="pacman -Qu",
        seen_at=asked_at,
        lists_at=access.files.modified_at(_LISTS),  # its files carry the server's dates
    )


def parse_upgrades(text: str) -> tuple[list[str], list[str]]:
    """Names in lines ``NAME OLD -> NEW``, and those it is told to leave as they are."""
    lines = [line.split() for line in text.splitlines() if line.strip()]
    names = [line[0] for line in lines if line[-1] != _IGNORED]
    return names, [line[0] for line in lines if line[-1] == _IGNORED]


def _installed(access: Access, names: tuple[str, ...]) -> Maybe[dict[str, str]]:
    outcome = access.programs.run(["pacman", "-Q", *names], _VERSIONS_SECONDS)
    return outcome if isinstance(outcome, Unknown) else parse_pairs(outcome.output)


MANAGER = PackageManager((_LISTS, _INSTALLED), ask_pacman, _installed)
