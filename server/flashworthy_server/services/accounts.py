"""People: accounts, their roles, and what lets them in.

- Nobody has a password by default: an account begins with a code that lets its owner set one,
  once, within a few days. A password that was forgotten is replaced in the same way.
- A forgotten password leaves the second factor as it is; it is dropped by itself, by whoever may
  change accounts, and told in the audit trail.
- The last administrator who can sign in cannot be disabled or made less, except at the terminal.
"""

import secrets
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from flashworthy_server.db import Connection
from flashworthy_server.errors import (
    ConflictError,
    InvalidCodeError,
    InvalidInputError,
    NotFoundError,
)
from flashworthy_server.services import audit, passwords, second_factor, sessions
from flashworthy_server.services.credentials import code_digest, code_of
from flashworthy_server.services.names import checked_name, name_key
from flashworthy_server.services.sessions import Visitor
from flashworthy_server.services.who import PEOPLE, Kind, Role, Who
from flashworthy_server.site import Site
from flashworthy_server.store import accounts as store
from flashworthy_server.store.accounts import Account as Account

SETUP_PREFIX = "fwsetup"


@dataclass(frozen=True, slots=True)
class SetUpCode:
    """What lets somebody set the password of an account, once; shown this once."""

    account_id: int
    name: str
    code: str
    hours: int


def add(site: Site, who: Who, name: str, role: Role) -> SetUpCode:
    """A new account without a password.

    Raises:
        InvalidInputError: the name cannot be taken.
        ConflictError: there is an account of this name.
    """
    shown, now = checked_name(name), site.clock()
    with site.database.writing() as connection:
        if store.account_with_key(connection, name_key(shown)):
            raise ConflictError(f"there is an account named {shown!r} already")
        account_id = store.add_account(
            connection, name=shown, key=name_key(shown), role=_of_people(role), created_at=now
        )
        after = {"role": role.value}
        audit.record(connection, who, now, "account.add", f"account {shown}", after=after)
        return _new_code(site, connection, _load(connection, account_id))


def reset(site: Site, who: Who, account_id: int, *, drop_second_factor: bool = False) -> SetUpCode:
    """A code that lets a new password be set; the old one, and all sessions, end at once."""
    with site.database.writing() as connection:
        account = _load(connection, account_id)
        _keep_an_administrator(connection, who, account)
        before, values = {"password": account.password_hash is not None}, {"password_hash": None}
        if drop_second_factor:
            before["second_factor"] = account.totp_secret is not None
            _drop_second_factor(connection, account_id)
        store.change_account(connection, account_id, **values)
        sessions.end_all(connection, account_id)
        _record(site, connection, who, "account.reset", account, before=before)
        return _new_code(site, connection, account)


def set_up(site: Site, address: str | None, name: str, code: str, password: str) -> None:
    """Set the password of an account with the code that lets it be done once.

    Raises:
        InvalidCodeError: the code is not right for the name, used up or expired.
        InvalidInputError: the password cannot be taken; the code can still be used.
    """
    with site.database.reading() as connection:
        _account_of_code(site, connection, name, code)  # before the password costs anything
    passwords.check_new(password, names=(name,))
    password_hash = passwords.hash_of(password)
    with site.database.writing() as connection:
        account = _account_of_code(site, connection, name, code)
        _save_password(connection, account.id, password_hash)
        who = Who(kind=Kind.PERSON, name=account.name, address=address, account_id=account.id)
        _record(site, connection, who, "account.set-up", account)


def change_password(site: Site, visitor: Visitor, old: str, new: str) -> None:
    """Change one's own password; one's other sessions end.

    Raises:
        InvalidInputError: the old one is not right, or the new one cannot be taken.
    """
    account = load(site, visitor.session.account_id)
    if not passwords.matches(old, account.password_hash):
        raise InvalidInputError("old_password", "this is not your password")
    passwords.check_new(new, names=(account.name,))
    password_hash = passwords.hash_of(new)
    with site.database.writing() as connection:
        _save_password(connection, account.id, password_hash)
        _record(site, connection, visitor.who, "account.password", account)
    sessions.end_others(site, visitor)


def change_role(site: Site, who: Who, account_id: int, role: Role) -> None:
    named = _of_people(role)
    with site.database.writing() as connection:
        account = _load(connection, account_id)
        if role is not Role.ADMINISTRATOR:
            _keep_an_administrator(connection, who, account)
        store.change_account(connection, account_id, role=named)
        before, after = {"role": account.role}, {"role": role.value}
        _record(site, connection, who, "account.role", account, before=before, after=after)


def disable(site: Site, who: Who, account_id: int) -> None:
    """Nobody signs in with it any more, its sessions end, and its tokens are worth nothing."""
    with site.database.writing() as connection:
        account = _load(connection, account_id)
        _keep_an_administrator(connection, who, account)
        store.change_account(connection, account_id, disabled_at=site.clock())
        sessions.end_all(connection, account_id)
        _record(site, connection, who, "account.disable", account)


def enable(site: Site, who: Who, account_id: int) -> None:
    with site.database.writing() as connection:
        account = _load(connection, account_id)
        store.change_account(connection, account_id, disabled_at=None)
        _record(site, connection, who, "account.enable", account)


