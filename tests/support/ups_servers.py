"""UPS servers on loopback: one that answers as it is told, and the real one with a dummy UPS."""

import os
import signal
import socketserver
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from flashworthy_agent.errors import UpsError
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.ups import UpsAddress, read_variables

# ---- one that answers as it is told -----------------------------------------------------------


class ScriptedServer(socketserver.ThreadingTCPServer):
    """Answers each line that it is asked with `answers`, and remembers what it was asked."""

    daemon_threads = True

    def __init__(self, answers: dict[str, str | bytes]) -> None:
        self.answers, self.asked = answers, []
        super().__init__(("127.0.0.1", 0), _Conversation)

    def handle_error(self, request: object, client_address: object) -> None:
        """Who asks may hang up in mid-answer."""

    def address(self, name: str) -> UpsAddress:
        return UpsAddress(name, "127.0.0.1", self.server_address[1])


class _Conversation(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        for line in self.rfile:
            asked = line.decode().rstrip("\n")
            self.server.asked.append(asked)
            answer = self.server.answers.get(asked, "ERR UNKNOWN-COMMAND\n")
            self.wfile.write(answer if isinstance(answer, bytes) else answer.encode())


@contextmanager
def answering(answers: dict[str, str | bytes]) -> Iterator[ScriptedServer]:
    with ScriptedServer(answers) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


def listed(what: str, *lines: str) -> str:
    """A list as RFC 9271 §4.2.4 answers it."""
    return "\n".join((f"BEGIN LIST {what}", *lines, f"END LIST {what}", ""))


# ---- the real one -----------------------------------------------------------------------------

UNPACKED = Path(__file__).parents[2] / ".unpacked"  # by `tests/run.sh --with-system-tools`
_LIBRARIES = ("lib/x86_64-linux-gnu", "usr/lib/x86_64-linux-gnu")
PATIENCE_SECONDS = 15.0


def has_real_server() -> bool:
    return (UNPACKED / "lib/nut/upsd").exists()


class RealServer:
    """`upsd` with one UPS, `desk`, played by its dummy driver from a file."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.address = folder, UpsAddress("desk", "127.0.0.1", port)
        (folder / "state").mkdir(mode=0o700)
        for name, text in {
            "ups.conf": '[desk]\n driver = dummy-ups\n port = desk.dev\n desc = "the \\"desk\\""\n',
            "upsd.conf": f"LISTEN 127.0.0.1 {port}\nMAXAGE 2\n",  # seconds until data is stale
            "upsd.users": "",
            "nut.conf": "MODE=netserver\n",
        }.items():
            (folder / name).write_text(text)
            (folder / name).chmod(0o640)
        self.says("ups.status: OL")
        self.driver = self._started("dummy-ups", "-a", "desk")
        self._server = self._started("upsd")

    def _started(self, program: str, *arguments: str) -> "subprocess.Popen[bytes]":
        folder = str(self.folder)
        environment = os.environ | {
            "NUT_CONFPATH": folder,
            "NUT_STATEPATH": f"{folder}/state",
            "NUT_ALTPIDPATH": f"{folder}/state",
            "LD_LIBRARY_PATH": ":".join(str(UNPACKED / path) for path in _LIBRARIES),
        }
        command = [UNPACKED / "lib/nut" / program, "-F", "-u", "root", *arguments]
        log = open(self.folder / f"{program}.log", "wb")  # noqa: SIM115
        with log:
            return subprocess.Popen(command, env=environment, stdout=log, stderr=log)

    def says(self, *lines: str) -> None:
        """What the UPS tells from now on."""
        (self.folder / "desk.dev").write_text("".join(f"{line}\n" for line in lines))

    def until(self, is_so: Callable[[dict[str, str] | str], bool]) -> None:
        """Wait for an answer of which something is so: variables, or why there are none."""
        deadline = time.monotonic() + PATIENCE_SECONDS
        while True:
            try:
                answer: dict[str, str] | str = read_variables(RunningSystem(), self.address, 2.0)
            except UpsError as error:
                answer = str(error)
            if is_so(answer):
                return
            assert time.monotonic() < deadline, f"still answers {answer!r}"
            time.sleep(0.1)

    def stop_driver(self) -> None:
        """The driver hangs: what the server has of it becomes stale."""
        self.driver.send_signal(signal.SIGSTOP)

    def continue_driver(self) -> None:
        self.driver.send_signal(signal.SIGCONT)

    def end(self) -> None:
        for process in (self.driver, self._server):
            process.send_signal(signal.SIGCONT)
            process.terminate()
            process.wait(PATIENCE_SECONDS)
