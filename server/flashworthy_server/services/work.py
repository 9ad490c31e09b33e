"""What is done in the background: judging what is due again, history, and jobs.

- What is due stands in the database, so a restart loses nothing.
- However many servers run on one database, one of them works at a time. A worker that dies is
  followed by another in its next round.
- Lists and counts do not wait for it: they judge a batch of what is due themselves, and say of
  which time what they tell is.
- How the site stands is noted once a round, a row for each day.
- Jobs (`services.jobs`) have a thread of their own, so that neither waits for the other, and each
  job a lease of its own.
"""

import logging
import threading
from datetime import date

from flashworthy_server.services import history, jobs, judgement, long_work, today, visits
from flashworthy_server.site import Site

_TASK = "background"
_log = logging.getLogger(__name__)


class Worker:
    """One worker; every process may have one."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._stop = threading.Event()
        self._in_order: date | None = None  # the month for which history was kept in order

    def start(self) -> None:
        """Work in threads of its own, until `stop` or the end of the process."""
        threading.Thread(target=self.work, name="background", daemon=True).start()
        threading.Thread(target=self.do_jobs, name="jobs", daemon=True).start()

    def stop(self) -> None:
        """Let the round under way be the last."""
        self._stop.set()

    def work(self) -> None:
        """Round after round; one that fails is told, and the next is tried all the same."""
        while not self._stop.is_set():
            try:
                self.round()
            except Exception:  # noqa: BLE001  (the boundary: the next round is tried all the same)
                _log.exception("working in the background failed; it is tried again")
            self._stop.wait(self._site.config.work_pause_seconds)

    def do_jobs(self) -> None:
        """Look for jobs again and again; a look that fails is told, and the next is tried."""
        while not self._stop.is_set():
            try:
                jobs.run_waiting(self._site, long_work.WORKS)
            except Exception:  # noqa: BLE001  (the boundary, as in `work`)
                _log.exception("looking for jobs failed; it is tried again")
            self._stop.wait(self._site.config.jobs_pause_seconds)

    def round(self) -> bool:
        """Do everything that is due; false where another worker is doing so."""
        with self._site.database.alone(_TASK) as is_alone:
            if is_alone:
                self._keep_in_order()
                self._judge()
                visits.close_those_over(self._site)
        return is_alone

    def _judge(self) -> None:
        if judgement.is_due(self._site):
            while judgement.work_some(self._site) and not self._stop.is_set():
                pass
            today.note_counts(self._site)

    def _keep_in_order(self) -> None:
        """Once for each month, and at the start."""
        month = history.month_of(self._site.clock())
        if month != self._in_order:
            history.keep_in_order(self._site)
            self._in_order = month
