"""What one run of the agent costs: `python tests/bench/agent.py [ROUNDS]`.

Looks at this very machine and sends one report to a server on loopback, with the package manager's
answer already kept. Its floor, in turns with it in the same run, is what any agent of this kind has
to pay: import psutil and requests, and send one POST. In the same turns it replays a capture of
this machine and a made-up one of Windows, which may take `REPLAY_BAR_MS` each. Prints medians
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
from support.figures import Figure, Figures, options
from support.servers import serving
from support.windows_machine import capture

ROUNDS = 15
BAR, GOAL, BAR_MB = 1.4, 1.15, 32  # times the floor; MB
REPLAY_BAR_MS = 150
FLOOR = (
    "import psutil, requests, sys\nrequests.post(sys.argv[1], data=b'x' * 2000).raise_for_status()"
)
AGENT = "from flashworthy_agent.cli import program; import sys; sys.exit(program())"


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


def median_ms(costs: list[Cost]) -> float:
    return statistics.median(cost.cpu_ms for cost in costs)


def peak_mb(costs: list[Cost]) -> float:
    return max(cost.peak_mb for cost in costs)


def main() -> None:
    parser = options(__doc__)
    parser.add_argument("rounds", type=int, nargs="?", default=ROUNDS)
    asked, figures = parser.parse_args(), Figures("agent")
    with serving() as server, tempfile.TemporaryDirectory() as folder:
        state = ("--state", folder)
        cost_of(AGENT, "enrol", "--server", server.address, "--code", "ABC", *state)
        cost_of(AGENT, "run", *state)  # asks the package manager, and keeps its answer
        here, made_up = Path(folder) / "here.json", Path(folder) / "made-up.json"
        cost_of(AGENT, "capture", "--out", str(here), *state)
        made_up.write_bytes(write_capture(capture()))
        floors, runs, replays, others = [], [], [], []
        for _ in range(asked.rounds):
            floors.append(cost_of(FLOOR, f"{server.address}/healthz"))
            runs.append(cost_of(AGENT, "run", *state))
            replays.append(cost_of(AGENT, "collect", "--replay", str(here)))
            others.append(cost_of(AGENT, "collect", "--replay", str(made_up)))
        probes = server.reports()[-1]["agent"]["probes"]
    floor = {"floor": median_ms(floors), "floor_is": "import psutil and requests, one POST"}
    limits = {"bar": BAR * median_ms(floors), "goal": GOAL * median_ms(floors)}
    figures.tell(Figure("CPU of a run", median_ms(runs), "ms", **floor, **limits))
    replay = {**floor, "bar": REPLAY_BAR_MS}
    figures.tell(Figure("CPU of a replay", median_ms(replays), "ms", **replay))
    figures.tell(Figure("CPU of a replay of another system", median_ms(others), "ms", **replay))
    memory = {**floor, "floor": peak_mb(floors)}
    figures.tell(Figure("memory of a run", peak_mb(runs), "MB", **memory, bar=BAR_MB))
    figures.write(asked.json)
    print("probes  ", json.dumps({probe["name"]: probe["duration_ms"] for probe in probes}))


if __name__ == "__main__":
    main()
