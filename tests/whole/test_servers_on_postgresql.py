"""Servers on a real PostgreSQL: killed under load, left by the primary, two at a time.

What is held against the outside: a report that was acknowledged is there, once, whatever died in
between (SIGKILL of the server's processes, or of the primary with a synchronous standby). Whoever
got no acknowledgement sends again, as the agent does.
"""

import json
import random
import threading
import urllib.request
from contextlib import ExitStack

import pytest

from support import load
from support.postgres import Cluster
from support.real_server import RealServer
from support.site import a_sent_report, an_application

pytestmark = pytest.mark.system

MACHINES = 10
CONNECTIONS = 8
SEED = 7


@pytest.fixture(scope="module")
def cluster():
    with Cluster() as started:
        yield started


class Fleet:
    """Machines that send reports until each was acknowledged."""

    def __init__(self, server: RealServer) -> None:
        self.sent: list[str] = []
        self.acknowledged: set[str] = set()
        self.waiting: list[tuple[str, bytes]] = []  # report id, request
        self._count = 0
        code = server.code()
        self._agents = [self._enrol(server, code, number) for number in range(MACHINES)]

    def report(self, count: int) -> None:
        """Let `count` more reports wait to be sent, one machine after the other."""
        for _ in range(count):
            sequence, number = divmod(self._count, MACHINES)
            agent_id, token = self._agents[number]
            identity = {"hostname": f"desk-{number:03}", "system_serial": f"QM{number:04}"}
            report = a_sent_report(
                sequence=sequence + 1,
                agent_id=agent_id,
                number=number * 1_000_000,
                identity=identity,
            )
            headers = {"Authorization": f"Bearer {token}", "Content_Type": "application/json"}
            request = load.post("/api/v1/reports", json.dumps(report).encode(), **headers)
            self.sent.append(report["report_id"])
            self.waiting.append((report["report_id"], request))
            self._count += 1

    def send(self, port: int) -> load.Load:
        """Send what waits; what was not acknowledged waits on."""
        found = load.drive(port, [each for _, each in self.waiting], connections=CONNECTIONS)
        done = {self.waiting[place][0] for place in found.answered}
        self.acknowledged |= done
        self.waiting = [each for each in self.waiting if each[0] not in done]
        return found

    def _enrol(self, server: RealServer, code: str, number: int) -> tuple[str, str]:
        agent_id = f"7b0c5a44-0a55-4c5e-9d4f-{number:012x}"
        identity = {"hostname": f"desk-{number:03}", "system_serial": f"QM{number:04}"}
        data = json.dumps(an_application(code, agent_id=agent_id, **identity)).encode()
        request = urllib.request.Request(
            f"{server.address}/api/v1/enrolments", data, {"Content-Type": "application/json"}
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            return agent_id, json.load(answer)["token"]


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

        def fail_over():
            primary.kill()
            standby.promote()

        end = threading.Timer(0.5, fail_over)
        end.start()
        first = fleet.send(server.port)
        end.join()
        while fleet.waiting:
            fleet.send(server.port)

        assert 503 in first.statuses  # it died in the middle, and agents are told to come again
        assert 500 not in first.statuses
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
