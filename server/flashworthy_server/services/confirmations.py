"""Confirmations: a known person states what no agent can see of one machine.

A word speaks of the machine as it is now: its protector, its running version, its target. When
that is another, the word has ended by itself; policy says how long each kind is believed.
"""

from flashworthy_common.confirmations import Confirmation, Confirmed, subjects_now
from flashworthy_common.values import to_json
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, NotFoundError
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.machines import load_machine
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import confirmations as store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.confirmations import StoredConfirmation as StoredConfirmation
from flashworthy_server.store.machines import StoredMachine


def confirm(
    site: Site, who: Who, machine_id: int, what: Confirmed, of: str | None = None
) -> StoredConfirmation:
    """State something of a machine.

    Args:
        of: what the word speaks of; none where there is one such thing only.

    Raises:
        NotFoundError: there is no such machine.
        ConflictError: there is nothing that this word could speak of, or several things.
    """
    with site.database.writing() as connection:
        return confirm_within(site, connection, who, machine_id, what, of)


def confirm_within(
    site: Site,
    connection: Connection,
    who: Who,
    machine_id: int,
    what: Confirmed,
    of: str | None = None,
) -> StoredConfirmation:
    """The same as `confirm`, as a part of a larger change."""
    now, machine = site.clock(), load_machine(connection, machine_id)
    subject = _subject(what, _subjects(connection, machine, what), of)
    confirmation = Confirmation(what=what, of=subject, by=who.known_as, at=now)
    confirmation_id = store.add_confirmation(connection, machine_id, confirmation)
    machine_store.note_own_facts(connection, [machine_id])
    judgement.judge_machines(site, connection, [machine_id], now)
    after = {"confirmation": confirmation_id, "what": what.value, "of": subject}
    audit.record(connection, who, now, "confirmation.add", f"machine #{machine_id}", after=after)
    return StoredConfirmation(confirmation_id, machine_id, confirmation, None)


def withdraw(site: Site, who: Who, machine_id: int, confirmation_id: int) -> None:
    """Take a word back.

    Raises:
        NotFoundError: no word of this number stands.
    """
    now = site.clock()
    with site.database.writing() as connection:
        stored = {each.id: each for each in store.load_confirmations(connection, machine_id)}
        found = stored.get(confirmation_id)
        if found is None or found.withdrawn_at:
            raise NotFoundError(
                f"no confirmation #{confirmation_id} stands of machine #{machine_id}"
            )
        store.withdraw(connection, confirmation_id, now)
        judgement.judge_machines(site, connection, [machine_id], now)
        before = {"confirmation": confirmation_id, **to_json(found.confirmation)}
        audit.record(
            connection, who, now, "confirmation.withdraw", f"machine #{machine_id}", before=before
        )


def confirmations_of(site: Site, machine_id: int) -> list[StoredConfirmation]:
    """Everything that was ever confirmed of a machine, newest first.

    Raises:
        NotFoundError: there is no such machine.
    """
    with site.database.reading() as connection:
        load_machine(connection, machine_id)
        return store.load_confirmations(connection, machine_id)


def to_confirm(site: Site, machine_id: int) -> list[tuple[Confirmed, str]]:
    """What a person could state of a machine as it is now: what, and what of.

    Raises:
        NotFoundError: there is no such machine.
    """
    with site.database.reading() as connection:
        machine = load_machine(connection, machine_id)
        return [(what, of) for what in Confirmed for of in _subjects(connection, machine, what)]


def _subjects(connection: Connection, machine: StoredMachine, what: Confirmed) -> tuple[str, ...]:
    if machine.newest is None:
        return ()
    need = judgement.need_now(connection, machine, machine.newest)
    return subjects_now(
        what,
        machine.newest.report,
        running=need.running,
        target=need.target.version_text if need.target else None,
    )


def _subject(what: Confirmed, subjects: tuple[str, ...], of: str | None) -> str:
    if not subjects:
        raise ConflictError(f"there is nothing on this machine that {what.value} could speak of")
    if of is None and len(subjects) == 1:
        return subjects[0]
    if of not in subjects:
        raise ConflictError(f"of: expected one of {', '.join(subjects)}, got {of!r}")
    return of
