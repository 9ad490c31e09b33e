"""Reports that wait to be sent, one file each, in the order in which they were made.

- A report is in the spool whole or not at all; a file that is still being written has another
  name and is not seen.
- The spool is bounded. What must go is the oldest report that the schedule made, for nobody
  waits for it; it is counted before it is removed, and the next report tells the server.
- A report that the server refuses for good is set aside, with the reason beside it.
"""

import gzip
import json
import os
import re
from pathlib import Path
from typing import NamedTuple

from flashworthy_agent.durable import (
    make_private_folder,
    remove_unfinished,
    sync_folder,
    write_durably,
)
from flashworthy_agent.encode import encode_report
from flashworthy_agent.state import StateFolder
from flashworthy_common.report import Report, Why

MAX_REPORTS = 500  # waiting; three weeks of an hourly schedule
MAX_BYTES = 50_000_000  # waiting, as stored
MAX_SET_ASIDE = 100  # reports

_NAME = re.compile(
    r"(?P<sequence>[0-9]{12,})_(?P<why>[a-z-]+)_(?P<report_id>[0-9a-f-]{36})\.json\.gz"
)
_REASON = ".reason.txt"  # end of the name of the file that says why


class Waiting(NamedTuple):
    """One report in the spool."""

    path: Path
    sequence: int
    why: Why
    report_id: str

    def body(self) -> bytes:
        """The report's JSON, gzipped."""
        return self.path.read_bytes()

    def body_as(self, wire: int) -> bytes:
        """The same, labelled as another version of the wire."""
        report = json.loads(gzip.decompress(self.body()))
        return _packed(json.dumps(report | {"wire": wire}, ensure_ascii=False))

    def agent_id(self) -> str:
        """Whose report it is."""
        return str(json.loads(gzip.decompress(self.body()))["agent_id"])


class Spool:
    """The reports of one agent that wait, and those set aside."""

    def __init__(
        self, state: StateFolder, *, max_reports: int = MAX_REPORTS, max_bytes: int = MAX_BYTES
    ) -> None:
        self._state = state
        self._max_reports = max_reports
        self._max_bytes = max_bytes

    def waiting(self) -> list[Waiting]:
        """What waits, oldest first."""
        return _reports_in(self._state.spool_folder)

    def set_aside(self) -> list[tuple[Waiting, str]]:
        """What was refused for good, oldest first, each with the reason."""
        return [(report, _reason(report)) for report in _reports_in(self._state.set_aside_folder)]

    def add(self, report: Report) -> Waiting:
        """Keep `report` until it is sent; to be called under the state folder's lock."""
        folder = self._state.spool_folder
        make_private_folder(folder)
        self._clear_away()
        name = f"{report.sequence:012d}_{report.why.value}_{report.report_id}.json.gz"
        body = _packed(encode_report(report))
        self._make_room(len(body))
        write_durably(folder / name, body)
        return Waiting(folder / name, report.sequence, report.why, report.report_id)

    def remove(self, report: Waiting) -> None:
        """Forget a report that the server has; to be called under the lock, as is `put_aside`."""
        report.path.unlink(missing_ok=True)

    def put_aside(self, report: Waiting, reason: str) -> None:
        """Take a report that is refused for good out of the way, with the reason beside it."""
        folder = self._state.set_aside_folder
        make_private_folder(folder)
        self._forget(_reports_in(folder)[: -MAX_SET_ASIDE + 1])
        target = folder / report.path.name
        write_durably(_reason_file(target), f"{reason}\n".encode())
        os.replace(report.path, target)
        sync_folder(folder)
        sync_folder(report.path.parent)

    def queue_again(self, agent_id: str) -> int:
        """Let what was set aside wait once more: how many; to be called under the lock.

        Reports of another agent stay aside: the server would not take them from this one.
        """
        make_private_folder(self._state.spool_folder)
        mine = [one for one, _ in self.set_aside() if one.agent_id() == agent_id]
        for report in mine:
            _reason_file(report.path).unlink(missing_ok=True)
            os.replace(report.path, self._state.spool_folder / report.path.name)
        for folder in (self._state.spool_folder, self._state.set_aside_folder) if mine else ():
            sync_folder(folder)
        return len(mine)

    def _make_room(self, needed_bytes: int) -> None:
        """Drop, and count, what is too much once a report of `needed_bytes` is added."""
        droppable = sorted(self.waiting(), key=lambda report: report.why is not Why.SCHEDULE)
        sizes = [report.path.stat().st_size for report in droppable]
        count, total = len(droppable), sum(sizes) + needed_bytes
        drop = 0
        while drop < count and (count - drop >= self._max_reports or total > self._max_bytes):
            total -= sizes[drop]
            drop += 1
        self._forget(droppable[:drop])

    def _clear_away(self) -> None:
        """What a killed run left: half files, and reasons whose report is not there."""
        for folder in (self._state.spool_folder, self._state.set_aside_folder):
            remove_unfinished(folder)
        reasons = {_reason_file(report.path) for report, _ in self.set_aside()}
        for file in set(self._state.set_aside_folder.glob(f"*{_REASON}")) - reasons:
            file.unlink(missing_ok=True)

    def _forget(self, reports: list[Waiting]) -> None:
        if not reports:
            return
        state = self._state.load()
        counted = state.dropped_reports if state else 0
        self._state.change(dropped_reports=counted + len(reports))
        for report in reports:
            report.path.unlink(missing_ok=True)
            _reason_file(report.path).unlink(missing_ok=True)


def _packed(text: str) -> bytes:
    return gzip.compress(text.encode(), mtime=0)


def _reason(report: Waiting) -> str:
    try:
        return _reason_file(report.path).read_text("utf-8", "replace").strip()
    except OSError as error:
        return f"its reason cannot be read: {error.strerror}"


def _reason_file(report: Path) -> Path:
    return report.with_name(report.name.removesuffix(".json.gz") + _REASON)


def _reports_in(folder: Path) -> list[Waiting]:
    if not folder.is_dir():
        return []
    named = [(path, _NAME.fullmatch(path.name)) for path in sorted(folder.iterdir())]
    known = {why.value for why in Why}
    return [
        Waiting(path, int(match["sequence"]), Why(match["why"]), match["report_id"])
        for path, match in named
        if match and match["why"] in known
    ]
