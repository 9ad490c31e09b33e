"""What is common to package managers, each of which is data and two functions."""

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_common.report import PendingUpdates
from flashworthy_common.values import Maybe, Unknown

MAX_NAMES = 20  # of updates that are told by name


class PackageManager(NamedTuple):
    """One package manager, and how it is asked."""

    changes: tuple[str, ...]  # paths that change when its lists or the installed packages do
    # within that many seconds; an empty answer only where it has lists to go by
    pending: Callable[[Access, float], Maybe[PendingUpdates]]
    # of the named packages those that are installed, with their versions
    installed: Callable[[Access, tuple[str, ...]], Maybe[dict[str, str]]]


def no_lists(program: str) -> Unknown:
    """*Nothing to do* from a package manager without package lists is no answer."""
    return Unknown(f"{program} has no package lists here: it cannot know of updates")


def newest_change(files: Files, folders: list[str]) -> Maybe[datetime]:
    """When the one that changed last did so."""
    times = [files.modified_at(folder) for folder in folders]
    known = [time for time in times if not isinstance(time, Unknown)]
    return max(known) if known else Unknown("no package lists are there")


def folders_in(files: Files, folder: str) -> list[str]:
    names = files.names(folder)
    return [] if isinstance(names, Unknown) else [f"{folder}/{name}" for name in names]


def parse_pairs(text: str) -> dict[str, str]:
    """Lines of a name and a version; what is no such line is passed over."""
    lines = (line.split() for line in text.splitlines())
    return {words[0]: words[1] for words in lines if len(words) == 2}
