"""Which updates the operating system's package manager would install now.

The question costs more than everything else together, so its answer is kept and used again, with
its own time, for some hours; but never past a change of the package lists or of what is installed.

- *Nothing to do* from a package manager without package lists is no answer.
- A held package is left out, as the package manager leaves it out.
- Security updates are told by their origin: Debian's label, Ubuntu's archive; names of suites move.
"""

import json
import re
import time
from dataclasses import dataclass
from datetime import datetime, timedelta

from flashworthy_agent.durable import make_private_folder, write_durably
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.programs import Outcome, Programs
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.report import PendingUpdates, SoftwareSection
from flashworthy_common.values import Maybe, Unknown, from_json, to_json

LIMIT_SECONDS = 60.0  # for all programs together
KEPT_FOR = timedelta(hours=6)
_MAX_NAMES = 20
_KEPT_FILE = "pending-updates.json"
_FETCHED = "/var/lib/apt/lists/partial"  # the files beside it carry the server's dates
_INSTALLED = "/var/lib/dpkg/status"
_LISTS_COMMAND = ["apt-get", "indextargets", "Created-By: Packages"]
_SIMULATION_COMMAND = ["apt-get", "-s", "-o", "Debug::NoLocking=1", "dist-upgrade"]
_INSTALL_LINE = re.compile(
    r"Inst (?P<name>\S+)"
    r"(?: \[[^\]]*\])?"  # the installed version; a new package has none
    r"(?: \(\S+(?P<origins>.*)\[)?"  # the new version, its origins, its architecture
)
_SECURITY_ORIGIN = re.compile(r"Debian-Security:|.*-security\b")


@dataclass(frozen=True, kw_only=True)
class KeptAnswer:
    """An answer of before, and when it was asked for."""

    asked_at: datetime
    answer: Maybe[PendingUpdates]


def look_for_updates(access: Access) -> SoftwareSection:
    """The section with nothing but the pending updates."""
    return SoftwareSection(pending_updates=_pending_updates(access))


def _pending_updates(access: Access) -> Maybe[PendingUpdates]:
    if not access.is_live:
        return ANOTHER_ROOT
    if not access.programs.has("apt-get"):
        return Unknown("this agent asks only apt yet, and this system has none")
    kept = None if access.ask_anew else _kept_answer(access)
    if kept is not None:
        return kept.answer
    asked = KeptAnswer(asked_at=access.now(), answer=ask_apt(access))
    _keep(access, asked)
    return asked.answer


def ask_apt(access: Access) -> Maybe[PendingUpdates]:
    """What apt would install now, asked as any user and without its lock."""
    asked_at = access.now()
    deadline = time.monotonic() + LIMIT_SECONDS
    lists = _said(access.programs, _LISTS_COMMAND, deadline)
    if isinstance(lists, Unknown):
        return lists
    if not lists.strip():
        return Unknown("apt has no package lists here: it cannot know of updates")
    simulation = _said(access.programs, _SIMULATION_COMMAND, deadline)
    if isinstance(simulation, Unknown):
        return simulation
    names, security_count = parse_simulation(simulation)
    return PendingUpdates(
        count=len(names),
        security_count=security_count,
        names=tuple(names[:_MAX_NAMES]),
        source="apt-get -s dist-upgrade",
        seen_at=asked_at,
        lists_at=access.files.modified_at(_FETCHED),
    )


def parse_simulation(text: str) -> tuple[list[str], int]:
    """Names of the packages that would be installed, and how many of them for security.

    Lines read ``Inst NAME [OLD] (NEW ORIGIN, ORIGIN [ARCHITECTURE])``. One that is not understood
    beyond its name still counts: better an update too many than *nothing to do*.
    """
    lines = [match for match in map(_INSTALL_LINE.match, text.splitlines()) if match]
    security = [line for line in lines if _is_for_security(line["origins"] or "")]
    return [line["name"] for line in lines], len(security)


def _is_for_security(origins: str) -> bool:
    return any(_SECURITY_ORIGIN.match(origin.strip()) for origin in origins.split(","))


def _said(programs: Programs, command: list[str], deadline: float) -> Maybe[str]:
    outcome = programs.run(command, max(0.1, deadline - time.monotonic()))
    if isinstance(outcome, Unknown):
        return outcome
    return outcome.output if outcome.status == 0 else _failure(command, outcome)


def _failure(command: list[str], outcome: Outcome) -> Unknown:
    first = next(iter(outcome.complaint.strip().splitlines()), "nothing said")
    return Unknown(f"{command[0]} ended with status {outcome.status}: {first[:200]}")


def _kept_answer(access: Access) -> KeptAnswer | None:
    """The kept answer, unless it is too old or something changed since."""
    if access.kept_folder is None:
        return None
    problems: list[str] = []
    try:
        content = (access.kept_folder / _KEPT_FILE).read_bytes()
        kept = from_json(KeptAnswer, json.loads(content), problems)
    except (OSError, ValueError, MalformedValueError):
        return None
    if problems:
        return None
    changes = (access.files.modified_at(path) for path in (_FETCHED, _INSTALLED))
    is_unchanged = all(isinstance(at, Unknown) or at <= kept.asked_at for at in changes)
    is_recent = timedelta(0) <= access.now() - kept.asked_at <= KEPT_FOR
    return kept if is_unchanged and is_recent else None


def _keep(access: Access, asked: KeptAnswer) -> None:
    """An answer that cannot be kept is asked for again next time."""
    if access.kept_folder is None:
        return
    try:
        make_private_folder(access.kept_folder)
        write_durably(access.kept_folder / _KEPT_FILE, json.dumps(to_json(asked)).encode())
    except OSError:
        return
