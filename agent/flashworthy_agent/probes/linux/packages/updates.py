"""Which updates the operating system's package manager would install now.

The question costs more than everything else together, so its answer is kept and used again, with
its own time, for some hours; but never past a change of the package lists or of what is installed.
"""

import json
from datetime import datetime, timedelta

from flashworthy_agent.durable import make_private_folder, write_durably
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.linux.packages import manager_of
from flashworthy_agent.probes.linux.packages.manager import PackageManager
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.records import record
from flashworthy_common.report import PendingUpdates, SoftwareSection
from flashworthy_common.values import Maybe, Unknown, from_json, to_json

LIMIT_SECONDS = 60.0  # for all programs together
_KEPT_FILE = "pending-updates.json"


@record
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
    manager = manager_of(access.files)
    if isinstance(manager, Unknown):
        return manager
    kept = None if access.ask_anew else _kept_answer(access, manager)
    if kept is not None:
        return kept.answer
    asked = KeptAnswer(asked_at=access.now(), answer=manager.pending(access, LIMIT_SECONDS))
    _keep(access, asked)
    return asked.answer


def _kept_answer(access: Access, manager: PackageManager) -> KeptAnswer | None:
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
    changes = (access.files.modified_at(path) for path in manager.changes)
    is_unchanged = all(isinstance(at, Unknown) or at <= kept.asked_at for at in changes)
    is_recent = timedelta(0) <= access.now() - kept.asked_at <= access.kept_for
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
