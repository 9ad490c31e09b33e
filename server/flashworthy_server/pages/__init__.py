"""Pages for people: parse a form, call a service, render. Nothing is decided here.

- Everything works without script; nothing inline, so that the content policy can forbid it.
- A page is got, a change is posted; after a change the browser is sent to the page that shows it.
- What cannot be taken is answered with the same page, the reason on top, and what was typed.

- ``forms``: how a change is tried, and what was typed
- ``failures``: pages of what went wrong
- the rest: the pages
"""

from flask import Flask

from flashworthy_server.pages import (
    account,
    codes,
    exceptions,
    jobs,
    machine,
    machines,
    overview,
    packages,
    people,
    places,
    policy,
    reading,
    records,
    releases,
    review,
    settings,
    sign_in,
    tokens,
    visit_work,
    visits,
    weighing,
)
from flashworthy_server.pages import audit as audit
from flashworthy_server.pages.blueprint import blueprint

_MODULES = (
    sign_in,
    overview,
    machines,
    machine,
    review,
    records,
    visits,
    visit_work,
    places,
    releases,
    reading,
    packages,
    jobs,
    settings,
    policy,
    exceptions,
    weighing,
    account,
    people,
    tokens,
    codes,
    audit,
)  # have the routes


def register(app: Flask) -> None:
    """Add the pages to an application."""
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.register_blueprint(blueprint)
