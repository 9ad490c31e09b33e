"""People: who has an account, with what role, and what lets them in."""

from typing import Any

from flask import Response, render_template

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import choice, or_back_to, text, to_page
from flashworthy_server.services import accounts, credentials, sessions
from flashworthy_server.services.who import PEOPLE, Role
from flashworthy_server.web.context import current_site, current_who


@blueprint.get("/people")
def people(**shown_once: Any) -> str:
    found = accounts.all_accounts(current_site())
    return render_template("pages/people.html", people=found, roles=PEOPLE, **shown_once)


@blueprint.post("/people")
@or_back_to(people)
def add_person() -> str:
    made = accounts.add(current_site(), current_who(), text("name"), choice("role", Role))
    return people(new_code=made)


@blueprint.get("/people/<int:account_id>")
def person(account_id: int, **shown_once: Any) -> str:
    site = current_site()
    return render_template(
        "pages/person.html",
        person=accounts.load(site, account_id),
        sessions=sessions.sessions_of(site, account_id),
        tokens=credentials.all_tokens(site, account_id),
        roles=PEOPLE,
        **shown_once,
    )


@blueprint.post("/people/<int:account_id>/role")
@or_back_to(person)
def change_role(account_id: int) -> Response:
    accounts.change_role(current_site(), current_who(), account_id, choice("role", Role))
    return to_page("person", account_id=account_id)


@blueprint.post("/people/<int:account_id>/reset")
@or_back_to(person)
def reset_person(account_id: int) -> str:
    drop = text("drop_second_factor") == "yes"
    made = accounts.reset(current_site(), current_who(), account_id, drop_second_factor=drop)
    return person(account_id, new_code=made)


@blueprint.post("/people/<int:account_id>/disable")
@or_back_to(person)
def disable_person(account_id: int) -> Response:
    accounts.disable(current_site(), current_who(), account_id)
    return to_page("person", account_id=account_id)


@blueprint.post("/people/<int:account_id>/enable")
@or_back_to(person)
def enable_person(account_id: int) -> Response:
    accounts.enable(current_site(), current_who(), account_id)
    return to_page("person", account_id=account_id)


@blueprint.post("/people/<int:account_id>/sessions/<int:session_id>/end")
def end_session(account_id: int, session_id: int) -> Response:
    sessions.end_session(current_site(), current_who(), account_id, session_id)
    return to_page("person", account_id=account_id)
