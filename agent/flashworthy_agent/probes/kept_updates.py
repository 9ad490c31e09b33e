"""What was answered before to the costly question which updates wait, and for how long it does."""

import json
from collections.abc import Callable
from datetime import datetime, timedelta

from flashworthy_agent.durable import make_private_folder, write_durably
from flashworthy_agent.probes.access import Access
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.records import record
from flashworthy_common.report import PendingUpdates
from flashworthy_common.values import Maybe, from_json, to_json

_KEPT_FILE = "pending-updates.json"


@record
class KeptAnswer:
    """An answer of before, and when it was asked for."""

    asked_at: datetime
    answer: Maybe[PendingUpdates]


def kept_answer(access: Access, is_unchanged: Callable[[datetime], bool]) -> KeptAnswer | None:
    """The kept answer, unless it is too old or something changed since it was asked for."""
    if access.kept_folder is None or access.ask_anew:
        return None
    problems: list[str] = []
    try:
        content = (access.kept_folder / _KEPT_FILE).read_bytes()
        kept = from_json(KeptAnswer, json.loads(content), problems)
    except (OSError, ValueError, MalformedValueError):
        return None
    is_recent = timedelta(0) <= access.now() - kept.asked_at <= access.kept_for
    return kept if not problems and is_recent and is_unchanged(kept.asked_at) else None


def keep(access: Access, asked: KeptAnswer) -> None:
    """An answer that cannot be kept is asked for again next time."""
    if access.kept_folder is None:
        return
    try:
        make_private_folder(access.kept_folder)
        write_durably(access.kept_folder / _KEPT_FILE, json.dumps(to_json(asked)).encode())
    except OSError:
        return
