"""apt: what it would install, from a simulation as any user and without its lock.

- A held package is left out, as apt leaves it out, and is told as kept back.
- Security updates are told by their origin: Debian's label, Ubuntu's archive; names of suites move.
- A version from elsewhere may hide a security update that it contains. What stands between the
  installed version and the one that would come is looked through for it.
- The age of the lists is that of the folder they were fetched into: they carry the server's dates.
"""

import re
import time
from collections.abc import Iterator

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.packages.manager import (
    MAX_NAMES,
    PackageManager,
    no_lists,
    parse_pairs,
)
from flashworthy_common.report import PendingUpdates
from flashworthy_common.values import Maybe, Unknown

_FETCHED = "/var/lib/apt/lists/partial"
_INSTALLED = "/var/lib/dpkg/status"
_LISTS_COMMAND = ["apt-get", "indextargets", "Created-By: Packages"]
_SIMULATION_COMMAND = ["apt-get", "-s", "-o", "Debug::NoLocking=1", "dist-upgrade"]
_SOURCES_COMMAND = ["apt-cache", "policy"]  # and with names: where their versions come from
_INSTALL_LINE = re.compile(
    r"Inst (?P<name>\S+)"
    r"(?: \[[^\]]*\])?"  # the installed version; a new package has none
    r"(?: \(\S+(?P<origins>.*)\[)?"  # the new version, its origins, its architecture
)
_SECURITY_ORIGIN = re.compile(r"Debian-Security:|.*-security\b")
_SECURITY_RELEASE = re.compile(r"(?:.*,)?(?:l=Debian-Security\b|a=[^,]*-security\b)")
_KEPT_BACK = ("The following packages have been kept back:",
              "The following upgrades have been deferred due to phasing:")  # fmt: skip
_VERSIONS_COMMAND = ["dpkg-query", "--show", "--showformat",
                     "${db:Status-Status} ${Package} ${Version}\\n"]  # fmt: skip
_VERSIONS_SECONDS = 5.0


def ask_apt(access: Access, limit_seconds: float) -> Maybe[PendingUpdates]:
    deadline = time.monotonic() + limit_seconds

    def said(command: list[str]) -> Maybe[str]:
        return access.programs.said(command, max(0.1, deadline - time.monotonic()))

    asked_at = access.now()
    lists = said(_LISTS_COMMAND)
    if isinstance(lists, Unknown):
        return lists
    if not lists.strip():
        return no_lists("apt")
    simulation = said(_SIMULATION_COMMAND)
    if isinstance(simulation, Unknown):
        return simulation
    names, for_security = parse_simulation(simulation)
    if len(for_security) < len(names):
        sources, versions = said(_SOURCES_COMMAND), said([*_SOURCES_COMMAND, *names])
        if isinstance(sources, str) and isinstance(versions, str):
            for_security |= hidden_security(versions, security_sources(sources)) & set(names)
    return PendingUpdates(
        count=len(names),
        security_count=len(for_security),
        names=tuple(names[:MAX_NAMES]),
        kept_back=tuple(parse_kept_back(simulation)[:MAX_NAMES]),
        source="apt-get -s dist-upgrade",
        seen_at=asked_at,
        lists_at=access.files.modified_at(_FETCHED),
    )


def parse_simulation(text: str) -> tuple[list[str], set[str]]:
    """Names of the packages that would be installed, and of those that come for security.

    Lines read ``Inst NAME [OLD] (NEW ORIGIN, ORIGIN [ARCHITECTURE])``. One that is not understood
    beyond its name still counts: better an update too many than *nothing to do*.
    """
    lines = [match for match in map(_INSTALL_LINE.match, text.splitlines()) if match]
    security = {line["name"] for line in lines if _is_for_security(line["origins"] or "")}
    return [line["name"] for line in lines], security


def _is_for_security(origins: str) -> bool:
    return any(_SECURITY_ORIGIN.match(origin.strip()) for origin in origins.split(","))


def parse_kept_back(text: str) -> list[str]:
    """Names in the indented lines below either heading."""
    names, is_below = [], False
    for line in text.splitlines():
        is_below = line in _KEPT_BACK or (is_below and line.startswith("  "))
        if is_below and line not in _KEPT_BACK:
            names += line.split()
    return names


# ---- where versions come from -----------------------------------------------------------------


def security_sources(text: str) -> set[str]:
    """Of the package files that ``apt-cache policy`` lists, those that hold security updates.

    Lines read ``PRIORITY SOURCE``, and below it ``release NAME=VALUE,...``.
    """
    sources, source = set(), ""
    for line in text.splitlines():
        word, _, rest = line.strip().partition(" ")
        if word == "release" and _SECURITY_RELEASE.match(rest):
            sources.add(source)
        elif word.lstrip("-").isdigit():
            source = rest
    return sources


def hidden_security(text: str, sources: set[str]) -> set[str]:
    """Packages whose update holds one of `sources`, from ``apt-cache policy NAME...``."""
    blocks = re.split(r"^(?=\S+:$)", text, flags=re.MULTILINE)
    return {
        block.partition("\n")[0].removesuffix(":")
        for block in blocks
        if any(source in sources for source in _sources_of_update(block))
    }


def _sources_of_update(block: str) -> Iterator[str]:
    """Where the versions come from that are newer than the installed, up to the candidate.

    Below ``Version table:`` the newest version stands first, each with its sources indented
    further, and ``***`` marks the installed one.
    """
    head, _, versions = block.partition("  Version table:\n")
    candidate = re.search(r"^  Candidate: (\S+)$", head, re.MULTILINE)
    if candidate is None or "  Installed: (none)" in head:
        return
    is_within = False
    for line in versions.splitlines():
        if line.startswith(" *** "):
            return
        if line.startswith(" " * 8):
            if is_within:
                yield line.strip().partition(" ")[2]
        else:
            is_within = is_within or line.split()[:1] == [candidate[1]]


# ---- what is installed ------------------------------------------------------------------------


def _installed(access: Access, names: tuple[str, ...]) -> Maybe[dict[str, str]]:
    """`dpkg-query` complains of each name that it does not know, and tells of the others."""
    outcome = access.programs.run([*_VERSIONS_COMMAND, *names], _VERSIONS_SECONDS)
    if isinstance(outcome, Unknown):
        return outcome
    lines = [line.removeprefix("installed ") for line in outcome.output.splitlines()
             if line.startswith("installed ")]  # fmt: skip
    return parse_pairs("\n".join(lines))


MANAGER = PackageManager((_FETCHED, _INSTALLED), ask_apt, _installed)
