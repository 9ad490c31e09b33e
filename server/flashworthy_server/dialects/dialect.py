"""What the server asks of a database beyond the SQL that all of them speak."""

from collections.abc import Iterable
from contextlib import AbstractContextManager
from datetime import date
from typing import Any, Protocol

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from flashworthy_server.errors import ServerError


class Dialect(Protocol):
    """One database; its options are those of SQLAlchemy."""

    engine_options: dict[str, Any]
    reading_options: dict[str, Any]  # of a connection that only reads
    asking_options: dict[str, Any]  # for one query, without a transaction
    writing_options: dict[str, Any]
    history_key: tuple[str, ...]  # the primary key of `reports`
    splits_history: bool  # whether each month of `reports` and `report_ids` is a table of its own

    def prepare(self, engine: Engine, wait_seconds: int) -> None:
        """Set up every connection of an engine, before the first is made."""

    def require_fit(self, connection: Connection) -> None:
        """Raise `DatabaseError` where the database was made so that tables would not work."""

    def turn(self) -> AbstractContextManager[Any]:
        """Wait, before a transaction begins, until no other process writes."""

    def begin_reading(self, connection: Connection) -> None:
        """Let this transaction, of which nothing ran yet, see one state throughout."""

    def begin_writing(self, connection: Connection, beside_others: bool) -> None:
        """Wait until this transaction, of which nothing ran yet, is the only one that writes.

        Args:
            beside_others: until all that write are content to do so beside others.
        """

    def meaning(self, error: DBAPIError) -> ServerError | None:
        """What trouble means that may pass by itself; none: trouble that stays."""

    def alone(self, engine: Engine, task: str) -> AbstractContextManager[bool]:
        """Be the only one of all processes who does a task, while the block lasts; false: is not.

        Whoever dies holds it no longer.
        """

    def keep_growing_only(self, connection: Connection, table: str, says: str) -> None:
        """Let the database refuse to change or remove rows of a table, with these words."""

    def without_triggers(self, connection: Connection) -> AbstractContextManager[None]:
        """Let rows be added as they are, while the block lasts."""

    def go_on_counting(self, connection: Connection) -> None:
        """Let the ids that the database gives follow those that stand in its tables."""

    def split_history(self, connection: Connection) -> None:
        """Where history is split, let it take what no month has a table for."""

    def make_months(self, connection: Connection, months: Iterable[date]) -> None:
        """Give each month, named by its first day, a table of its own, where history is split."""

    def drop_months(self, connection: Connection, before: date) -> None:
        """Drop the tables of every month that ended before a day, where history is split."""
