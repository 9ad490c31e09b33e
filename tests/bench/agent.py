"""What one run of the agent costs: `python tests/bench/agent.py [ROUNDS]`.

Looks at this very machine and sends one report to a server on loopback, with the package manager's
answer already kept. Its floor, in turns with it in the same run, is what any agent of this kind has
to pay: import psutil and requests, and send one POST. In the same turns it replays a capture of
this machine and a made-up one of Windows, which may take 150 ms each. Prints medians
of the CPU of process and children, their ratio, and the greatest peak of memory.
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from flashworthy_agent.capture import write_capture
from support.servers import serving
from support.windows_machine import capture

ROUNDS = 15
FLOOR = (
    "import psutil, requests, sys\nrequests.post(sys.argv[1], data=b'x' * 2000).raise_for_status()"
)
AGENT = "from flashworthy_agent.cli import main; import sys; sys.exit(main(sys.argv[1:]))"


@dataclass
class Cost:
    cpu_ms: float
    peak_mb: float


def cost_of(program: str, *arguments: str) -> Cost:
    """Of one run of a Python program, its children included."""
    command = [sys.executable, "-c", program, *arguments]
    # as installed, where each module is compiled once and not on every run
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, f"{arguments} ended with {process.returncode}"
    return Cost((usage.ru_utime + usage.ru_stime) * 1000, usage.ru_maxrss / 1024)


def show(name: str, costs: list[Cost]) -> tuple[float, float]:
    """Print the costs of one program; its median and its least CPU, in ms."""
    spent = [cost.cpu_ms for cost in costs]
    median, least = statistics.median(spent), min(spent)
    peak = max(cost.peak_mb for cost in costs)
    print(f"{name:<8} {median:6.1f} ms CPU, least {least:6.1f} ms, {peak:6.1f} MB peak")
    return median, least


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    with serving() as server, tempfile.TemporaryDirectory() as folder:
        state = ("--state", folder)
        cost_of(AGENT, "enrol", "--server", server.address, "--code", "ABC", *state)
        cost_of(AGENT, "run", *state)  # asks the package manager, and keeps its answer
        here, made_up = Path(folder) / "here.json", Path(folder) / "made-up.json"
        cost_of(AGENT, "capture", "--out", str(here), *state)
        made_up.write_bytes(write_capture(capture()))
        floors, runs, replays, others = [], [], [], []
        for _ in range(rounds):
            floors.append(cost_of(FLOOR, f"{server.address}/healthz"))
            runs.append(cost_of(AGENT, "run", *state))
            replays.append(cost_of(AGENT, "collect", "--replay", str(here)))
            others.append(cost_of(AGENT, "collect", "--replay", str(made_up)))
        probes = server.reports()[-1]["agent"]["probes"]
    floor, run = show("floor", floors), show("run", runs)
    show("replay", replays)
    show("Windows", others)
    print(f"ratio    {run[0] / floor[0]:6.2f}       least {run[1] / floor[1]:6.2f}")
    print("probes  ", json.dumps({probe["name"]: probe["duration_ms"] for probe in probes}))


if __name__ == "__main__":
    main()
