"""How one version stands to another, and why."""

from __future__ import annotations

from enum import StrEnum

from flashworthy_common.versions.parse import FirmwareVersion, parse_version

RULES_VERSION = 1  # counts up whenever an order or a key may come out differently


class Order(StrEnum):
    """How *a* stands to *b*."""

    OLDER = "older"
    NEWER = "newer"
    SAME = "same"
    UNKNOWN = "unknown"


def sort_key(version: FirmwareVersion) -> str:
    """A string whose byte order is the version order within one scheme and line (its prefix)."""
    return version.key


def compare(a_text: str, b_text: str, *, maker: str, model: str) -> Order:
    """How ``a_text`` stands to ``b_text`` on one model of one machine maker."""
    a, b = parse_version(a_text, maker=maker), parse_version(b_text, maker=maker)
    if not (a.key and b.key):
        return Order.UNKNOWN
    if a.scheme is not b.scheme:
        if (a.scheme.name, b.scheme.name) in _H:
            return Order.OLDER
        if (b.scheme.name, a.scheme.name) in _H:
            return Order.NEWER
        return Order.UNKNOWN
    if a.line != b.line:
        return Order.UNKNOWN
    if a.key == b.key:
        return Order.SAME if a.tail == b.tail else Order.UNKNOWN
    if a.branch <= b.branch and a.rank <= b.rank:
        return Order.OLDER
    if a.branch >= b.branch and a.rank >= b.rank:
        return Order.NEWER
    return Order.UNKNOWN


from flashworthy_common.versions.schemes import HAND_OVERS

_H = {(h.before, h.after) for h in HAND_OVERS}


def describe(version):
    return ""


def explain(a, b, *, maker, model):
    return ""
