"""What is done in the background: verdicts that are due are formed anew, and jobs are done.

- What is due stands in the database, so a restart loses nothing.
- However many servers run on one database, one of them works at a time, by a lease. A worker that
  dies is followed by another once its lease has run out.
- Lists and counts do not wait for it: they judge a batch of what is due themselves, and say of
  which time what they tell is.
- How the site stands is noted once a round, a row for each day.
- Jobs (`services.jobs`) have a thread of their own, so that neither waits for the other, and each
  job a lease of its own.
"""

import logging
import threading
import uuid
from datetime import timedelta

from flashworthy_server.services import jobs, judgement, long_work, today, visits
from flashworthy_server.site import Site
from flashworthy_server.store import leases

_LEASE = "judgement"
_LEASE_SECONDS = 120  # longer than a batch; two at once do the same twice, and no harm
_log = logging.getLogger(__name__)


class Worker:
    """One worker; every process may have one."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._holder = str(uuid.uuid4())
        self._stop = threading.Event()

    def start(self) -> None:
        """Work in threads of its own, until `stop` or the end of the process."""
        threading.Thread(target=self.work, name="judgement", daemon=True).start()
        threading.Thread(target=self.do_jobs, name="jobs", daemon=True).start()

    def stop(self) -> None:
        """Let the round under way be the last."""
        self._stop.set()

    def work(self) -> None:
        """Round after round; one that fails is told, and the next is tried all the same."""
        while not self._stop.is_set():
            try:
                if judgement.is_due(self._site):
                    self.round()
            except Exception:  # noqa: BLE001  (the boundary: the next round is tried all the same)
                _log.exception("judging in the background failed; it is tried again")
            self._stop.wait(self._site.config.work_pause_seconds)
        with self._site.database.writing() as connection:
            leases.give_back(connection, _LEASE, self._holder)

    def do_jobs(self) -> None:
        """Look for jobs again and again; a look that fails is told, and the next is tried."""
        while not self._stop.is_set():
            try:
                jobs.run_waiting(self._site, long_work.WORKS)
            except Exception:  # noqa: BLE001  (the boundary, as in `work`)
                _log.exception("looking for jobs failed; it is tried again")
            self._stop.wait(self._site.config.jobs_pause_seconds)

    def round(self) -> bool:
        """Judge what is due, and close what is over; false where another worker does so."""
        if not self._take_lease():
            return False
        while judgement.work_some(self._site) and not self._stop.is_set():
            if not self._take_lease():
                return False
        today.note_counts(self._site)
        visits.close_those_over(self._site)
        return True

    def _take_lease(self) -> bool:
        now = self._site.clock()
        until = now + timedelta(seconds=_LEASE_SECONDS)
        with self._site.database.writing() as connection:
            return leases.take_lease(connection, _LEASE, self._holder, now, until)
