"""Several servers judge one site again, on SQLite and on PostgreSQL: each machine once.

What is held against the outside: the database's own triggers count, in the transaction that judges,
which machine got another verdict, and how many judgements were done; a process that is killed
(SIGKILL) counts nothing of what it was at.
"""

import pytest

from support.fleet import MACHINES, Fleet
from support.judged import JudgedAgain
from support.postgres import Cluster
from support.real_server import RealServer

pytestmark = pytest.mark.system

ONE_AT_A_TIME = "workers = 2\nreassess_batch_machines = 1\nwork_pause_seconds = 1\n"
ALL_IS_COUNTED = "every kept number is that of a recount\n"


@pytest.fixture(scope="module")
def cluster():
    with Cluster() as started:
        yield started


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request, tmp_path):
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/site.db"
    return request.getfixturevalue("cluster").make_database("judged")


@pytest.fixture
def servers(database_url, tmp_path):
    """Two servers of one site, with machines that have reported."""
    with (
        RealServer(tmp_path / "a", database_url, ONE_AT_A_TIME) as first,
        RealServer(tmp_path / "b", database_url, ONE_AT_A_TIME) as second,
    ):
        fleet = Fleet(first)
        fleet.report(MACHINES)
        fleet.send(first.port)
        yield first, second


def test_two_servers_and_a_third_process_judge_no_machine_twice(servers, database_url):
    first, second = servers
    site = JudgedAgain(database_url, 400)

    site.make_due()
    second.call("judging", "--work")
    site.wait_for(1)

    assert site.judged() == dict.fromkeys(site.machine_ids, 1)
    assert site.counted() == len(site.machine_ids)
    assert first.call("recount") == ALL_IS_COUNTED


def test_what_a_killed_server_was_judging_another_goes_on_with(servers, database_url):
    first, second = servers
    site = JudgedAgain(database_url, 1_200)

    site.make_due()
    site.wait_for(0.1)
    first.kill()
    site.wait_for(0.2)
    first.start()
    assert site.counted() < len(site.machine_ids)  # or else nothing is left to be gone on with
    second.kill()
    site.wait_for(1)

    assert site.judged() == dict.fromkeys(site.machine_ids, 1)
    assert site.counted() == len(site.machine_ids)
    assert first.call("recount") == ALL_IS_COUNTED
