"""The server as a WSGI application: what stands before the routes, the API, and the pages."""

from collections.abc import Callable
from typing import Any

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.routing import IntegerConverter, Map

from flashworthy_server import api, pages, web
from flashworthy_server.api import problems
from flashworthy_server.errors import ServerError
from flashworthy_server.pages import failures
from flashworthy_server.services.machines import HIGHEST_ID
from flashworthy_server.site import Site
from flashworthy_server.web.access import is_page


class _Number(IntegerConverter):
    """A number in a path, no higher than the database can keep."""

    def __init__(self, map: Map, *arguments: Any, **named: Any) -> None:
        super().__init__(map, *arguments, **{"max": HIGHEST_ID, **named})


class _Application(Flask):
    """Flask without asynchronous functions: it asks of each, eight times a request."""

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        return func


def build(site: Site) -> Flask:
    """An application that serves one site."""
    app = _Application(__name__, static_folder=None)
    app.url_map.converters["int"] = _Number
    app.json.sort_keys = False  # type: ignore[attr-defined]
    if site.config.proxies:
        app.wsgi_app = ProxyFix(  # type: ignore[method-assign]
            app.wsgi_app, x_for=site.config.proxies, x_proto=0, x_host=0
        )
    web.register(app, site)
    api.register(app)
    pages.register(app)
    app.register_error_handler(ServerError, _of_ours)
    app.register_error_handler(HTTPException, _of_http)
    return app


def _of_ours(error: ServerError) -> Response:
    return failures.of_ours(error) if _is_for_a_person() else problems.of_ours(error)


def _of_http(error: HTTPException) -> Response:
    return failures.of_http(error) if _is_for_a_person() else problems.of_http(error)


def _is_for_a_person() -> bool:
    """Whether a page is expected; where nothing is served, by what the request says it takes."""
    if request.endpoint is not None:
        return is_page(request.endpoint)
    takes_pages = "text/html" in list(request.accept_mimetypes.values())
    return takes_pages and not request.path.startswith(api.PREFIX)
