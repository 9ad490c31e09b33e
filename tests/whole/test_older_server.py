"""An agent that is newer than its server: the real server takes what it knows, and no more.

The agent here writes a version of the wire that no server knows yet, with additions.
"""

import json

import pytest

from flashworthy_agent import enrolled as module
from flashworthy_agent.cli import main
from flashworthy_common.report import WIRE_VERSION, report_to_json
from support.real_server import RealServer
from support.trees import grow

NEWER = WIRE_VERSION + 2


@pytest.fixture
def real(tmp_path):
    with RealServer(tmp_path / "server") as server:
        yield server


@pytest.fixture
def run(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(module, "WIRE_VERSION", NEWER)
    monkeypatch.setattr("flashworthy_agent.examine.WIRE_VERSION", NEWER)
    monkeypatch.setattr("flashworthy_agent.encode.report_to_json", of_the_newer_version)
    root = grow(tmp_path / "root", {"/sys/class/dmi/id/product_serial": "AL-0042\n"})

    def run(*arguments):
        status = main([*arguments, "--root", str(root), "--state", str(tmp_path / "state")])
        return (status, *capsys.readouterr())

    return run


def of_the_newer_version(report):
    told = report_to_json(report) | {"wire": NEWER, "surroundings": {"temperature_celsius": 31}}
    told["power"] |= {"adapter_watts": 65}
    return told


def test_a_real_older_server_gets_what_it_takes_and_people_are_told(run, real):
    run("enrol", "--server", real.address, "--code", real.code())

    status, out, err = run("run")

    assert (status, out) == (0, "report 1 made, 1 sent, 0 waiting\n")
    assert err == (
        f"flashworthy-agent: the server is older than this agent: it takes wire version "
        f"{WIRE_VERSION}, not {NEWER}, and does not see what came with the newer one\n"
    )
    kept = real.newest_report()
    assert kept["wire"] == WIRE_VERSION
    assert kept["identity"]["system_serial"] == "AL-0042"
    assert json.dumps(kept).count("adapter_watts") == 1  # kept as it came, for a server to come


def test_an_agent_says_that_its_server_is_older(run, real):
    run("enrol", "--server", real.address, "--code", real.code())

    found = run("examine")[1]

    assert f"this agent writes wire version {NEWER}, the server takes {WIRE_VERSION}\n" in found
    assert "bring the server up to date" in found
