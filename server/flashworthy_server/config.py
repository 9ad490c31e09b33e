"""The server's settings: each with its unit, its default, and why it is what it is.

A site's limits for verdicts are no settings of the server; they are its policy
(`flashworthy_common.policy`).
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from flashworthy_server.errors import ConfigurationError

KIB = 1024  # bytes
MIB = 1024 * KIB
_OF_OTHERS = 0o077  # rights of the group and of everyone


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All settings; names are those of the mapping that `create_app` takes."""

    database: str = "sqlite:///flashworthy.db"  # SQLAlchemy URL; in the folder of the process
    public_url: str = ""  # where browsers reach it, such as https://flashworthy.example; empty:
    # unknown, and pages are for loopback only
    workers: int = 1  # processes that serve
    threads: int = 8  # requests of one process at the same time
    proxies: int = 0  # that stand before it, and whose X-Forwarded-For is believed

    # What comes in. Too much of it is refused with 413, too often with 429.
    report_body_bytes: int = 256 * KIB  # one report or enrolment, before and after decompression
    import_body_bytes: int = 16 * MIB  # a document of releases: about 10,000 of them
    form_body_bytes: int = 64 * KIB  # one form of a page
    body_ratio: int = 100  # decompressed to compressed; a usual report has 3 to 5
    json_depth: int = 32  # lists and objects within each other; a report has 5
    report_values: int = 20_000  # values of any kind in one report; a usual one has 200
    import_values: int = 2_000_000
    requests_per_minute: int = 600  # of one person or program; each process counts for itself
    machine_requests_per_minute: int = 600  # of one machine's token: a full spool of 500 at once
    address_requests_per_minute: int = 6000  # of one address, whoever asks: a site behind one
    unknown_per_minute: int = 60  # requests of one address that no token or session lets in

    # Signing in. How these hold against guessing stands in `services.throttle`.
    tries_minutes: int = 15  # in which these many passwords are tried, and no more:
    tries_from_address: int = 30  # from one address, whoever is named
    tries_at_account: int = 50  # at one account, from anywhere
    tries_at_account_from_address: int = 10
    session_idle_minutes: int = 60  # NIST SP 800-63B-4 §2.2.3: at most an hour, *from memory*
    session_hours: int = 12  # a working day; the same clause: at most 24 hours
    session_proof_minutes: int = 15  # the password was given: then people and tokens may be changed
    most_sessions: int = 10  # of one account at the same time; the oldest ends
    setup_code_hours: int = 72  # over a weekend
    second_factor_required: bool = False  # of everyone who signs in

    machine_token_days: int = 30  # after which a machine's token is to be replaced

    # Kept firmware packages; see `package_folder`.
    packages: str = "flashworthy-packages"  # folder; a relative one in the folder of the process
    package_bytes: int = 512 * MIB  # one package; a usual one has 5 to 60 MiB
    packages_spare_bytes: int = 1024 * MIB  # stay free on the disk that holds the folder

    # Visits.
    time_zone: str = "UTC"  # in which windows are typed and told, such as Europe/London
    mail_server: str = ""  # host:port to hand messages to (RFC 5321); empty: none are sent
    mail_from: str = ""  # the address that they come from
    mail_user: str = ""  # empty: the server asks for no name and password
    mail_password: str = ""
    most_recipients: int = 50  # of one message

    page_rows: int = 50  # rows of one page where the request names no limit
    most_page_rows: int = 500  # rows of one page at most
    export_batch_machines: int = 2_000  # read at once while all are sent
    database_wait_seconds: int = 30  # for another writer, before an answer of 503
    waiting_reports: int = 200  # of one process; beyond that the answer is 503
    reports_together: int = 100  # in one transaction; more wait for the next
    reassess_batch_machines: int = 300  # judged again in one transaction, so that reports get in
    work_pause_seconds: int = 2  # between two looks for what is due to be judged again
    jobs_pause_seconds: int = 2  # between two looks for long work that somebody asked for
    jobs_kept_days: int = 30  # what came of such work is kept, with its files
    history_months: int = 0  # whole months of reports kept beside this one; 0: all of them
    changed_shown_days: int = 30  # a version change asks for attention this long

    @property
    def is_behind_tls(self) -> bool:
        """Whether browsers reach it by TLS."""
        return self.public_url.startswith("https://")


def load_settings(file: Path) -> dict[str, Any]:
    """Settings by name from a TOML file.

    Raises:
        ConfigurationError: it cannot be read, is no TOML, or is open to other users.
    """
    try:
        if file.stat().st_mode & _OF_OTHERS:
            raise ConfigurationError(f"{file} is open to other users; run: chmod go= {file}")
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigurationError(f"cannot read {file}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{file} is no TOML: {error}") from error


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
    return _checked(Config(**(mapping or {})))


def _checked(config: Config) -> Config:
    parts = urlsplit(config.public_url)
    is_whole = parts.scheme in ("http", "https") and parts.netloc and parts.path in ("", "/")
    if config.public_url and not is_whole:
        raise ConfigurationError(
            "public_url: expected an address without a path, such as"
            f" https://flashworthy.example, got {config.public_url!r}"
        )
    try:
        ZoneInfo(config.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ConfigurationError(
            "time_zone: expected a name of the IANA time zone database, such as Europe/London,"
            f" got {config.time_zone!r}"
        ) from error
    if config.mail_server and not config.mail_from:
        raise ConfigurationError("mail_from: expected the address that messages come from")
    return config
