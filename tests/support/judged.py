"""How often each machine is judged again on a real database, whoever does it.

Triggers count in the transaction that judges: what a killed process left unfinished counts nothing.
A verdict that is found as it was is not written, so what is counted as done is noted too.
"""

import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from sqlalchemy import func, insert, select, text, update

from flashworthy_server.db import Connection, Database
from flashworthy_server.store import due
from flashworthy_server.tables import machines, whole_bodies

_OF_ONE = ("agent_id", "token_digest", "old_token_digest")  # which no other machine may have
_WAIT_SECONDS = 120.0
_NOTES = {  # table of notes: which change of which table it is made of, and what is noted
    "judged": ("sentence", "machines", "NEW.id"),
    "counted": ("done", "judging", "NEW.done - OLD.done"),
}
_ON_SQLITE = (
    "CREATE TABLE {name} (value INTEGER)",
    "CREATE TRIGGER note_{name} AFTER UPDATE OF {column} ON {table}"
    " BEGIN INSERT INTO {name} VALUES ({value}); END",
)
_ON_POSTGRESQL = (
    "CREATE TABLE {name} (value bigint)",
    "CREATE FUNCTION note_{name}() RETURNS trigger LANGUAGE plpgsql"
    " AS $$ BEGIN INSERT INTO {name} VALUES ({value}); RETURN NULL; END $$",
    "CREATE TRIGGER note_{name} AFTER UPDATE OF {column} ON {table}"
    " FOR EACH ROW EXECUTE FUNCTION note_{name}()",
)


class JudgedAgain:
    """A site with many machines, whose next judging is noted machine by machine."""

    def __init__(self, database_url: str, count: int) -> None:
        """`count` copies of the machines that have reported there."""
        self._url = database_url
        with self._writing() as connection:
            _copy(connection, count)
            connection.execute(update(machines).values(sentence=""))
            self.machine_ids = connection.scalars(select(machines.c.id)).all()
            made_by = _ON_SQLITE if connection.dialect.name == "sqlite" else _ON_POSTGRESQL
            for name, (column, table, value) in _NOTES.items():
                for each in made_by:
                    statement = each.format(name=name, column=column, table=table, value=value)
                    connection.exec_driver_sql(statement)

    def make_due(self) -> None:
        """As a new limit of the site does."""
        with self._writing() as connection:
            due.make_due_within(connection, None, datetime.now(UTC))

    def wait_for(self, share: float) -> None:
        """Until so much of all was judged; 1: everything."""
        deadline = time.monotonic() + _WAIT_SECONDS
        while self.counted() < share * len(self.machine_ids):
            assert time.monotonic() < deadline, f"{self.counted()} were judged"
            time.sleep(0.02)

    def counted(self) -> int:
        """How many judgements were counted as done since `make_due`."""
        with self._reading() as connection:
            return int(connection.scalar(text("SELECT coalesce(sum(value), 0) FROM counted")))

    def judged(self) -> Counter[int]:
        """How often each machine got another verdict, by its id."""
        with self._reading() as connection:
            return Counter(connection.scalars(text("SELECT value FROM judged")))

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with self._database() as database, database.reading() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._database() as database, database.writing() as connection:
            yield connection

    @contextmanager
    def _database(self) -> Iterator[Database]:
        database = Database(self._url, wait_seconds=60)
        try:
            yield database
        finally:
            database.close()


def _copy(connection: Connection, count: int) -> None:
    """Add `count` machines like those that are there."""
    originals = connection.execute(select(machines)).mappings().all()
    bodies = {each.machine_id: each for each in connection.execute(select(whole_bodies))}
    first = 1 + int(connection.scalar(select(func.max(machines.c.id))) or 0)
    copied = [
        (number, originals[number % len(originals)]) for number in range(first, first + count)
    ]
    connection.execute(
        insert(machines),
        [
            dict(original) | dict.fromkeys(_OF_ONE) | {"id": number, "name": f"copy-{number:05}"}
            for number, original in copied
        ],
    )
    connection.execute(
        insert(whole_bodies),
        [bodies[original["id"]]._asdict() | {"machine_id": number} for number, original in copied],
    )
