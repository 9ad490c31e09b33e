"""Who may do what: one table, asked before every request.

- A route that is not in the table is refused to everyone.
- Pages know people by their session, the API knows everyone by a token; neither takes the other's.
- A machine's token reaches only what is its own; the routes that it may use see to that with
  `require_own`.
"""

import re
from datetime import datetime

from flask import Flask, current_app, g, request

from flashworthy_server.config import Config
from flashworthy_server.errors import ForbiddenError, InvalidTokenError, SignedOutError
from flashworthy_server.services.credentials import identify
from flashworthy_server.services.sessions import require_proof, visitor_of
from flashworthy_server.services.who import Role, Who, stranger
from flashworthy_server.web import limits, origin
from flashworthy_server.web.context import (
    current_address,
    current_site,
    current_visitor,
    current_who,
)
from flashworthy_server.web.cookies import given_secret

COUNTERS = "flashworthy-counters"  # an extension of the application
PAGES = "pages"  # the blueprint
STYLESHEET = "pages.static"

ANYONE = None  # no token is asked for
VIEWERS = frozenset({Role.VIEWER, Role.TECHNICIAN, Role.ADMINISTRATOR})
TECHNICIANS = frozenset({Role.TECHNICIAN, Role.ADMINISTRATOR})
ADMINISTRATORS = frozenset({Role.ADMINISTRATOR})
MACHINES = frozenset({Role.MACHINE})

