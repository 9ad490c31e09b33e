"""A gate before a real server: lets requests through, or does what networks and servers do."""

import http.client
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

MOODS = ("up", "down", "slow", "lost", "500", "429", "413")
_KEPT = ("Authorization", "Content-Type", "Content-Encoding", "Date")
_SLOW_SECONDS = 0.02


@dataclass
class Gate:
    """`mood` may change between requests.

    - up: the server's own answer
    - down: the connection ends without one
    - slow: the server's own answer, late and in two pieces
    - lost: the server gets the request, and its answer is lost
    - a number: that status, and the server gets nothing
    """

    address: str
    mood: str = "up"


@contextmanager
def before(port: int) -> Iterator[Gate]:
    """A gate before the server that listens on `port`, until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        def handle_any(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            mood = gate.mood if self.path.endswith("/reports") else "up"
            if mood == "down":
                self.close_connection = True
            elif mood.isdecimal():
                self._answer(int(mood), json.dumps({"title": "Refused"}).encode())
            else:
                self._pass_on(body, mood)

        do_GET = do_POST = handle_any  # noqa: N815

        def _pass_on(self, body: bytes, mood: str) -> None:
            headers = {name: self.headers[name] for name in _KEPT if name in self.headers}
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
            connection.request(self.command, self.path, body, headers)
            answer = connection.getresponse()
            content = answer.read()
            connection.close()
            if mood == "lost":
                self.close_connection = True
                return
            self._answer(answer.status, content, _SLOW_SECONDS if mood == "slow" else 0.0)

        def _answer(self, status: int, content: bytes, delay: float = 0.0) -> None:
            time.sleep(delay)
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            half = len(content) // 2 if delay else len(content)
            try:
                self.wfile.write(content[:half])
                time.sleep(delay)
                self.wfile.write(content[half:])
            except OSError:
                self.close_connection = True  # whoever asked was killed

        def log_message(self, *_: Any) -> None:
            pass

    class Listening(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *_: Any) -> None:
            pass  # whoever asked was killed

    with Listening(("127.0.0.1", 0), Handler) as listening:
        gate = Gate(f"http://127.0.0.1:{listening.server_port}")
        thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield gate
        finally:
            listening.shutdown()
            thread.join()
