"""Machines that send reports to a real server until each was acknowledged, as agents do."""

import json
import urllib.request

from support import load
from support.real_server import RealServer
from support.site import a_sent_report, an_application

MACHINES = 10
CONNECTIONS = 8


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
