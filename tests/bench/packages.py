"""What keeping a large package costs: `python tests/bench/packages.py [MIB]`.

A package of 64 MiB goes through a server of its own over loopback: kept, fetched, and verified at
the terminal. Prints wall time of each; the most memory that the server's worker took over what it
took idle (VmHWM, proc_pid_status(5)); the same of the verifying command over one that lists
nothing; and as the floor the time of hashing and writing as many bytes in the same run.
"""

import hashlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import requests

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.servers import free_port

MIB = 1024 * 1024
PROGRAM = (sys.executable, "-c", "from flashworthy_server.cli import main; main()")
START_SECONDS = 30


def main(size_bytes: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        content = folder / "package.cap"
        content.write_bytes(os.urandom(size_bytes))
        environment = os.environ | {
            "FLASHWORTHY_DATABASE": f"sqlite:///{folder}/bench.db",
            "FLASHWORTHY_PACKAGES": f"{folder}/packages",
        }
        _run(environment, "migrate")
        token = _run(environment, "token", "new", "bench", "--role", "administrator").strip()
        print(
            f"floor, hashing and writing {size_bytes // MIB} MiB: {_floor(content, folder):.2f} s"
        )
        with _server(environment) as (url, worker):
            _over_http(url, token, worker, content)
        listed, _ = _memory_and_seconds(environment, "packages", "missing")
        verified, seconds = _memory_and_seconds(environment, "packages", "verify")
        print(f"verified at the terminal: {seconds:.2f} s, {verified - listed:.1f} MiB over idle")


def _over_http(url: str, token: str, worker: int, content: Path) -> None:
    session = requests.Session()
    session.headers["Authorization"] = f"Bearer {token}"
    session.get(f"{url}/api/v1/packages", timeout=60).raise_for_status()
    idle = _high_water_mib(worker)
    kept = _seconds(lambda: _keep(session, url, content))
    print(f"kept: {kept:.2f} s, {_high_water_mib(worker) - idle:.1f} MiB over idle")
    fetched = _seconds(lambda: _fetch(session, url, content))
    print(f"fetched: {fetched:.2f} s, {_high_water_mib(worker) - idle:.1f} MiB over idle")


def _keep(session: requests.Session, url: str, content: Path) -> None:
    said = {
        "maker": "Quillmark",
        "model": "Folio 14",
        "version": "1.29",
        "file_name": content.name,
        "source": "this benchmark",
    }
    with content.open("rb") as file:
        answer = session.post(
            f"{url}/api/v1/packages",
            params=said,
            data=file,
            headers={"Content-Type": "application/octet-stream"},
            timeout=600,
        )
    answer.raise_for_status()


def _fetch(session: requests.Session, url: str, content: Path) -> None:
    with session.get(f"{url}/api/v1/packages/1/file", stream=True, timeout=600) as answer:
        answer.raise_for_status()
        found = hashlib.sha256()
        for piece in answer.iter_content(MIB):
            found.update(piece)
    assert found.digest() == hashlib.sha256(content.read_bytes()).digest()


@contextmanager
def _server(environment: dict[str, str]) -> Iterator[tuple[str, int]]:
    """A server's address and the process id of its worker."""
    port = free_port()
    command = [*PROGRAM, "serve", "--port", str(port)]
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    url = f"http://127.0.0.1:{port}"
    try:
        end = time.monotonic() + START_SECONDS
        while not _answers(url):
            assert time.monotonic() < end, "the server does not answer"
            time.sleep(0.1)
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        yield url, int(children[0])
    finally:
        process.terminate()
        process.wait(60)


def _answers(url: str) -> bool:
    try:
        return requests.get(f"{url}/healthz", timeout=5).ok
    except requests.ConnectionError:
        return False


def _run(environment: dict[str, str], *words: str) -> str:
    done = subprocess.run([*PROGRAM, *words], env=environment, check=True, stdout=subprocess.PIPE)
    return done.stdout.decode()


def _memory_and_seconds(environment: dict[str, str], *words: str) -> tuple[float, float]:
    """The most memory that a command takes, in MiB, and how long it runs."""
    start = time.perf_counter()
    process = subprocess.Popen([*PROGRAM, *words], env=environment, stdout=subprocess.DEVNULL)
    _, _, used = os.wait4(process.pid, 0)
    return used.ru_maxrss / 1024, time.perf_counter() - start


def _floor(content: Path, folder: Path) -> float:
    def work() -> None:
        found = hashlib.sha256()
        with content.open("rb") as source, (folder / "floor").open("wb") as file:
            while piece := source.read(MIB):
                found.update(piece)
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())

    return _seconds(work)


def _high_water_mib(process_id: int) -> float:
    status = Path(f"/proc/{process_id}/status").read_text()
    (line,) = [line for line in status.splitlines() if line.startswith("VmHWM:")]
    return int(line.split()[1]) / 1024


def _seconds(work: Callable[[], Any]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    main(int(sys.argv[1]) * MIB if len(sys.argv) > 1 else 64 * MIB)
