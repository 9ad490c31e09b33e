"""Where a request to a page comes from: this site's own pages, over a connection to be trusted.

- A form must carry the token that was put into it, and a browser that tells where the form stood
  must tell of this site (Fetch Metadata, and the Origin header of RFC 6454).
- Pages are served over plain HTTP to loopback only: passwords and sessions would be open to
  whoever listens.
"""

import hmac
from ipaddress import ip_address
from urllib.parse import urlsplit

from flask import request

from flashworthy_server.errors import ForbiddenError
from flashworthy_server.web.context import current_address, current_site
from flashworthy_server.web.cookies import form_token, given_secret

FORM_FIELD = "form_token"
_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})  # RFC 9110 §9.2.1
_OF_PROXIES = ("Forwarded", "X-Forwarded-For", "X-Forwarded-Proto", "X-Forwarded-Host")


def require_trusted_connection() -> None:
    """Refuse a page over plain HTTP, but to loopback."""
    if current_site().config.is_behind_tls:
        return
    if any(name in request.headers for name in _OF_PROXIES):
        raise ForbiddenError(
            "a proxy stands before this server: start it with --proxies and its --public-url"
        )
    if not _is_loopback(current_address()):
        raise ForbiddenError(
            "pages are served over plain HTTP to loopback only: put a proxy with TLS before this"
            " server, and start it with --proxies and its --public-url"
        )


def require_own_form(file_bytes: int = 0) -> None:
    """Refuse a change that does not come from one of this site's own forms.

    Args:
        file_bytes: of the file that may come with it.
    """
    if request.method in _SAFE_METHODS:
        return
    if not _is_from_here():
        raise ForbiddenError("the form was not sent by a page of this site")
    request.max_content_length = current_site().config.form_body_bytes + file_bytes
    given = request.form.get(FORM_FIELD, "")
    if given_secret() is None or not hmac.compare_digest(given.encode(), form_token().encode()):
        raise ForbiddenError("the form is too old, or not of this browser: open it again")


def _is_from_here() -> bool:
    fetched_from = request.headers.get("Sec-Fetch-Site")
    if fetched_from is not None:
        return fetched_from in ("same-origin", "none")
    origin = request.headers.get("Origin")
    if origin is None:
        return True  # an old browser: the token alone decides
    public_url = current_site().config.public_url
    here = urlsplit(public_url).netloc if public_url else request.host
    return urlsplit(origin).netloc == here


def _is_loopback(address: str | None) -> bool:
    try:
        return ip_address(address or "").is_loopback
    except ValueError:
        return False
