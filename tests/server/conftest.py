"""A server of its own for each test, on a database file made by the migrations."""

import shutil

import pytest

from flashworthy_server import create_app, schema
from flashworthy_server.db import Database
from flashworthy_server.services import credentials
from flashworthy_server.services.who import Role
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


@pytest.fixture
def url(empty_database, tmp_path):
    copy = tmp_path / "flashworthy.db"
    shutil.copy(empty_database, copy)
    return f"sqlite:///{copy}"


@pytest.fixture
def clock():
    return FrozenClock()


@pytest.fixture
def site(url, clock):
    app = create_app({"database": url, "page_rows": 5}, clock=clock)
    opened = app.extensions["flashworthy"]
    token = credentials.make_token(
        opened, WHO, "Ida Fenwick", role=Role.ADMINISTRATOR, days=90
    ).token
    yield TestedSite(app.test_client(), clock, token, url)
    opened.database.close()
