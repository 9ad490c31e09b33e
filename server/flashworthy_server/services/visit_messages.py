"""What the people concerned are told of a visit: a text to copy, or to send by the site's mail."""

from dataclasses import dataclass

from flashworthy_common.visits.message import SUBJECT, Announcement, message_text
from flashworthy_server.errors import ConflictError, MailError
from flashworthy_server.local_time import window_in_words
from flashworthy_server.mailing import Sent, parse_recipients, send
from flashworthy_server.services import audit
from flashworthy_server.services.visit_plans import VisitPlan, checked_key, plan_of_visit
from flashworthy_server.services.visits import Noted, VisitView, load_open
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import visits as store

_BEGUN = "sending began"


@dataclass(frozen=True, slots=True)
class Message:
    subject: str
    text: str


def message_of(site: Site, view: VisitView, plan: VisitPlan) -> Message:
    """What to tell of the machines that are to be flashed."""
    flashed = [machine for machine in plan.machines if machine.is_to_be_flashed]
    visit = view.visit
    told = Announcement(
        place=visit.place or "",
        window=window_in_words(visit.begins_at, visit.ends_at, site.config.time_zone),
        technician=visit.technician,
        machines=[machine.name for machine in flashed],
        longest_minutes=max((machine.work.minutes for machine in flashed), default=0),
    )
    return Message(SUBJECT, message_text(told))


def send_message(
    site: Site, who: Who, visit_id: int, sent_key: str, recipients_text: str, text: str = ""
) -> Sent:
    """Send the text, or what a person made of it; a form that was sent already sends nothing.

    Raises:
        ConflictError: the site has no mail server, or the visit has ended.
        InvalidInputError: a recipient is no address.
        MailError: the mail server fails; nothing is noted, and it may be tried again.
    """
    if not site.config.mail_server:
        raise ConflictError("no mail server is set: copy the text, or set mail_server")
    recipients = parse_recipients(recipients_text, site.config.most_recipients)
    view, plan = plan_of_visit(site, visit_id)
    message = message_of(site, view, plan)
    note_id = _begin(site, who, visit_id, sent_key)
    if note_id is None:
        return Sent(0)
    body = text.strip().replace("\r\n", "\n") or message.text
    return _send(site, who, visit_id, note_id, recipients, Message(message.subject, body))


def _send(
    site: Site,
    who: Who,
    visit_id: int,
    note_id: int,
    recipients: tuple[str, ...],
    message: Message,
) -> Sent:
    now = site.clock()
    try:
        sent = send(site.config, recipients, message.subject, message.text, now)
    except MailError:
        with site.database.writing() as connection:
            store.drop_note(connection, note_id)
        raise
    taken = [each for each in recipients if each not in sent.refused]
    says = f"by mail: {', '.join(taken)}"
    if sent.refused:
        says += f"; refused: {', '.join(sent.refused)}"
    with site.database.writing() as connection:
        store.change_note(connection, note_id, says)
        after = {"told": taken, "refused": list(sent.refused)}
        audit.record(connection, who, now, "visit.tell", f"visit #{visit_id}", after=after)
    return sent


def _begin(site: Site, who: Who, visit_id: int, sent_key: str) -> int | None:
    """Claim the key before anything leaves; none: the form was sent already."""
    with site.database.writing() as connection:
        if store.note_of_key(connection, checked_key(sent_key)) is not None:
            return None
        load_open(site, connection, visit_id)
        return store.add_note(
            connection,
            visit_id=visit_id,
            machine_id=None,
            what=Noted.TOLD.value,
            says=_BEGUN,
            by=who.known_as,
            at=site.clock(),
            flash_id=None,
            sent_key=sent_key,
        )