def load(site: Site, account_id: int) -> Account:
    with site.database.reading() as connection:
        return _load(connection, account_id)


def all_accounts(site: Site) -> list[Account]:
    with site.database.reading() as connection:
        return store.load_accounts(connection)


def account_named(site: Site, name: str) -> Account:
    with site.database.reading() as connection:
        account = store.account_with_key(connection, name_key(name))
    if account is None:
        raise NotFoundError(f"there is no account named {name!r}")
    return account


# ---- the second factor ------------------------------------------------------------------------


def begin_second_factor(site: Site, visitor: Visitor) -> None:
    """A new secret, to be read by an authenticator and confirmed by its first code."""
    with site.database.writing() as connection:
        account = _load(connection, visitor.session.account_id)
        store.change_account(connection, account.id, totp_pending=second_factor.new_secret())
        _record(site, connection, visitor.who, "second-factor.prepare", account)


def confirm_second_factor(site: Site, visitor: Visitor, code: str) -> list[str]:
    """From now on a code is asked for; recovery codes, shown this once.

    Raises:
        ConflictError: none was begun.
        InvalidInputError: the code is not right.
    """
    with site.database.writing() as connection:
        account = _load(connection, visitor.session.account_id)
        if account.totp_pending is None:
            raise ConflictError("begin with a new second factor first")
        step = second_factor.step_of(account.totp_pending, code, site.clock(), after=None)
        if step is None:
            raise InvalidInputError("code", "this is not the code that is shown now")
        store.change_account(
            connection,
            account.id,
            totp_secret=account.totp_pending,
            totp_pending=None,
            totp_step=step,
        )
        codes = _new_recovery_codes(connection, account.id)
        _record(site, connection, visitor.who, "second-factor.begin", account)
    sessions.end_others(site, visitor)
    return codes


def renew_recovery_codes(site: Site, visitor: Visitor) -> list[str]:
    """New recovery codes, shown this once; the old ones are worth nothing."""
    with site.database.writing() as connection:
        account = _load(connection, visitor.session.account_id)
        if account.totp_secret is None:
            raise ConflictError("there is no second factor that they could stand in for")
        codes = _new_recovery_codes(connection, account.id)
        _record(site, connection, visitor.who, "recovery-code.renew", account)
    return codes


def end_second_factor(site: Site, visitor: Visitor) -> None:
    """The password alone lets in from now on."""
    with site.database.writing() as connection:
        account = _load(connection, visitor.session.account_id)
        _drop_second_factor(connection, account.id)
        _record(site, connection, visitor.who, "second-factor.end", account)
    sessions.end_others(site, visitor)


def count_recovery_codes(site: Site, account_id: int) -> int:
    with site.database.reading() as connection:
        return store.count_recovery_codes(connection, [account_id]).get(account_id, 0)


# ---- parts ------------------------------------------------------------------------------------


def _new_code(site: Site, connection: Connection, account: Account) -> SetUpCode:
    code, hours = code_of(SETUP_PREFIX), site.config.setup_code_hours
    store.change_account(
        connection,
        account.id,
        setup_digest=code_digest(code),
        setup_expires_at=site.clock() + timedelta(hours=hours),
    )
    return SetUpCode(account.id, account.name, code, hours)


def _account_of_code(site: Site, connection: Connection, name: str, code: str) -> Account:
    account = store.account_with_key(connection, name_key(name))
    if account is None or not _is_its_code(site, account, code):
        raise InvalidCodeError("name and code do not belong together, or the code has expired")
    return account


def _is_its_code(site: Site, account: Account, code: str) -> bool:
    if account.setup_digest is None or account.setup_expires_at is None or account.disabled_at:
        return False
    is_right = secrets.compare_digest(account.setup_digest, code_digest(code))
    return is_right and site.clock() < account.setup_expires_at


def _save_password(connection: Connection, account_id: int, password_hash: str) -> None:
    store.change_account(
        connection,
        account_id,
        password_hash=password_hash,
        setup_digest=None,
        setup_expires_at=None,
    )


def _new_recovery_codes(connection: Connection, account_id: int) -> list[str]:
    codes = second_factor.new_recovery_codes()
    store.replace_recovery_codes(connection, account_id, map(code_digest, codes))
    return codes


def _drop_second_factor(connection: Connection, account_id: int) -> None:
    store.change_account(connection, account_id, totp_secret=None, totp_pending=None)
    store.replace_recovery_codes(connection, account_id, ())


def _keep_an_administrator(connection: Connection, who: Who, account: Account) -> None:
    if who.kind is Kind.TERMINAL or account.role != Role.ADMINISTRATOR.value:
        return
    is_active = account.disabled_at is None and account.password_hash is not None
    if is_active and store.count_active(connection, account.role) == 1:
        raise ConflictError("this is the last administrator who can sign in: name another first")


def _of_people(role: Role) -> str:
    if role not in PEOPLE:
        raise InvalidInputError("role", "expected a role of people")
    return role.value


def _load(connection: Connection, account_id: int) -> Account:
    account = store.load_account(connection, account_id)
    if account is None:
        raise NotFoundError(f"there is no account #{account_id}")
    return account


def _record(
    site: Site, connection: Connection, who: Who, action: str, account: Account, **told: Any
) -> None:
    audit.record(connection, who, site.clock(), action, f"account {account.name}", **told)
