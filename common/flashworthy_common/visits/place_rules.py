"""Rules that say where machines stand, by their hostnames and by the addresses they report from.

- A rule names a pattern of hostnames (a star stands for any text), a range of addresses, or both;
  then both must fit.
- The first rule that fits says the place; the order is the site's.
- Case does not count in hostnames (RFC 4343).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network

from flashworthy_common.patterns import fits_pattern, fold


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceRule:
    """Where the machines stand that fit."""

    place: str  # names from the outside in, joined by " / "
    hostname: str = ""  # or a pattern of it; empty: any
    addresses: str = ""  # such as 192.0.2.0/24; empty: any

    def fits(self, hostname: str, address: str | None) -> bool:
        fits_name = not self.hostname or fits_pattern(fold(self.hostname), fold(hostname))
        return fits_name and (not self.addresses or _is_within(address, self.addresses))


def place_by_rules(rules: Iterable[PlaceRule], hostname: str, address: str | None) -> str | None:
    """The place by the first rule that fits; none: none does."""
    return next((rule.place for rule in rules if rule.fits(hostname, address)), None)


def problem_of(rule: PlaceRule) -> tuple[str, str] | None:
    """The field that is wrong with a rule and what is expected of it; none: it is right."""
    if not rule.hostname and not rule.addresses:
        return "hostname", "expected a pattern of hostnames, a range of addresses, or both"
    if rule.addresses and _network(rule.addresses) is None:
        expected = "expected a range such as 192.0.2.0/24 or 2001:db8::/32"
        return "addresses", f"{expected}, got {rule.addresses!r:.80}"
    return None


def _is_within(address: str | None, addresses: str) -> bool:
    network = _network(addresses)
    if network is None or not address:
        return False
    try:
        found = ip_address(address)
    except ValueError:
        return False
    mapped = getattr(found, "ipv4_mapped", None)
    return (mapped or found) in network


def _network(text: str) -> IPv4Network | IPv6Network | None:
    try:
        return ip_network(text.strip())
    except ValueError:
        return None