MAY: dict[str, frozenset[Role] | None] = {
    "health.healthz": ANYONE,
    "health.readyz": ANYONE,  # says nothing of the site but what fails
    "api-docs.openapi_json": ANYONE,
    "enrolments.enrol": ANYONE,  # the code is what lets it in
    "reports.receive": MACHINES,
    "tokens.rotate": MACHINES,
    "machines.list_machines": VIEWERS,
    "machines.one": VIEWERS,
    "machines.mark": ADMINISTRATORS,
    "machines.history": VIEWERS,
    "machines.verdict": VIEWERS | MACHINES,
    "entries.enter": TECHNICIANS,
    "confirmations.list_all": VIEWERS,
    "confirmations.add": TECHNICIANS,
    "confirmations.withdraw": TECHNICIANS,
    "flashes.list_all": VIEWERS,
    "flashes.start": TECHNICIANS,
    "flashes.done": TECHNICIANS,
    "flashes.give_up": TECHNICIANS,
    "plans.one": VIEWERS | MACHINES,
    "resting.let_rest": TECHNICIANS,
    "resting.ask_again": TECHNICIANS,
    "policies.show": VIEWERS,
    "policies.preview": VIEWERS,
    "policies.set_limits": ADMINISTRATORS,
    "overview.show": VIEWERS,
    "releases.list_all": VIEWERS,
    "releases.add": TECHNICIANS,
    "releases.import_document": TECHNICIANS,
    "releases.one": VIEWERS,
    "releases.change_state": TECHNICIANS,
    "releases.remove": TECHNICIANS,
    "releases.export": VIEWERS,
    "releases.schema": ANYONE,  # says nothing of the site
    "reviews.list_all": VIEWERS,
    "reviews.record": TECHNICIANS,
    "reviews.worklist": VIEWERS,
    "weighing.show": VIEWERS,
    "weighing.change": ADMINISTRATORS,
    "weighing.list_advisories": VIEWERS,
    "weighing.record_advisory": TECHNICIANS,
    "weighing.catalogue": VIEWERS,
    "weighing.import_exploited": TECHNICIANS,
    "exceptions.list_all": VIEWERS,
    "exceptions.add": ADMINISTRATORS,  # who answers for the site decides against what follows
    "exceptions.end": ADMINISTRATORS,
    "symptoms.list_all": VIEWERS,
    "symptoms.add": TECHNICIANS,
    "symptoms.end": TECHNICIANS,
    "packages.list_all": VIEWERS,
    "packages.keep": TECHNICIANS,
    "packages.missing": VIEWERS,
    "packages.one": VIEWERS,
    "packages.remove": TECHNICIANS,
    "packages.download": TECHNICIANS,  # a board dump holds one machine's serial and keys
    "jobs.list_all": VIEWERS,  # one's own; an administrator's are everyone's
    "jobs.one": VIEWERS,
    "jobs.output": VIEWERS,
    "audit.list_entries": ADMINISTRATORS,
    "visits.list_all": VIEWERS,
    "visits.plan": TECHNICIANS,
    "visits.preview": VIEWERS,
    "visits.one": VIEWERS,
    "visits.change": TECHNICIANS,
    "visits.note": TECHNICIANS,
    "visits.end": TECHNICIANS,
    "visits.call_off": TECHNICIANS,
    "visits.carry_over": TECHNICIANS,
    "visits.calendar": VIEWERS,
    "visits.month": VIEWERS,
    "records.story": VIEWERS,
    "places.show_rules": VIEWERS,
    "places.set_rules": TECHNICIANS,
    "places.import_list": TECHNICIANS,
    # Pages
    STYLESHEET: ANYONE,
    "pages.show_sign_in": ANYONE,
    "pages.sign_in": ANYONE,
    "pages.show_set_up": ANYONE,
    "pages.set_up": ANYONE,  # the code is what lets somebody in
    "pages.sign_out": VIEWERS,
    "pages.show_prove": VIEWERS,
    "pages.prove": VIEWERS,
    "pages.overview": VIEWERS,
    "pages.machines": VIEWERS,
    "pages.machines_csv": VIEWERS,
    "pages.show_enter": TECHNICIANS,
    "pages.enter": TECHNICIANS,
    "pages.machine": VIEWERS,
    "pages.report": VIEWERS,
    "pages.move": TECHNICIANS,
    "pages.acknowledge": TECHNICIANS,
    "pages.let_rest": TECHNICIANS,
    "pages.ask_again": TECHNICIANS,
    "pages.confirm": TECHNICIANS,
    "pages.withdraw_confirmation": TECHNICIANS,
    "pages.add_symptom": TECHNICIANS,
    "pages.end_symptom": TECHNICIANS,
    "pages.start_flash": TECHNICIANS,
    "pages.flash_done": TECHNICIANS,
    "pages.give_up_flash": TECHNICIANS,
    "pages.mark": ADMINISTRATORS,
    "pages.take_out": ADMINISTRATORS,
    "pages.put_back": ADMINISTRATORS,
    "pages.revoke_machine_token": ADMINISTRATORS,
    "pages.releases": VIEWERS,
    "pages.release": VIEWERS,
    "pages.new_release": TECHNICIANS,
    "pages.record_release": TECHNICIANS,
    "pages.edit_release": TECHNICIANS,
    "pages.change_release": TECHNICIANS,
    "pages.change_state": TECHNICIANS,
    "pages.remove_release": TECHNICIANS,
    "pages.import_document": TECHNICIANS,
    "pages.compare_document": TECHNICIANS,
    "pages.export_releases": VIEWERS,
    "pages.reading": TECHNICIANS,
    "pages.review": VIEWERS,
    "pages.new_review": TECHNICIANS,
    "pages.record_review": TECHNICIANS,
    "pages.packages": VIEWERS,
    "pages.package": VIEWERS,
    "pages.new_package": TECHNICIANS,
    "pages.keep_package": TECHNICIANS,
    "pages.fetch_package": TECHNICIANS,  # as of the API
    "pages.remove_package": TECHNICIANS,
    "pages.verify_packages": TECHNICIANS,
    "pages.jobs": VIEWERS,  # one's own; an administrator's are everyone's
    "pages.job": VIEWERS,
    "pages.job_output": VIEWERS,
    "pages.record_document": TECHNICIANS,
    "pages.settings": VIEWERS,
    "pages.policy": VIEWERS,
    "pages.try_policy": ADMINISTRATORS,
    "pages.set_policy": ADMINISTRATORS,
    "pages.exceptions": VIEWERS,
    "pages.new_exception": ADMINISTRATORS,
    "pages.make_exception": ADMINISTRATORS,
    "pages.end_exception": ADMINISTRATORS,
    "pages.weighing": VIEWERS,
    "pages.set_weighing": ADMINISTRATORS,
    "pages.record_advisory": TECHNICIANS,
    "pages.import_catalogue": TECHNICIANS,
    "pages.record": VIEWERS,
    "pages.machine_code": VIEWERS,
    "pages.visits": VIEWERS,
    "pages.visits_month": VIEWERS,
    "pages.new_visit": TECHNICIANS,
    "pages.plan_visit": TECHNICIANS,
    "pages.visit": VIEWERS,
    "pages.change_visit": TECHNICIANS,
    "pages.end_visit": TECHNICIANS,
    "pages.call_off_visit": TECHNICIANS,
    "pages.carry_over": TECHNICIANS,
    "pages.tell": TECHNICIANS,
    "pages.visit_sheet": VIEWERS,
    "pages.visit_work": TECHNICIANS,
    "pages.visit_machine": TECHNICIANS,
    "pages.note_started": TECHNICIANS,
    "pages.note_done": TECHNICIANS,
    "pages.note_could_not": TECHNICIANS,
    "pages.confirm_on_the_spot": TECHNICIANS,
    "pages.visit_calendar": VIEWERS,
    "pages.make_calendar": VIEWERS,
    "pages.end_calendar": VIEWERS,
    "pages.calendar_feed": ANYONE,  # its address is the secret
    "pages.places": VIEWERS,
    "pages.set_place_rules": TECHNICIANS,
    "pages.import_places": TECHNICIANS,
    "pages.account": VIEWERS,
    "pages.change_password": VIEWERS,
    "pages.begin_second_factor": VIEWERS,
    "pages.second_factor_picture": VIEWERS,
    "pages.confirm_second_factor": VIEWERS,
    "pages.end_second_factor": VIEWERS,
    "pages.renew_recovery_codes": VIEWERS,
    "pages.end_own_session": VIEWERS,
    "pages.end_other_sessions": VIEWERS,
    "pages.make_own_token": VIEWERS,
    "pages.revoke_own_token": VIEWERS,
    "pages.people": ADMINISTRATORS,
    "pages.add_person": ADMINISTRATORS,
    "pages.person": ADMINISTRATORS,
    "pages.change_role": ADMINISTRATORS,
    "pages.reset_person": ADMINISTRATORS,
    "pages.disable_person": ADMINISTRATORS,
    "pages.enable_person": ADMINISTRATORS,
    "pages.end_session": ADMINISTRATORS,
    "pages.tokens": ADMINISTRATORS,
    "pages.make_token": ADMINISTRATORS,
    "pages.revoke_token": ADMINISTRATORS,
    "pages.codes": ADMINISTRATORS,
    "pages.make_code": ADMINISTRATORS,
    "pages.revoke_code": ADMINISTRATORS,
    "pages.audit": ADMINISTRATORS,
    "pages.audit_entry": ADMINISTRATORS,
    "pages.audit_lines": ADMINISTRATORS,
}

