"""One's own account: password, second factor, sessions, tokens."""

import io
from typing import Any

import segno
from flask import Response, render_template

from flashworthy_server.errors import NotFoundError
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, or_back_to, text, to_page, whole_number
from flashworthy_server.services import accounts, credentials, second_factor, sessions
from flashworthy_server.services.passwords import ADVISED, SHORTEST
from flashworthy_server.services.who import PEOPLE, Role
from flashworthy_server.web.context import current_site, current_visitor, current_who

MOST_TOKEN_DAYS = 366


@blueprint.get("/account")
def account(**shown_once: Any) -> str:
    site, visitor = current_site(), current_visitor()
    own = visitor.session.account_id
    return render_template(
        "pages/account.html",
        account=accounts.load(site, own),
        recovery_codes_left=accounts.count_recovery_codes(site, own),
        sessions=sessions.sessions_of(site, own),
        this_session=visitor.session.id,
        tokens=credentials.all_tokens(site, own),
        roles=PEOPLE[: PEOPLE.index(visitor.who.role or Role.VIEWER) + 1],
        shortest=SHORTEST,
        advised=ADVISED,
        **shown_once,
    )


@blueprint.post("/account/password")
@or_back_to(account)
def change_password() -> Response:
    accounts.change_password(
        current_site(), current_visitor(), text("old_password"), text("password")
    )
    return to_page("account")


@blueprint.post("/account/second-factor")
def begin_second_factor() -> Response:
    accounts.begin_second_factor(current_site(), current_visitor())
    return to_page("account")


@blueprint.get("/account/second-factor.svg")
def second_factor_picture() -> Response:
    """What an authenticator reads; only until it is confirmed."""
    own = accounts.load(current_site(), current_visitor().session.account_id)
    if own.totp_pending is None:
        raise NotFoundError("no second factor is being set up")
    code = segno.make(second_factor.uri_of(own.totp_pending, own.name), micro=False)
    picture = io.BytesIO()
    code.save(picture, kind="svg", scale=5, light="#fff", dark="#000")
    return Response(picture.getvalue(), content_type="image/svg+xml")


@blueprint.post("/account/second-factor/confirm")
@or_back_to(account)
def confirm_second_factor() -> str:
    codes = accounts.confirm_second_factor(current_site(), current_visitor(), text("code"))
    return account(recovery_codes=codes)


@blueprint.post("/account/second-factor/end")
def end_second_factor() -> Response:
    accounts.end_second_factor(current_site(), current_visitor())
    return to_page("account")


@blueprint.post("/account/recovery-codes")
@or_back_to(account)
def renew_recovery_codes() -> str:
    codes = accounts.renew_recovery_codes(current_site(), current_visitor())
    return account(recovery_codes=codes)


@blueprint.post("/account/sessions/<int:session_id>/end")
def end_own_session(session_id: int) -> Response:
    visitor = current_visitor()
    sessions.end_session(current_site(), visitor.who, visitor.session.account_id, session_id)
    return to_page("account")


@blueprint.post("/account/sessions/end-others")
def end_other_sessions() -> Response:
    sessions.end_others(current_site(), current_visitor())
    return to_page("account")


@blueprint.post("/account/tokens")
@or_back_to(account)
def make_own_token() -> str:
    made = credentials.make_own_token(
        current_site(),
        current_who(),
        text("name"),
        role=choice("role", Role),
        days=whole_number("days", 1, MOST_TOKEN_DAYS),
    )
    return account(new_token=made)


@blueprint.post("/account/tokens/revoke")
def revoke_own_token() -> Response:
    own = current_visitor().session.account_id
    credentials.revoke_token(current_site(), current_who(), text("name"), account_id=own)
    return to_page("account")
