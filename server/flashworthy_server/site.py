"""What a use case needs from outside: the database, the settings, the time, the way in."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from flashworthy_server.config import Config
from flashworthy_server.db import Database
from flashworthy_server.intake import Intake

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """Of this computer, to the millisecond, as times are kept and told."""
    now = datetime.now(UTC)
    return now.replace(microsecond=now.microsecond // 1_000 * 1_000)


@dataclass(frozen=True, slots=True)
class Site:
    """One site. `clock` gives the time, aware; nothing else on the server reads it."""

    database: Database
    config: Config
    clock: Clock = system_clock
    intake: Intake[Any, Any] = field(default_factory=Intake)
    seen_tokens: dict[str, Any] = field(default_factory=dict)  # see `services.credentials`


def open_site(config: Config, clock: Clock = system_clock) -> Site:
    """The site that the settings name; the tables are not looked at yet."""
    return Site(Database(config.database, config.database_wait_seconds), config, clock)