# What changes who can sign in asks for a password that was given just now.
_OF_ACCOUNT = frozenset(
    {
        "pages.account",
        "pages.change_password",
        "pages.begin_second_factor",
        "pages.second_factor_picture",
        "pages.confirm_second_factor",
        "pages.end_second_factor",
        "pages.renew_recovery_codes",
        "pages.end_own_session",
        "pages.end_other_sessions",
        "pages.make_own_token",
        "pages.revoke_own_token",
    }
)
PROVEN = _OF_ACCOUNT | {
    "pages.people",
    "pages.add_person",
    "pages.person",
    "pages.change_role",
    "pages.reset_person",
    "pages.disable_person",
    "pages.enable_person",
    "pages.end_session",
    "pages.tokens",
    "pages.make_token",
    "pages.revoke_token",
}
# Where someone may go who must set up a second factor first.
_WITHOUT_SECOND_FACTOR = _OF_ACCOUNT | {"pages.sign_out", "pages.show_prove", "pages.prove"}

# Forms with a file, and the setting that bounds it. The token stands in the same body as the file:
# none of it is read for somebody who is not signed in, or may not send it.
UPLOADS = {
    "pages.compare_document": "import_body_bytes",
    "pages.import_catalogue": "import_body_bytes",
    "pages.keep_package": "package_bytes",
}

