"""Sign in, sign out, give the password again, and set it for the first time."""

from typing import Any

from flask import Response, g, render_template, request, url_for

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import or_back_to, own_path, text, to_page, to_path
from flashworthy_server.services import accounts, sessions
from flashworthy_server.services.passwords import ADVISED, SHORTEST
from flashworthy_server.services.sessions import Attempt
from flashworthy_server.web.context import current_address, current_site, current_visitor
from flashworthy_server.web.cookies import give_secret


@blueprint.get("/sign-in")
def show_sign_in() -> str:
    return render_template("pages/sign_in.html", to=_to())


@blueprint.post("/sign-in")
@or_back_to(show_sign_in)
def sign_in() -> Response:
    attempt = Attempt(
        name=text("name"),
        password=text("password"),
        code=text("code"),
        address=current_address(),
        browser=request.headers.get("User-Agent", ""),
    )
    give_secret(sessions.sign_in(current_site(), attempt))
    return to_path(own_path(text("to")))


@blueprint.post("/sign-out")
def sign_out() -> Response:
    sessions.sign_out(current_site(), current_visitor())
    give_secret(None)
    response = to_page("show_sign_in")
    response.headers["Clear-Site-Data"] = '"cache", "storage"'
    return response


@blueprint.get("/prove")
def show_prove() -> str:
    return render_template(
        "pages/prove.html", to=_to(), has_second_factor=current_visitor().has_second_factor
    )


@blueprint.post("/prove")
@or_back_to(show_prove)
def prove() -> Response:
    secret = sessions.prove(current_site(), current_visitor(), text("password"), text("code"))
    give_secret(secret)
    return to_path(own_path(text("to")))


@blueprint.get("/set-up")
def show_set_up() -> str:
    return render_template("pages/set_up.html", shortest=SHORTEST, advised=ADVISED)


@blueprint.post("/set-up")
@or_back_to(show_set_up)
def set_up() -> Any:
    accounts.set_up(current_site(), current_address(), text("name"), text("code"), text("password"))
    return to_page("show_sign_in", to=url_for("pages.overview"))


def _to() -> str:
    """Where the browser goes afterwards."""
    return own_path(text("to") if g.get("error") else request.args.get("to", "/"))
