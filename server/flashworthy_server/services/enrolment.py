"""A new agent joins: a code is used up, the machine is recognised, a token is handed out once."""

from dataclasses import dataclass

from flashworthy_common.attention import AttentionCode
from flashworthy_common.values import Unknown
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, InvalidCodeError
from flashworthy_server.services import audit
from flashworthy_server.services.credentials import code_digest, digest_of, new_machine_token
from flashworthy_server.services.places import PlaceBy, canonical_place, note_place
from flashworthy_server.services.recognition import recognise_or_add
from flashworthy_server.services.who import Kind, Who
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import credentials as credential_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.credentials import UsedCode
from flashworthy_server.wire import Application


@dataclass(frozen=True, slots=True)
class Enrolment:
    machine_id: int
    agent_id: str
    token: str


def enrol(site: Site, address: str, application: Application) -> Enrolment:
    """Let an agent join.

    Raises:
        InvalidCodeError: the code is unknown, used up or expired.
        ConflictError: the agent id belongs to another machine.
    """
    now, token = site.clock(), new_machine_token()
    with site.database.writing() as connection:
        used = credential_store.use_code(connection, code_digest(application.code), now)
        if used is None:
            raise InvalidCodeError("the enrolment code is unknown, used up or expired")
        owner = machine_store.machine_of_agent(connection, application.agent_id)
        machine_id, is_new = recognise_or_add(
            connection,
            application.identity,
            agent_id=application.agent_id,
            now=now,
        )
        if owner not in (None, machine_id):
            raise ConflictError("this agent id belongs to another machine: make a new one")
        machine_store.save_agent(
            connection,
            machine_id,
            agent_id=application.agent_id,
            token_digest=digest_of(token),
            now=now,
        )
        place = _place(connection, machine_id, used, application)
        if not is_new:  # it enrolled by itself, which is what the doubt asked for
            attention_store.drop_attention(
                connection, machine_id, AttentionCode.IDENTITY_IN_DOUBT, now
            )
        who = Who(kind=Kind.CODE, name=f"#{used.number}", address=address)
        told = {"agent_id": application.agent_id, "place": place, "is_new": is_new}
        audit.record(connection, who, now, "machine.enrol", f"machine #{machine_id}", after=told)
    return Enrolment(machine_id, application.agent_id, token)


def _place(
    connection: Connection, machine_id: int, used: UsedCode, application: Application
) -> str | None:
    """What the code says of the place, or else the agent; noted."""
    said = application.identity.place
    reported = None if isinstance(said, Unknown) else said
    place = used.place or canonical_place(application.place) or canonical_place(reported)
    by = PlaceBy.CODE if used.place else PlaceBy.AGENT
    (machine,) = machine_store.load_machines(connection, [machine_id])
    note_place(connection, machine, place, by)
    return place
