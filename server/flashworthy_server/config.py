"""The server's settings: each with its unit, its default, and why it is what it is.

A site's limits for verdicts are no settings of the server; they are its policy
(`flashworthy_common.policy`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from flashworthy_server.errors import ConfigurationError

KIB = 1024  # bytes
MIB = 1024 * KIB


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All settings; names are those of the mapping that `create_app` takes."""

    database: str = "sqlite:///flashworthy.db"  # SQLAlchemy URL; in the folder of the process
    report_body_bytes: int = 256 * KIB  # one report or enrolment, before and after decompression
    import_body_bytes: int = 16 * MIB  # a document of releases: about 10,000 of them
    page_rows: int = 50  # rows of one page where the request names no limit
    most_page_rows: int = 500  # rows of one page at most
    database_wait_seconds: int = 30  # for another writer, before an answer of 503
    reassess_batch_machines: int = 200  # judged again in one transaction, so that reports get in
    changed_shown_days: int = 30  # a version change asks for attention this long


def config_from(mapping: Mapping[str, Any] | None) -> Config:
    """The settings of `mapping`, the rest by default.

    Raises:
        ConfigurationError: a name is unknown, or a value is of another type than its default.
    """
    known = {field.name: type(field.default) for field in fields(Config)}
    for name, value in (mapping or {}).items():
        if name not in known:
            raise ConfigurationError(f"expected a setting of {', '.join(known)}, got {name!r}")
        if type(value) is not known[name]:
            wanted = known[name].__name__
            raise ConfigurationError(f"{name}: expected a value of type {wanted}, got {value!r}")
    return Config(**(mapping or {}))
