"""A server of its own for each test, on a database file made by the migrations."""

import shutil
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from argon2.profiles import CHEAPEST
from sqlalchemy import event

from flashworthy_server import create_app, schema
from flashworthy_server.config import config_from
from flashworthy_server.db import Database
from flashworthy_server.services import credentials, passwords
from flashworthy_server.services.overview import recount
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site
from flashworthy_server.web.access import COUNTERS
from flashworthy_server.web.context import EXTENSION
from flashworthy_server.web.limits import Counters
from support.site import WHO, FrozenClock, TestedSite


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory):
    """A database file with all tables and no rows, to be copied."""
    path = tmp_path_factory.mktemp("database") / "empty.db"
    database = Database(f"sqlite:///{path}", wait_seconds=5)
    schema.migrate(database)
    with database.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    return path


@pytest.fixture(scope="session")
def database_file(tmp_path_factory):
    """Where the database of each test lies, one after the other."""
    return tmp_path_factory.mktemp("site") / "flashworthy.db"


@pytest.fixture
def url(empty_database, database_file):
    """Of a database without rows, for this test alone."""
    for left in database_file.parent.iterdir():
        left.unlink()
    shutil.copy(empty_database, database_file)
    return f"sqlite:///{database_file}"


@pytest.fixture
def clock():
    return FrozenClock()


@pytest.fixture(scope="session", autouse=True)
def _cheap_passwords():
    """Passwords are hashed with the least cost that argon2 knows."""
    dear = passwords.hasher
    passwords.hasher = PasswordHasher.from_parameters(CHEAPEST)
    yield
    passwords.hasher = dear


def _write_without_waiting(connection, record):
    """No test pulls the plug: what is written need not be on the disk yet."""
    connection.execute("PRAGMA synchronous = OFF")


@pytest.fixture(scope="session")
def application(empty_database):
    """One application for all tests: what it serves is put under it by each."""
    app = create_app({"database": f"sqlite:///{empty_database}"})
    app.extensions[EXTENSION].database.close()
    return app


@pytest.fixture(scope="session")
def database(database_file):
    """What remembers how statements are compiled, for all tests; each opens a file of its own."""
    made = Database(f"sqlite:///{database_file}", wait_seconds=30)
    event.listen(made.engine, "connect", _write_without_waiting)
    return made


@pytest.fixture
def site(application, database, url, clock, tmp_path):
    settings = {
        "database": url,
        "page_rows": 5,
        "packages": str(tmp_path / "packages"),
        "packages_spare_bytes": 0,
    }
    opened = Site(database, config_from(settings), clock)
    application.extensions[EXTENSION] = opened
    application.extensions[COUNTERS] = Counters()
    token = credentials.make_token(
        opened, WHO, "Ida Fenwick", role=Role.ADMINISTRATOR, days=90
    ).token
    yield TestedSite(application.test_client(), clock, token, url)
    assert recount(opened, mend=False) == [], "every kept number is that of a recount"
    database.close()


@pytest.fixture(scope="session")
def readme():
    return (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
