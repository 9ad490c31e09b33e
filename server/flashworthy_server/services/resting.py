"""What asks for attention may rest: a person looked, says why, and until when.

It is then neither counted nor listed under its code, and asks again after its last day. It is
still shown on its machine.
"""

from datetime import date

from flashworthy_common.attention import Acknowledgement, AttentionCode
from flashworthy_common.values import to_json
from flashworthy_server.errors import InvalidInputError, NotFoundError
from flashworthy_server.services import audit
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as store
from flashworthy_server.store import machines as machine_store

LONGEST_REASON = 500  # characters


def let_rest(
    site: Site, who: Who, machine_id: int, code: AttentionCode, reason: str, until: date
) -> Acknowledgement:
    """Let something rest until a day.

    Raises:
        NotFoundError: there is no such machine.
        InvalidInputError: no reason is given, or the day has been.
    """
    now, said = site.clock(), " ".join(reason.split())
    if not said or len(said) > LONGEST_REASON:
        raise InvalidInputError("reason", f"expected why, in 1 to {LONGEST_REASON} characters")
    if until < now.date():
        raise InvalidInputError("until", f"expected today or a later day, got {until}")
    acknowledged = Acknowledgement(by=who.known_as, at=now, reason=said, until=until)
    with site.database.writing() as connection:
        if machine_store.load_machine(connection, machine_id) is None:
            raise NotFoundError(f"there is no machine #{machine_id}")
        store.save_acknowledgement(connection, machine_id, code, acknowledged)
        after = {"code": code.value, **to_json(acknowledged)}
        audit.record(connection, who, now, "attention.rest", f"machine #{machine_id}", after=after)
    return acknowledged


def ask_again(site: Site, who: Who, machine_id: int, code: AttentionCode) -> None:
    """Let it ask for attention again at once.

    Raises:
        NotFoundError: it does not rest.
    """
    now = site.clock()
    with site.database.writing() as connection:
        if not store.drop_acknowledgement(connection, machine_id, code):
            raise NotFoundError(f"{code.value} of machine #{machine_id} does not rest")
        before = {"code": code.value}
        audit.record(
            connection, who, now, "attention.ask-again", f"machine #{machine_id}", before=before
        )
