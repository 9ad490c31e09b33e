"""A server on loopback that answers as it is told, and remembers what it was asked."""

import gzip
import json
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any


@dataclass
class Request:
    method: str
    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def data(self) -> Any:
        is_packed = self.headers.get("Content-Encoding") == "gzip"
        return json.loads(gzip.decompress(self.body) if is_packed else self.body)


@dataclass
class LoopbackServer:
    """Enrols everyone, acknowledges every report, and gives `verdict`.

    With `is_rotation_due` it asks for a new token with each report, until one was fetched and used:
    a fetched token is valid at once, and the one before it until the fetched one is used.
    """

    address: str = ""
    verdict: Any = None
    requests: list[Request] = field(default_factory=list)
    refusals: dict[int, tuple[int, str]] = field(default_factory=dict)  # by sequence
    headers: dict[str, str] = field(default_factory=dict)  # of every answer
    date: str | None = None  # of every answer; None: the time it is
    newest_wire: int = 1
    foreign_agents: set[str] = field(default_factory=set)  # ids that belong to other machines
    token: str = "secret"
    fetched_token: str | None = None
    is_rotation_due: bool = False
    plan: Any = None  # handed out, and named by its digest with every receipt

    def answer(self, request: Request) -> tuple[int, Any]:
        self.requests.append(request)
        if request.path == "/healthz":
            return 200, {"status": "ok", "wire": list(range(1, self.newest_wire + 1))}
        if request.path.endswith("/enrolments"):
            return self._enrol(request.data)
        if not self._knows(request.headers.get("Authorization")):
            return 401, {"title": "Unauthorized", "detail": "the token is unknown or revoked"}
        if request.path.endswith("/plan"):
            return 200, self.plan
        if request.method == "GET":
            return 200, self.verdict
        if request.path.endswith("/token"):
            self.fetched_token = f"token {len(self.requests)}"
            return 200, {"token": self.fetched_token}
        return self._receive(request.data)

    def reports(self) -> list[dict[str, Any]]:
        return [one.data for one in self.requests if one.path.endswith("/reports")]

    def _enrol(self, application: Any) -> tuple[int, Any]:
        if application["agent_id"] in self.foreign_agents:
            return 409, {"title": "Conflict", "detail": "this agent id is another machine's"}
        agent_id = application["agent_id"]
        return 201, {"machine_id": 7, "agent_id": agent_id, "token": self.token}

    def _knows(self, authorization: str | None) -> bool:
        if self.fetched_token and authorization == f"Bearer {self.fetched_token}":
            self.token, self.fetched_token, self.is_rotation_due = self.fetched_token, None, False
        return authorization == f"Bearer {self.token}"

    def _receive(self, report: Any) -> tuple[int, Any]:
        if report["wire"] > self.newest_wire:
            faults = [{"field": "wire", "reason": "not one that is taken"}]
            return 422, {"title": "Unprocessable", "detail": "wrong: wire", "errors": faults}
        if report["sequence"] in self.refusals:
            status, detail = self.refusals[report["sequence"]]
            return status, {"title": "Refused", "status": status, "detail": detail}
        receipt = {"report_id": report["report_id"], "machine_id": 7, "stored": True}
        plan = {"plan_digest": self.plan["digest"]} if self.plan else {}
        return 201, receipt | plan | ({"rotate_token": True} if self.is_rotation_due else {})


def free_port() -> int:
    """A port of loopback that nobody listens on now."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        return int(bound.getsockname()[1])


@contextmanager
def serving(certificate: Path | None = None) -> Iterator[LoopbackServer]:
    """A server that listens until the block ends.

    Args:
        certificate: a PEM file of key and certificate, to speak TLS with; None: plain HTTP.
    """
    server = LoopbackServer()

    class Handler(BaseHTTPRequestHandler):
        def handle_any(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            body = self.rfile.read(length)
            if len(body) < length:  # whoever asked is gone
                self.close_connection = True
                return
            request = Request(self.command, self.path, dict(self.headers), body)
            status, answer = server.answer(request)
            content = json.dumps(answer).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            for name, text in server.headers.items():
                self.send_header(name, text)
            self.end_headers()
            self.wfile.write(content)

        do_GET = do_POST = handle_any  # noqa: N815

        def date_time_string(self, timestamp: float | None = None) -> str:
            return server.date or super().date_time_string(timestamp)

        def log_message(self, *_: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as listening:
        server.address = f"http://127.0.0.1:{listening.server_port}"
        if certificate:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            listening.socket = context.wrap_socket(listening.socket, server_side=True)
            server.address = f"https://127.0.0.1:{listening.server_port}"
        thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield server
        finally:
            listening.shutdown()
            thread.join()
