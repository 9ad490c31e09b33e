"""The one cookie: a random secret that names a session once somebody has signed in.

Before that it only ties forms to the browser that they were sent to. Behind TLS it carries the
prefix ``__Host-`` and `Secure`, so that no other host and no plain HTTP can set or see it.
"""

import hashlib
import hmac

from flask import Flask, Response, g, request

from flashworthy_server.services.sessions import new_secret
from flashworthy_server.web.context import current_site

NAME = "flashworthy"
_LONGEST = 100  # characters


def register(app: Flask) -> None:
    app.after_request(_set)


def given_secret() -> str | None:
    """What the browser sent."""
    secret = request.cookies.get(_name(), "")
    return secret if 0 < len(secret) <= _LONGEST else None


def give_secret(secret: str | None) -> None:
    """What the browser gets with the answer; with none, it forgets what it has."""
    g.secret_to_give = secret


def form_token() -> str:
    """What every form of this browser carries; whoever does not know its secret cannot make it."""
    secret = g.get("secret_to_give") or given_secret()
    if secret is None:
        secret = new_secret()
        give_secret(secret)
    return hmac.new(secret.encode(), b"form", hashlib.sha256).hexdigest()


def _name() -> str:
    return f"__Host-{NAME}" if current_site().config.is_behind_tls else NAME


def _set(response: Response) -> Response:
    if "secret_to_give" not in g:
        return response
    secret: str | None = g.secret_to_give
    response.set_cookie(
        _name(),
        secret or "",
        max_age=0 if secret is None else None,  # none: until the browser ends
        secure=current_site().config.is_behind_tls,
        httponly=True,
        samesite="Lax",
    )
    return response