# What these let in is held against the machine's tokens once more before anything is kept.
_CHECKED_LATER = frozenset({"reports.receive"})

_BEARER = re.compile(r"Bearer +(?P<token>[\x21-\x7e]+)", re.IGNORECASE)  # RFC 6750 §2.1


HeldAgainst = tuple[limits.Counters, Config, str, datetime]


def register(app: Flask) -> None:
    app.extensions[COUNTERS] = limits.Counters()
    app.before_request(_check)


def require_own(machine_id: int) -> None:
    """Refuse a machine that asks for another one; people may ask for any."""
    machine = current_who().machine
    if machine is not None and machine.machine_id != machine_id:
        raise ForbiddenError("a machine's token reaches this machine only")


def is_page(endpoint: str | None) -> bool:
    return endpoint is not None and endpoint.startswith(f"{PAGES}.")


def given_token() -> str:
    """The bearer token of the request.

    Raises:
        InvalidTokenError: there is none.
    """
    match = _BEARER.fullmatch(request.headers.get("Authorization", ""))
    if match is None:
        raise InvalidTokenError("expected the header Authorization: Bearer TOKEN")
    return match["token"]


def _check() -> None:
    endpoint = request.endpoint
    g.who = stranger(current_address())
    held_against = _held_against()
    limits.count_address(*held_against)
    if endpoint is None:
        return  # no such route, or no such method on it: answered as such
    if endpoint not in MAY:
        raise ForbiddenError("nobody may do this")
    if is_page(endpoint) and endpoint != STYLESHEET:
        origin.require_trusted_connection()
        if endpoint not in UPLOADS:
            origin.require_own_form()
    if MAY[endpoint] is not ANYONE:
        _let_in(endpoint, held_against)
    if endpoint in UPLOADS:
        origin.require_own_form(getattr(current_site().config, UPLOADS[endpoint]))


def _let_in(endpoint: str, held_against: HeldAgainst) -> None:
    """Find out who asks, and refuse whoever may not do this."""
    try:
        g.who = _visitor() if is_page(endpoint) else _token_holder(endpoint)
    except (InvalidTokenError, SignedOutError):
        limits.count_unknown(*held_against)
        raise
    counters, config, _, now = held_against
    limits.count_who(counters, config, g.who, now)
    if g.who.role not in (MAY[endpoint] or ()):
        raise ForbiddenError(f"not for the role {g.who.role.value}")
    if is_page(endpoint):
        _require_factors(endpoint)


def _held_against() -> HeldAgainst:
    """What every limit is held against."""
    site = current_site()
    return current_app.extensions[COUNTERS], site.config, current_address(), site.clock()


def _token_holder(endpoint: str) -> Who:
    return identify(
        current_site(),
        given_token(),
        current_address(),
        is_checked_later=endpoint in _CHECKED_LATER,
    )


def _visitor() -> Who:
    secret = given_secret()
    if secret is None:
        raise SignedOutError("sign in first")
    g.visitor = visitor_of(current_site(), secret, current_address())
    return current_visitor().who


def _require_factors(endpoint: str) -> None:
    site, visitor = current_site(), current_visitor()
    lacks_factor = site.config.second_factor_required and not visitor.has_second_factor
    if lacks_factor and endpoint not in _WITHOUT_SECOND_FACTOR:
        raise ForbiddenError("this site asks for a second factor: set yours up under Account first")
    if endpoint in PROVEN:
        require_proof(site, visitor)
