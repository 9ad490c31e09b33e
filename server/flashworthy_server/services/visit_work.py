"""On the spot: what is noted of the machines of a visit, each once however often it is sent.

- The verdict for the spot rests on the newest report: have the agent look, and open the page again.
- Starting and ending a flash are noted as for any machine (`services.flashes`); the machine's own
  report says what came of it.
- A visit that ended takes no more notes.
"""

from collections.abc import Callable
from dataclasses import dataclass

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.readiness import Moment, Verdict
from flashworthy_common.report import Report
from flashworthy_common.visits.progress import Progress
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError
from flashworthy_server.services import audit, confirmations, flashes, judgement
from flashworthy_server.services.machines import load_machine
from flashworthy_server.services.visit_plans import checked_key
from flashworthy_server.services.visits import (
    MachineAtVisit,
    Noted,
    VisitView,
    is_worth_going,
    load_open,
    reason_of,
    view_visit,
)
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import visits as store


@dataclass(frozen=True, slots=True)
class OnTheSpot:
    """One machine of a visit as whoever stands before it sees it."""

    view: VisitView
    machine: MachineAtVisit
    verdict: Verdict | None = None  # for the spot, of now; none before the first report
    report: Report | None = None  # the newest

    @property
    def next(self) -> MachineAtVisit | None:
        """The machine to go to after this one."""
        waiting = [each for each in self.view.machines if is_worth_going(each.state)]
        return next((each for each in waiting if each.id != self.machine.id), None)


def next_machine(view: VisitView) -> MachineAtVisit | None:
    """The first machine that somebody has to go to; none: all that is left comes by itself."""
    return next((each for each in view.machines if is_worth_going(each.state)), None)


def look(site: Site, visit_id: int, machine_id: int) -> OnTheSpot:
    """
    Raises:
        NotFoundError: there is no such visit, or the machine is not in it.
    """
    view = view_visit(site, visit_id)
    machine = view.machine(machine_id)
    with site.database.reading() as connection:
        stored = load_machine(connection, machine_id)
        if stored.newest is None:
            return OnTheSpot(view, machine)
        known = judgement.know(connection, stored, stored.newest)
    verdict = known.verdict(Moment.SPOT, site.clock())
    return OnTheSpot(view, machine, verdict, known.machine.report)


def note_started(
    site: Site, who: Who, visit_id: int, machine_id: int, sent_key: str, to_text: str | None = None
) -> None:
    """A flash is started now, to the next step of the path or to what is named.

    Raises:
        ConflictError: one is under way, or what is flashed is not known.
    """

    def start(connection: Connection, machine: MachineAtVisit) -> tuple[str, int | None]:
        if machine.state.progress is Progress.UNDER_WAY:
            raise ConflictError(f"a flash of it is under way: {machine.state.says}")
        made = flashes.start_within(site, connection, who, machine_id, to_text)
        return f"{made.flash.from_text} -> {made.flash.to_text}, {made.outcome.value}", made.id

    _note(site, who, visit_id, machine_id, Noted.STARTED, sent_key, start)


def note_done(site: Site, who: Who, visit_id: int, machine_id: int, sent_key: str) -> None:
    """It is done by a person's word; the machine's own report closes it.

    Raises:
        ConflictError: no flash of it is under way.
    """

    def end(connection: Connection, machine: MachineAtVisit) -> tuple[str, int | None]:
        made = flashes.note_done_within(site, connection, who, machine_id)
        return made.flash.to_text, None

    _note(site, who, visit_id, machine_id, Noted.DONE, sent_key, end)


def note_could_not(
    site: Site, who: Who, visit_id: int, machine_id: int, sent_key: str, reason: str
) -> None:
    """It could not be done, and why.

    Raises:
        InvalidInputError: it is not said why.
        ConflictError: the machine's own report says that it is done.
    """
    said = reason_of(reason)

    def give_up(connection: Connection, machine: MachineAtVisit) -> tuple[str, int | None]:
        if machine.state.progress is Progress.DONE:
            raise ConflictError(f"its own report says that it is done: {machine.state.says}")
        return said, None

    _note(site, who, visit_id, machine_id, Noted.COULD_NOT, sent_key, give_up)


def confirm(
    site: Site, who: Who, visit_id: int, machine_id: int, sent_key: str, what: Confirmed
) -> None:
    """State what no agent can see of it.

    Raises:
        ConflictError: there is nothing that this word could speak of, or several things.
    """

    def state(connection: Connection, machine: MachineAtVisit) -> tuple[str, int | None]:
        confirmations.confirm_within(site, connection, who, machine_id, what)
        return what.value, None

    _note(site, who, visit_id, machine_id, Noted.CONFIRMED, sent_key, state)


def _note(
    site: Site,
    who: Who,
    visit_id: int,
    machine_id: int,
    what: Noted,
    sent_key: str,
    change: Callable[[Connection, MachineAtVisit], tuple[str, int | None]],
) -> None:
    """Make a change and note it, unless the same form did so before."""
    now = site.clock()
    with site.database.writing() as connection:
        if store.note_of_key(connection, checked_key(sent_key)) is not None:
            return
        machine = load_open(site, connection, visit_id).machine(machine_id)
        says, flash_id = change(connection, machine)
        store.add_note(
            connection,
            visit_id=visit_id,
            machine_id=machine_id,
            what=what.value,
            says=says,
            by=who.known_as,
            at=now,
            flash_id=flash_id,
            sent_key=sent_key,
        )
        after = {"machine": machine_id, "what": what.value, "says": says}
        audit.record(connection, who, now, "visit.note", f"visit #{visit_id}", after=after)
