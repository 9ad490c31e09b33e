"""A server of its own for each test, on a database made by the migrations."""

from pathlib import Path

import pytest
from argon2 import PasswordHasher
from argon2.profiles import CHEAPEST

from flashworthy_server import create_app
from flashworthy_server.config import config_from
from flashworthy_server.services import credentials, passwords
from flashworthy_server.services.overview import recount
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site
from flashworthy_server.web.access import COUNTERS
from flashworthy_server.web.context import EXTENSION
from flashworthy_server.web.limits import Counters
from support.databases import PostgresDatabases, SqliteDatabases
from support.postgres import Cluster
from support.site import WHO, FrozenClock, TestedSite


def pytest_collection_modifyitems(config, items):
    if config.getoption("--database") == "sqlite":
        return
    left_out = [item for item in items if item.get_closest_marker("sqlite")]
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if item not in left_out]


@pytest.fixture(scope="session")
def cluster():
    """A real PostgreSQL for all tests that want one."""
    with Cluster(in_memory=True) as started:
        yield started


@pytest.fixture(scope="session")
def databases(request, tmp_path_factory):
    """Makes a database with all tables and no rows, in place of the one before."""
    if request.config.getoption("--database") == "postgresql":
        return PostgresDatabases(request.getfixturevalue("cluster"))
    return SqliteDatabases(tmp_path_factory.mktemp("databases"))


@pytest.fixture
def url(databases):
    """Of a database without rows, for this test alone."""
    return databases.renew()


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


@pytest.fixture(scope="session")
def application(databases):
    """One application for all tests: what it serves is put under it by each."""
    app = create_app({"database": databases.renew()})
    app.extensions[EXTENSION].database.close()
    return app


@pytest.fixture(scope="session")
def database(databases):
    """What remembers how statements are compiled, for all tests; each has other rows in it."""
    return databases.open()


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
