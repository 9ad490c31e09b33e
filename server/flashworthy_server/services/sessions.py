"""Signing in and out: a session is a long random value that only its digest is kept of.

- It ends when it was not used for a while, at a fixed time after it began, by signing out, by
  whoever may end it, and with its account.
- A new one is made at every sign-in and whenever the password is given again; the one before is
  worthless then.
- Which of name, password and code was wrong is not told, and takes the same time.
- What may change who can sign in asks for the password again, unless it was given just now.
"""

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from flashworthy_server.db import Connection
from flashworthy_server.errors import (
    NotFoundError,
    ProofNeededError,
    SignedOutError,
    SignInError,
)
from flashworthy_server.services import audit, passwords, second_factor, throttle
from flashworthy_server.services.credentials import code_digest, digest_of
from flashworthy_server.services.names import name_key
from flashworthy_server.services.throttle import Try
from flashworthy_server.services.who import Kind, Role, Who, stranger
from flashworthy_server.site import Site
from flashworthy_server.store import accounts as account_store
from flashworthy_server.store import sessions as store
from flashworthy_server.store.accounts import Account
from flashworthy_server.store.sessions import Session as Session

_SECRET_BYTES = 32  # 256 random bits
_USE_TOLD_AFTER = timedelta(minutes=1)  # a page is no reason to write, unless this has passed
_LONGEST_BROWSER = 200  # characters


@dataclass(frozen=True, slots=True)
class Attempt:
    """What somebody gives to sign in, and where from."""

    name: str
    password: str
    code: str  # of the second factor, or a recovery code; empty: none was given
    address: str
    browser: str


@dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody who is signed in."""

    who: Who
    session: Session
    has_second_factor: bool


def new_secret() -> str:
    return secrets.token_urlsafe(_SECRET_BYTES)


def sign_in(site: Site, attempt: Attempt) -> str:
    """The secret of a new session.

    Raises:
        TooManyError: the password was not even looked at.
        SignInError: something of it is wrong.
    """
    account = _tried(site, attempt)
    is_right = passwords.matches(attempt.password, account.password_hash if account else None)
    if account is None or not is_right:
        raise _refused(site, attempt, account, "password")
    with site.database.writing() as connection:
        current = account_store.load_account(connection, account.id)
        is_right = current is not None and _lets_in(connection, current, account, attempt, site)
        if is_right:
            return _begin(site, connection, account, attempt)
    raise _refused(site, attempt, account, "second factor")


def prove(site: Site, visitor: Visitor, password: str, code: str) -> str:
    """Give the password again; the secret of the session that takes the place of this one.

    Raises:
        TooManyError, SignInError: as `sign_in`.
    """
    session = visitor.session
    attempt = Attempt(visitor.who.name, password, code, visitor.who.address or "", session.browser)
    secret = sign_in(site, attempt)
    with site.database.writing() as connection:
        store.end_sessions(connection, [session.id])
        store.date_back(connection, digest_of(secret), session.created_at)
    return secret


def visitor_of(site: Site, secret: str, address: str | None) -> Visitor:
    """Who is signed in with a secret.

    Raises:
        SignedOutError: nobody, or no longer.
    """
    now = site.clock()
    session, account = _signed_in(site, secret)
    created, used = _ends(site, now)
    if session.created_at <= created or session.used_at <= used:
        raise SignedOutError("the session has ended: sign in again")
    if now - session.used_at >= _USE_TOLD_AFTER:
        with site.database.writing() as connection:
            store.change_session(connection, session.id, used_at=now)
    return Visitor(_person(account, address), session, account.totp_secret is not None)


def _signed_in(site: Site, secret: str) -> tuple[Session, Account]:
    with site.database.reading() as connection:
        session = store.session_with_digest(connection, digest_of(secret))
        if session is not None:
            account = account_store.load_account(connection, session.account_id)
            if account is not None and account.disabled_at is None:
                return session, account
    raise SignedOutError("sign in first")


def require_proof(site: Site, visitor: Visitor) -> None:
    """Raise `ProofNeededError` unless the password was given just now."""
    span = timedelta(minutes=site.config.session_proof_minutes)
    if site.clock() - visitor.session.proven_at > span:
        raise ProofNeededError("give your password again before you change this")


def sign_out(site: Site, visitor: Visitor) -> None:
    _end(site, visitor.who, [visitor.session], "session.end")


def sessions_of(site: Site, account_id: int) -> list[Session]:
    """The sessions of an account that have not ended."""
    created, used = _ends(site, site.clock())
    with site.database.reading() as connection:
        found = store.sessions_of(connection, account_id)
    return [each for each in found if each.created_at > created and each.used_at > used]


def end_session(site: Site, who: Who, account_id: int, session_id: int) -> None:
    """End one session of an account.

    Raises:
        NotFoundError: the account has no such session.
    """
    found = [each for each in sessions_of(site, account_id) if each.id == session_id]
    if not found:
        raise NotFoundError(f"there is no session #{session_id}")
    _end(site, who, found, "session.revoke")


def end_others(site: Site, visitor: Visitor) -> None:
    """End every session of the account but this one."""
    found = sessions_of(site, visitor.session.account_id)
    others = [each for each in found if each.id != visitor.session.id]
    _end(site, visitor.who, others, "session.revoke")


def end_all(connection: Connection, account_id: int) -> None:
    """End every session of an account, in the transaction of what is the reason for it."""
    found = store.sessions_of(connection, account_id)
    store.end_sessions(connection, [each.id for each in found])


def _tried(site: Site, attempt: Attempt) -> Account | None:
    """Count a try; the account that it is at, if there is one that can be signed in to."""
    key, now = name_key(attempt.name), site.clock()
    with site.database.writing() as connection:
        account = account_store.account_with_key(connection, key)
        wait = throttle.count(connection, site.config, _try(connection, account, attempt), now)
    if wait is not None:
        raise throttle.too_many(wait)
    return account if account is not None and account.disabled_at is None else None


def _try(connection: Connection, account: Account | None, attempt: Attempt) -> Try:
    is_known = account is not None and store.has_session_from(
        connection, account.id, attempt.address
    )
    # A name that nobody has is counted by its digest: people type passwords into the wrong field.
    at = f"#{account.id}" if account else digest_of(name_key(attempt.name))
    return Try(attempt.address, at, is_known)


def _lets_in(
    connection: Connection, current: Account, seen: Account, attempt: Attempt, site: Site
) -> bool:
    """Whether the account is still as its password was compared, and the second factor holds."""
    if current.disabled_at is not None or current.password_hash != seen.password_hash:
        return False
    if current.totp_secret is None:
        return True
    step = second_factor.step_of(
        current.totp_secret, attempt.code, site.clock(), after=current.totp_step
    )
    if step is not None:
        account_store.change_account(connection, current.id, totp_step=step)
        return True
    digest = code_digest(attempt.code)
    if not account_store.use_recovery_code(connection, current.id, digest):
        return False
    who = _person(current, attempt.address)
    audit.record(connection, who, site.clock(), "recovery-code.use", f"account {current.name}")
    return True


def _begin(site: Site, connection: Connection, account: Account, attempt: Attempt) -> str:
    now, secret = site.clock(), new_secret()
    throttle.forgive(connection, _try(connection, account, attempt))
    created, used = _ends(site, now)
    store.end_before(connection, created=created, used=used)
    older = store.sessions_of(connection, account.id)[site.config.most_sessions - 1 :]
    store.end_sessions(connection, [each.id for each in older])
    session_id = store.add_session(
        connection,
        digest=digest_of(secret),
        account_id=account.id,
        created_at=now,
        used_at=now,
        proven_at=now,
        address=attempt.address,
        browser=attempt.browser[:_LONGEST_BROWSER],
    )
    who = _person(account, attempt.address)
    factors = ["password"] + (["second factor"] if account.totp_secret else [])
    told = {"session": session_id, "by": factors}
    audit.record(connection, who, now, "session.begin", f"account {account.name}", after=told)
    return secret


def _refused(site: Site, attempt: Attempt, account: Account | None, what: str) -> SignInError:
    subject = f"account {account.name}" if account else "an account that is not there"
    with site.database.writing() as connection:
        who = stranger(attempt.address)
        audit.record(
            connection, who, site.clock(), "session.refuse", subject, after={"wrong": what}
        )
    return SignInError("name, password or code are not right")


def _end(site: Site, who: Who, sessions: list[Session], action: str) -> None:
    with site.database.writing() as connection:
        store.end_sessions(connection, [each.id for each in sessions])
        for each in sessions:
            audit.record(connection, who, site.clock(), action, f"session #{each.id}")


def _ends(site: Site, now: datetime) -> tuple[datetime, datetime]:
    """Sessions that began, or were used last, by then have ended."""
    config = site.config
    return (
        now - timedelta(hours=config.session_hours),
        now - timedelta(minutes=config.session_idle_minutes),
    )


def _person(account: Account, address: str | None) -> Who:
    return Who(
        kind=Kind.PERSON,
        name=account.name,
        role=Role(account.role),
        address=address,
        account_id=account.id,
    )
