"""The server's address: TLS anywhere, plain HTTP to this machine itself only."""

import ipaddress
from urllib.parse import urlsplit

from flashworthy_agent.errors import AddressError

_LOOPBACK = (ipaddress.ip_network("127.0.0.0/8"), ipaddress.ip_network("::1/128"))


def canonical_address(text: str) -> str:
    """The server's address without a slash at its end.

    Raises:
        AddressError: not an address, or plain HTTP to another machine.
    """
    expected = f"expected an address such as https://server.example, got {text!r}"
    try:
        parts = urlsplit(text.strip())
        host, _ = parts.hostname, parts.port  # a port that is no number raises
    except ValueError as error:
        raise AddressError(expected) from error
    if parts.scheme not in ("https", "http") or not host or "@" in parts.netloc:
        raise AddressError(expected)
    if parts.query or parts.fragment:
        raise AddressError(f"expected an address without ? or #, got {text!r}")
    if parts.scheme == "http" and not _is_this_machine(host):
        raise AddressError(
            f"expected https://, got {text!r}: plain HTTP would show the token to the network "
            "and is allowed only to this machine itself (127.0.0.1, ::1, localhost)"
        )
    return f"{parts.scheme}://{parts.netloc}{parts.path.rstrip('/')}"


def _is_this_machine(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host == "localhost"
    return any(address in network for network in _LOOPBACK)
