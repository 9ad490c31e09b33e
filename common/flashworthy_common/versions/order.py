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
    return f"{version.scheme}|{version.line}|{version.key or version.text}"


def compare(a_text: str, b_text: str, *, maker: str, model: str) -> Order:
    """How ``a_text`` stands to ``b_text`` on one model of one machine maker."""
    a, b = parse_version(a_text, maker=maker), parse_version(b_text, maker=maker)
    if a.key is None or b.key is None or (a.scheme, a.line) != (b.scheme, b.line):
        return Order.UNKNOWN
    if a.key == b.key:
        return Order.SAME
    return Order.OLDER if a.key < b.key else Order.NEWER


def describe(version: FirmwareVersion) -> str:
    """One version in words: ``read as: line K1, revision 1B``."""
    if version.key is None:
        return f"not read: {version.text!r} fits no known scheme"
    parts = ", ".join(f"{name.partition('_')[2]} {part}" for name, part in version.parts if part)
    return f"read as: {parts}"


def explain(a_text: str, b_text: str, *, maker: str, model: str) -> str:
    """The answer of ``compare`` and its reason, in one sentence."""
    a, b = parse_version(a_text, maker=maker), parse_version(b_text, maker=maker)
    if a.key is None or b.key is None:
        unread = a if a.key is None else b
        return f"Unknown: {unread.text!r} fits no known scheme."
    if a.scheme != b.scheme:
        return f"Unknown: {a.text!r} is of scheme {a.scheme}, {b.text!r} of scheme {b.scheme}."
    if a.line != b.line:
        return f"Unknown: {a.text!r} is of line {a.line}, {b.text!r} of line {b.line}."
    order = compare(a_text, b_text, maker=maker, model=model)
    return f"{a.text!r} is {order} than {b.text!r} by the scheme {a.scheme}."
