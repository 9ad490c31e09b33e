"""Which updates the operating system's package manager would install now.

The question costs more than everything else together, so its answer is kept and used again, with
its own time, for some hours; but never past a change of the package lists or of what is installed.
"""

from datetime import datetime

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.kept_updates import KeptAnswer, keep, kept_answer
from flashworthy_agent.probes.linux.packages import manager_of
from flashworthy_common.report import PendingUpdates, SoftwareSection
from flashworthy_common.values import Maybe, Unknown

LIMIT_SECONDS = 60.0  # for all programs together


def look_for_updates(access: Access) -> SoftwareSection:
    """The section with nothing but the pending updates."""
    return SoftwareSection(pending_updates=_pending_updates(access))


def _pending_updates(access: Access) -> Maybe[PendingUpdates]:
    if not access.is_live:
        return ANOTHER_ROOT
    manager = manager_of(access.files)
    if isinstance(manager, Unknown):
        return manager

    def is_unchanged(since: datetime) -> bool:
        changes = (access.files.modified_at(path) for path in manager.changes)
        return all(isinstance(at, Unknown) or at <= since for at in changes)

    if kept := kept_answer(access, is_unchanged):
        return kept.answer
    asked = KeptAnswer(asked_at=access.now(), answer=manager.pending(access, LIMIT_SECONDS))
    keep(access, asked)
    return asked.answer
