"""Tokens and codes: made here, shown once, kept as digests.

Each kind has a prefix of its own, so that a leaked one is recognised for what it is.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from flashworthy_common.values import write_time
from flashworthy_server.errors import ConflictError, InvalidTokenError, NotFoundError
from flashworthy_server.services import audit
from flashworthy_server.services.places import canonical_place
from flashworthy_server.services.who import Kind, MachineAgent, Role, Who
from flashworthy_server.site import Site
from flashworthy_server.store import credentials as store

TOKEN_PREFIX = "fwtoken_"  # noqa: S105 - what every token begins with
MACHINE_PREFIX = "fwmachine_"
CODE_PREFIX = "fwjoin"

_TOKEN_BYTES = 32  # 256 random bits: too many to guess, so a plain SHA-256 keeps them
_CODE_ALPHABET = "ABCDEFGHJKMNPQRSTVWXYZ0123456789"  # no I, L, O, U: read aloud and typed
_CODE_GROUPS, _CODE_GROUP_LETTERS = 4, 5  # 32 letters each: 100 random bits


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
    expires_at: datetime


def digest_of(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def code_digest(code: str) -> str:
    """The digest of a code as a person typed it: case and separators do not count."""
    return digest_of("".join(filter(str.isalnum, code.casefold())))


def new_machine_token() -> str:
    return MACHINE_PREFIX + secrets.token_urlsafe(_TOKEN_BYTES)


def make_code(site: Site, who: Who, *, uses: int, days: int, place: str | None) -> NewCode:
    """A new enrolment code for `uses` machines within `days` days."""
    now, place = site.clock(), canonical_place(place)
    groups = (
        "".join(secrets.choice(_CODE_ALPHABET) for _ in range(_CODE_GROUP_LETTERS))
        for _ in range(_CODE_GROUPS)
    )
    made = NewCode("-".join((CODE_PREFIX, *groups)), uses, now + timedelta(days=days), place)
    with site.database.writing() as connection:
        number = store.add_code(
            connection,
            code_digest(made.code),
            uses=uses,
            place=place,
            created_at=now,
            expires_at=made.expires_at,
        )
        told = {"uses": uses, "place": place, "expires_at": write_time(made.expires_at)}
        audit.record(connection, who, now, "code.make", f"code #{number}", after=told)
    return made


def make_token(site: Site, who: Who, name: str, *, role: Role, days: int) -> NewToken:
    """A new token for a program, good for `days` days."""
    now = site.clock()
    token = TOKEN_PREFIX + secrets.token_urlsafe(_TOKEN_BYTES)
    made = NewToken(name, token, now + timedelta(days=days))
    with site.database.writing() as connection:
        if store.has_token_named(connection, name):
            raise ConflictError(f"there is a token named {name!r} already; choose another name")
        store.add_token(
            connection,
            name,
            digest_of(token),
            role=role.value,
            created_at=now,
            expires_at=made.expires_at,
        )
        told = {"role": role.value, "expires_at": write_time(made.expires_at)}
        audit.record(connection, who, now, "token.make", f"token {name}", after=told)
    return made


def revoke_token(site: Site, who: Who, name: str) -> None:
    now = site.clock()
    with site.database.writing() as connection:
        if not store.revoke_token(connection, name, now):
            raise NotFoundError(f"there is no token named {name!r} that could be revoked")
        audit.record(connection, who, now, "token.revoke", f"token {name}")


def identify(site: Site, token: str, address: str | None) -> Who:
    """Whose token this is.

    Raises:
        InvalidTokenError: it is unknown, expired or revoked; which of them is not told.
    """
    with site.database.reading() as connection:
        if token.startswith(TOKEN_PREFIX):
            named = store.valid_token(connection, digest_of(token), site.clock())
            if named is not None:
                name, role = named
                return Who(kind=Kind.PROGRAM, name=name, role=Role(role), address=address)
        elif token.startswith(MACHINE_PREFIX):
            found = store.machine_of_token(connection, digest_of(token))
            if found is not None:
                agent = MachineAgent(*found)
                return Who(
                    kind=Kind.MACHINE,
                    name=f"#{agent.machine_id}",
                    role=Role.MACHINE,
                    address=address,
                    machine=agent,
                )
    raise InvalidTokenError("the token is unknown, expired or revoked")
