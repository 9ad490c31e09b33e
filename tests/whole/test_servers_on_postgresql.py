"""Servers on a real PostgreSQL: killed under load, left by the primary, two at a time.

What is held against the outside: a report that was acknowledged is there, once, whatever died in
between (SIGKILL of the server's processes, or of the primary with a synchronous standby). Whoever
got no acknowledgement sends again, as the agent does.
"""

import random
import threading
from contextlib import ExitStack

import pytest

from support import load
from support.fleet import CONNECTIONS, Fleet
from support.postgres import Cluster
from support.real_server import RealServer

pytestmark = pytest.mark.system

SEED = 7


@pytest.fixture(scope="module")
def cluster():
    with Cluster() as started:
        yield started


def once_each(report_ids):
    return dict.fromkeys(report_ids, 1)


@pytest.mark.parametrize("rounds", [5, pytest.param(50, marks=pytest.mark.long)])
def test_a_server_that_is_killed_under_load_loses_and_doubles_nothing(cluster, tmp_path, rounds):
    moments = random.Random(SEED)
    with RealServer(tmp_path, cluster.make_database("killed")) as server:
        fleet = Fleet(server)
        for _ in range(rounds):
            fleet.report(100)
            end = threading.Timer(moments.uniform(0.02, 0.6), server.kill)
            end.start()
            fleet.send(server.port)
            end.join()
            assert fleet.acknowledged <= server.reports().keys()
            server.start()
        while fleet.waiting:
            fleet.send(server.port)

        assert server.reports() == once_each(fleet.sent)


def test_what_was_acknowledged_outlives_the_primary(tmp_path):
    with ExitStack() as stack:
        primary = stack.enter_context(Cluster())
        url = primary.make_database("site")
        standby = stack.enter_context(primary.standby())
        hosts = f"?host=127.0.0.1:{primary.port}&host=127.0.0.1:{standby.port}"
        both = url.replace(f"127.0.0.1:{primary.port}", "") + hosts
        server = stack.enter_context(RealServer(tmp_path, both))
        fleet = Fleet(server)
        fleet.report(1500)

        killed = threading.Event()

        def fail_over():
            primary.kill()
            killed.set()
            standby.promote()

        end = threading.Timer(0.5, fail_over)
        end.start()
        first = fleet.send(server.port)
        assert killed.is_set()  # in the middle
        end.join()
        while fleet.waiting:
            fleet.send(server.port)

        assert set(first.statuses) <= {201, 503}  # agents are told to come again, if anything
        assert server.reports() == once_each(fleet.sent)


def test_two_servers_keep_one_report_once_whoever_gets_it(cluster, tmp_path):
    url = cluster.make_database("two")
    with RealServer(tmp_path / "a", url) as first, RealServer(tmp_path / "b", url) as second:
        fleet = Fleet(first)
        fleet.report(200)
        requests = [request for _, request in fleet.waiting]

        found = [load.Load(), load.Load()]

        def send(place, server):
            found[place] = load.drive(server.port, requests, connections=CONNECTIONS)

        threads = [threading.Thread(target=send, args=each) for each in enumerate((first, second))]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

        statuses = found[0].statuses + found[1].statuses
        assert statuses == {201: 200, 200: 200}
        assert first.reports() == once_each(fleet.sent)
