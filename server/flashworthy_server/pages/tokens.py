"""Tokens: which programs and people let programs act for them."""

from typing import Any

from flask import Response, render_template

from flashworthy_server.pages.account import MOST_TOKEN_DAYS
from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, or_back_to, text, to_page, whole_number
from flashworthy_server.services import credentials
from flashworthy_server.services.who import PEOPLE, Role
from flashworthy_server.web.context import current_site, current_who


@blueprint.get("/tokens")
def tokens(**shown_once: Any) -> str:
    found = credentials.all_tokens(current_site())
    return render_template("pages/tokens.html", tokens=found, roles=PEOPLE, **shown_once)


@blueprint.post("/tokens")
@or_back_to(tokens)
def make_token() -> str:
    made = credentials.make_token(
        current_site(),
        current_who(),
        text("name"),
        role=choice("role", Role),
        days=whole_number("days", 1, MOST_TOKEN_DAYS),
    )
    return tokens(new_token=made)


@blueprint.post("/tokens/revoke")
def revoke_token() -> Response:
    credentials.revoke_token(current_site(), current_who(), text("name"))
    return to_page("tokens")
