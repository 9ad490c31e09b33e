"""Tokens and codes: made here, shown once, kept as digests.

- Each kind has a prefix of its own, so that a leaked one is recognised for what it is.
- A person's token may do what both its own role and the person's allow, and ends with the account.
- A machine's token is replaced on a schedule. The old one stays good until the new one is used, so
  that an agent that is killed before it kept the new one can ask again.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from flashworthy_common.values import write_time
from flashworthy_server.errors import (
    ConflictError,
    ForbiddenError,
    InvalidTokenError,
    NotFoundError,
)
from flashworthy_server.services import audit
from flashworthy_server.services.names import checked_name
from flashworthy_server.services.places import canonical_place
from flashworthy_server.services.who import PEOPLE, Kind, MachineAgent, Role, Who
from flashworthy_server.site import Site
from flashworthy_server.store import credentials as store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.credentials import StoredCode as StoredCode
from flashworthy_server.store.credentials import StoredToken as StoredToken
from flashworthy_server.store.machines import MachineToken

TOKEN_PREFIX = "fwtoken_"  # noqa: S105 - what every token begins with
MACHINE_PREFIX = "fwmachine_"
CODE_PREFIX = "fwjoin"

_TOKEN_BYTES = 32  # 256 random bits: too many to guess, so a plain SHA-256 keeps them
_CODE_ALPHABET = "ABCDEFGHJKMNPQRSTVWXYZ0123456789"  # no I, L, O, U: read aloud and typed
_CODE_GROUPS, _CODE_GROUP_LETTERS = 4, 6  # 32 letters each: 120 random bits
_MOST_SEEN = 100_000  # machines' tokens that are remembered, with some 300 bytes each
_USE_TOLD_AFTER = timedelta(minutes=1)  # a request is no reason to write, unless this has passed


@dataclass(frozen=True, slots=True)
class NewCode:
    code: str
    uses: int
    expires_at: datetime
    place: str | None


@dataclass(frozen=True, slots=True)
class NewToken:
    name: str
    token: str
    role: Role
    expires_at: datetime


def digest_of(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def code_digest(code: str) -> str:
    """The digest of a code as a person typed it: case and separators do not count."""
    return digest_of("".join(filter(str.isalnum, code.casefold())))


def code_of(prefix: str) -> str:
    """A new code, to be read aloud and typed."""
    groups = (
        "".join(secrets.choice(_CODE_ALPHABET) for _ in range(_CODE_GROUP_LETTERS))
        for _ in range(_CODE_GROUPS)
    )
    return "-".join((prefix, *groups))


def new_machine_token() -> str:
    return MACHINE_PREFIX + secrets.token_urlsafe(_TOKEN_BYTES)


# ---- enrolment codes --------------------------------------------------------------------------


def make_code(site: Site, who: Who, *, uses: int, days: int, place: str | None) -> NewCode:
    """A new enrolment code for `uses` machines within `days` days."""
    now, place = site.clock(), canonical_place(place)
    made = NewCode(code_of(CODE_PREFIX), uses, now + timedelta(days=days), place)
    with site.database.writing() as connection:
        number = store.add_code(
            connection,
            digest=code_digest(made.code),
            uses=uses,
            uses_left=uses,
            place=place,
            created_at=now,
            created_by=str(who),
            expires_at=made.expires_at,
        )
        told = {"uses": uses, "place": place, "expires_at": write_time(made.expires_at)}
        audit.record(connection, who, now, "code.make", f"code #{number}", after=told)
    return made


def list_codes(
    site: Site, *, before: int | None, count: int
) -> tuple[list[StoredCode], int | None]:
    """Codes, newest first, and where the next page begins; none can be used by what is told."""
    with site.database.reading() as connection:
        found = store.load_codes(connection, before=before, count=count + 1)
    return found[:count], found[count - 1].id if len(found) > count else None


def revoke_code(site: Site, who: Who, number: int) -> None:
    now = site.clock()
    with site.database.writing() as connection:
        if not store.revoke_code(connection, number, now):
            raise NotFoundError(f"there is no code #{number} that could be revoked")
        audit.record(connection, who, now, "code.revoke", f"code #{number}")


# ---- tokens of people and programs ------------------------------------------------------------


def make_token(site: Site, who: Who, name: str, *, role: Role, days: int) -> NewToken:
    """A new token for a program, good for `days` days."""
    return _make_token(site, who, name, role, days, account_id=None)


def make_own_token(site: Site, who: Who, name: str, *, role: Role, days: int) -> NewToken:
    """A new token for the person who asks, of the same role or a lesser one.

    Raises:
        ForbiddenError: the role is more than the person's own.
    """
    if who.role is None or PEOPLE.index(role) > PEOPLE.index(who.role):
        raise ForbiddenError("a token may do no more than whoever makes it")
    return _make_token(site, who, name, role, days, account_id=who.account_id)


def _make_token(
    site: Site, who: Who, name: str, role: Role, days: int, account_id: int | None
) -> NewToken:
    now, shown = site.clock(), checked_name(name)
    token = TOKEN_PREFIX + secrets.token_urlsafe(_TOKEN_BYTES)
    made = NewToken(shown, token, role, now + timedelta(days=days))
    with site.database.writing() as connection:
        if store.has_token_named(connection, shown):
            raise ConflictError(f"there is a token named {shown!r} already; choose another name")
        store.add_token(
            connection,
            name=shown,
            account_id=account_id,
            digest=digest_of(token),
            role=role.value,
            created_at=now,
            expires_at=made.expires_at,
        )
        told = {"role": role.value, "expires_at": write_time(made.expires_at)}
        audit.record(connection, who, now, "token.make", f"token {shown}", after=told)
    return made


def all_tokens(site: Site, account_id: int | None = None) -> list[StoredToken]:
    """Every token by its name, or those of one account."""
    with site.database.reading() as connection:
        return store.load_tokens(connection, account_id)


def revoke_token(site: Site, who: Who, name: str, *, account_id: int | None = None) -> None:
    """Make a token worthless at once.

    Args:
        account_id: whose it must be; none: anyone's.
    """
    now = site.clock()
    with site.database.writing() as connection:
        if not store.revoke_token(connection, name, now, account_id):
            raise NotFoundError(f"there is no token named {name!r} that could be revoked")
        audit.record(connection, who, now, "token.revoke", f"token {name}")


# ---- machines' tokens -------------------------------------------------------------------------


def rotate_machine_token(site: Site, agent: MachineAgent, presented: str) -> str:
    """A new token for a machine, good at once; the one presented is good until it is used."""
    token, now = new_machine_token(), site.clock()
    with site.database.writing() as connection:
        replaced = machine_store.replace_token(
            connection,
            agent.machine_id,
            presented=digest_of(presented),
            new=digest_of(token),
            now=now,
        )
        if not replaced:
            raise InvalidTokenError("the machine has a newer agent")
    return token


def revoke_machine_token(site: Site, who: Who, machine_id: int) -> None:
    """The machine must enrol again before it reports."""
    with site.database.writing() as connection:
        if not machine_store.revoke_token(connection, machine_id):
            raise NotFoundError(f"machine #{machine_id} has no token that could be revoked")
        subject = f"machine #{machine_id}"
        audit.record(connection, who, site.clock(), "machine.revoke-token", subject)


# ---- whose is it ------------------------------------------------------------------------------


def identify(site: Site, token: str, address: str | None, *, is_checked_later: bool = False) -> Who:
    """Whose token this is.

    Args:
        is_checked_later: a machine's token may be taken for what it was when it was seen last:
            whatever it lets in is held against the machine's tokens before anything is kept.

    Raises:
        InvalidTokenError: it is unknown, expired or revoked; which of them is not told.
    """
    who = None
    if token.startswith(TOKEN_PREFIX):
        who = _of_people(site, token, address)
    elif token.startswith(MACHINE_PREFIX):
        who = _of_machine(site, digest_of(token), address, is_checked_later)
    if who is None:
        raise InvalidTokenError("the token is unknown, expired or revoked")
    return who


def _of_people(site: Site, token: str, address: str | None) -> Who | None:
    now = site.clock()
    with site.database.reading() as connection:
        found = store.valid_token(connection, digest_of(token), now)
    if found is None:
        return None
    if found.used_at is None or now - found.used_at >= _USE_TOLD_AFTER:
        with site.database.writing() as connection:
            store.note_use(connection, found.id, now)
    role = Role(found.role)
    if found.account_id is None:
        return Who(kind=Kind.PROGRAM, name=found.name, role=role, address=address)
    least = min(role, Role(found.account_role), key=PEOPLE.index)
    return Who(
        kind=Kind.PERSON,
        name=found.account_name or "",
        role=least,
        address=address,
        account_id=found.account_id,
    )


def _of_machine(site: Site, digest: str, address: str | None, is_checked_later: bool) -> Who | None:
    seen: MachineToken | None = site.seen_tokens.get(digest) if is_checked_later else None
    found = seen or _load_machine_token(site, digest)
    if found is None:
        return None
    rotate = _is_rotation_due(site, found)
    agent = MachineAgent(found.machine_id, found.agent_id, rotate, digest)
    name = f"#{agent.machine_id}"
    return Who(kind=Kind.MACHINE, name=name, role=Role.MACHINE, address=address, machine=agent)


def _load_machine_token(site: Site, digest: str) -> MachineToken | None:
    """What the database knows of a machine's token; seen in use, it ends the one before it."""
    with site.database.asking() as connection:
        found = machine_store.machine_of_token(connection, digest)
    if found is not None and found.has_old and not found.is_old:
        with site.database.writing() as connection:
            machine_store.drop_old_token(connection, found.machine_id, digest)
    if found is not None and not found.has_old:  # the machine's only one
        if len(site.seen_tokens) >= _MOST_SEEN:
            site.seen_tokens.clear()
        site.seen_tokens[digest] = found
    return found


def forget_token(site: Site, digest: str) -> None:
    """A token that was seen before is no longer what it was."""
    site.seen_tokens.pop(digest, None)


def _is_rotation_due(site: Site, token: MachineToken) -> bool:
    """Whether the machine should ask for a new one: it is old, or replaced already."""
    span = timedelta(days=site.config.machine_token_days)
    return token.is_old or token.made_at is None or site.clock() - token.made_at >= span
