"""The API under /api/v1: parse, call a service, answer. Nothing is decided here.

- ``bodies``: request bodies, bounded
- ``problems``: every failure as problem details (RFC 9457)
- ``pages``: cursors and links from one page to the next (RFC 8288)
- the rest: the routes
"""

from typing import Any

from flask import Flask
from flask_smorest import Api

from flashworthy_server.answers import ProblemSchema
from flashworthy_server.api import (
    audit,
    confirmations,
    enrolments,
    entries,
    exceptions,
    flashes,
    health,
    jobs,
    machines,
    overview,
    packages,
    places,
    plans,
    policies,
    problems,
    records,
    releases,
    reports,
    resting,
    reviews,
    symptoms,
    tokens,
    visits,
    weighing,
)

PREFIX = "/api/v1"

_OPENAPI = {
    "API_TITLE": "Flashworthy",
    "API_VERSION": "v1",
    "OPENAPI_VERSION": "3.0.3",
    "OPENAPI_URL_PREFIX": PREFIX,  # the document only: no page that loads scripts
    "API_SPEC_OPTIONS": {
        "components": {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}},
        "security": [{"token": []}],
    },
}


class _ProblemApi(Api):
    """The API with problem details as the one shape of failure, in its document too."""

    ERROR_SCHEMA = ProblemSchema

    def _register_error_handlers(self) -> None:
        """Failures are answered by `problems` on every path, not by flask-smorest."""

    def _register_responses(self) -> None:
        self.DEFAULT_RESPONSE_CONTENT_TYPE = problems.CONTENT_TYPE
        super()._register_responses()
        self.DEFAULT_RESPONSE_CONTENT_TYPE = Api.DEFAULT_RESPONSE_CONTENT_TYPE


_MODULES: tuple[Any, ...] = (
    *(enrolments, tokens, reports, machines, entries, symptoms, overview),
    *(confirmations, flashes, plans, resting, policies),
    *(releases, reviews, weighing, exceptions, packages, audit, jobs),
    *(visits, records, places),
)


def register(app: Flask) -> None:
    """Add the API to an application."""
    app.config.update(_OPENAPI)
    api = _ProblemApi(app)
    for module in _MODULES:
        api.register_blueprint(module.blueprint, url_prefix=PREFIX + module.blueprint.url_prefix)
    app.register_blueprint(health.blueprint)
