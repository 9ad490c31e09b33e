"""Headers of every answer: what browsers may do with it, and that nobody keeps it."""

from typing import Any

from flask import Flask

from flashworthy_server.web.context import EXTENSION

_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "connect-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
_YEAR_SECONDS = 31_536_000  # ASVS 5.0.0, V3.4.1: a year at least, with all names below

_TLS_ALWAYS = f"max-age={_YEAR_SECONDS}; includeSubDomains"

ALWAYS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def register(app: Flask) -> None:
    """Add them to whatever is answered, also by what stands before the routes."""
    application = app.wsgi_app

    def with_headers(environ: Any, start_response: Any) -> Any:
        def start(status: str, headers: list[tuple[str, str]], *failure: Any) -> Any:
            headers.extend(ALWAYS.items())  # nothing else sets them
            if not any(name == "Cache-Control" for name, _ in headers):
                headers.append(("Cache-Control", "no-store"))
            if app.extensions[EXTENSION].config.is_behind_tls:
                headers.append(("Strict-Transport-Security", _TLS_ALWAYS))
            return start_response(status, headers, *failure)

        return application(environ, start)

    app.wsgi_app = with_headers  # type: ignore[method-assign]
