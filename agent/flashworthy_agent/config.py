"""The agent's settings: one TOML file, each key with its unit, its default, and what it is for.

- A key may also come from the environment, as ``FLASHWORTHY_`` and its name in capitals; the
  environment outranks the file.
- A key that is not known is refused by name, with the known one that is most like it.
- A file that others can write is refused, and so is one that belongs to somebody else: who writes
  it decides where this machine reports to.
- Nothing secret belongs here; a proxy address with a password is refused.
"""

import hashlib
import json
import os
import stat
from collections.abc import Callable, Mapping
from dataclasses import asdict, field, fields
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from flashworthy_agent.address import canonical_address
from flashworthy_agent.errors import AddressError, ConfigError
from flashworthy_agent.rights import is_foreign, others_may_write
from flashworthy_common.records import record

PREFIX = "FLASHWORTHY_"
NOT_SET, BY_DEFAULT, FROM_ENVIRONMENT = "not set", "default", "environment"

Read = Callable[[Any], Any]  # raises ValueError that says what was expected


def _key(default: Any, unit: str, about: str, read: Read) -> Any:
    return field(default=default, metadata={"unit": unit, "about": about, "read": read})


def _text(value: Any) -> str:
    if isinstance(value, str) and value.strip():
        return value.strip()
    raise ValueError("expected a text")


def read_place(value: Any) -> str:
    """A path of names, joined by `` / ``.

    Raises:
        ValueError: a name is missing.
    """
    names = [name.strip() for name in value.split("/")] if isinstance(value, str) else [""]
    if not all(names):
        raise ValueError('expected "site / building / room"')
    return " / ".join(names)


def _address(value: Any) -> str:
    try:
        return canonical_address(_text(value))
    except AddressError as error:
        raise ValueError(str(error).partition(", got")[0]) from error


def _path(value: Any) -> str:
    text = _text(value)
    if not text.startswith("/"):
        raise ValueError("expected a path that begins with /")
    return text


def _proxy(value: Any) -> str:
    parts = urlsplit(_text(value))
    if parts.scheme not in ("http", "https") or not parts.hostname or "@" in parts.netloc:
        raise ValueError("expected an address such as http://proxy.example:3128, without password")
    return _text(value)


def _names(value: Any) -> tuple[str, ...]:
    names = value.split() if isinstance(value, str) else value
    if not isinstance(names, list) or not all(isinstance(name, str) and name for name in names):
        raise ValueError("expected a list of texts")
    return tuple(names)


def _whole(low: int, high: int) -> Read:
    def read(value: Any) -> int:
        number = int(value) if isinstance(value, str) and value.isdecimal() else value
        if isinstance(number, bool) or not isinstance(number, int) or not low <= number <= high:
            raise ValueError(f"expected a whole number from {low} to {high}")
        return number

    return read


@record
class Config:
    """All keys; ``None`` stands for *not set*."""

    server: str | None = _key(
        None, "address", "where reports go; not set: the server that enrolment named", _address
    )
    place: str | None = _key(
        None, "names", 'where the machine stands: "site / building / room"', read_place
    )
    ca_file: str | None = _key(
        None,
        "path",
        "PEM file of the only authorities that vouch for the server; not set: the system's",
        _path,
    )
    proxy: str | None = _key(
        None, "address", "the way to the server; not set: HTTPS_PROXY and NO_PROXY decide", _proxy
    )
    report_every_minutes: int = _key(
        60, "minutes", "from one report of the schedule to the next", _whole(15, 1440)
    )
    ups: tuple[str, ...] = _key(
        (), "NAME@HOST[:PORT]", "the UPSes that feed this machine, asked over the network", _names
    )
    spool_most_reports: int = _key(
        500, "reports", "that wait at most; the oldest of the schedule go first", _whole(1, 10_000)
    )
    spool_most_megabytes: int = _key(
        50, "megabytes", "that waiting reports take at most", _whole(1, 10_000)
    )

    def digest(self) -> str:
        """The same for the same settings, so that a site sees which machines differ."""
        text = json.dumps(asdict(self), sort_keys=True)
        return f"sha256:{hashlib.sha256(text.encode()).hexdigest()}"


class Settings(NamedTuple):
    """The configuration in force, and where each key's value comes from."""

    config: Config
    sources: Mapping[str, str]

    def lines(self) -> list[str]:
        """For people: every key with its value, unit and source."""
        values = asdict(self.config)
        shown = [
            (key.name, "-" if values[key.name] is None else str(values[key.name]), key.metadata)
            for key in fields(Config)
        ]
        return [
            line
            for name, text, known in shown
            for line in (
                f"{name} = {text}",
                f"    {known['unit']}; from: {self.sources[name]}; {known['about']}",
            )
        ]


def load_settings(file: Path | None, environment: Mapping[str, str]) -> Settings:
    """What is in force.

    Args:
        file: where the file is, if there is one; None: there is no place for one.

    Raises:
        ConfigError: a key is unknown or malformed, or the file can be written by others.
    """
    found: dict[str, tuple[Any, str]] = {}
    if file is not None:
        content = _content(file)
        _refuse_unknown(content, file)
        found |= {name: (value, str(file)) for name, value in content.items()}
    for key in fields(Config):
        if value := environment.get(PREFIX + key.name.upper()):
            found[key.name] = (value, FROM_ENVIRONMENT)
    values = {name: _value(name, value, source) for name, (value, source) in found.items()}
    config = Config(**values)
    _require_authorities(config)
    return Settings(config, {key.name: _source(found, key.name, config) for key in fields(Config)})


def _source(found: Mapping[str, tuple[Any, str]], name: str, config: Config) -> str:
    if name in found:
        return found[name][1]
    return NOT_SET if getattr(config, name) is None else BY_DEFAULT


def _value(name: str, value: Any, source: str) -> Any:
    read = next(key.metadata["read"] for key in fields(Config) if key.name == name)
    try:
        return read(value)
    except ValueError as error:
        raise ConfigError(f"{source}: {name}: {error}, got {value!r}") from error


def _content(file: Path) -> dict[str, Any]:
    import tomllib  # late: many machines have no such file

    try:
        with open(file, "rb") as opened:
            _refuse_if_others_may_write(file, os.fstat(opened.fileno()))
            return tomllib.load(opened)
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise ConfigError(f"{file}: cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{file}: expected TOML: {error}") from error


def _refuse_if_others_may_write(file: Path, status: os.stat_result) -> None:
    """
    Raises:
        ConfigError: somebody other than root and the agent's own user may write `file`.
    """
    if is_foreign(status.st_uid):
        raise ConfigError(
            f"{file}: expected a file of root's or of the agent's own user, "
            f"got one of user {status.st_uid}; run chown root on it"
        )
    if others_may_write(status.st_mode):
        raise ConfigError(
            f"{file}: expected a file that only its owner can write, "
            f"got mode {stat.S_IMODE(status.st_mode):04o}; run chmod 644 on it"
        )


def _require_authorities(config: Config) -> None:
    if config.ca_file is None:
        return
    file = Path(config.ca_file)
    try:
        _refuse_if_others_may_write(file, file.stat())
    except OSError as error:
        raise ConfigError(f"ca_file: {file}: {error.strerror}") from error


def _refuse_unknown(content: Mapping[str, Any], file: Path) -> None:
    known = [key.name for key in fields(Config)]
    for name in content:
        if name not in known:
            import difflib  # late: only for a slip of the pen

            alike = difflib.get_close_matches(name, known, n=1, cutoff=0)
            raise ConfigError(f"{file}: no such key: {name!r}; the nearest is {alike[0]!r}")
