"""Headers of every answer: what browsers may do with it, and that nobody keeps it."""

from flask import Flask, Response

from flashworthy_server.web.cookies import is_behind_tls

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

ALWAYS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def register(app: Flask) -> None:
    app.after_request(_add)


def _add(response: Response) -> Response:
    response.headers.extend(ALWAYS)  # nothing else sets them
    response.headers.setdefault("Cache-Control", "no-store")
    if is_behind_tls():
        response.headers["Strict-Transport-Security"] = (
            f"max-age={_YEAR_SECONDS}; includeSubDomains"
        )
    return response
