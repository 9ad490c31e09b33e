"""Agents of every wire version that there ever was, before the server as it is now.

`support/wire` holds, for each version, what an agent of that version sends: written down once, when
the version came, and never changed.
"""

import json
from pathlib import Path

import pytest

from flashworthy_common.report import report_to_json
from flashworthy_server.wire import WIRE_VERSIONS, read_report
from support.site import a_sent_report

FROZEN = Path(__file__).parents[1] / "support" / "wire"


def frozen(name):
    return json.loads((FROZEN / name).read_text())


def holds(found, told):
    """Whether all that was told is there; what came later may stand beside it."""
    if isinstance(told, dict):
        return isinstance(found, dict) and all(
            name in found and holds(found[name], value) for name, value in told.items()
        )
    if isinstance(told, list):
        return len(found) == len(told) and all(map(holds, found, told))
    return found == told


@pytest.mark.parametrize("version", WIRE_VERSIONS)
def test_a_report_of_each_version_is_read_to_the_last_value(version):
    told = frozen(f"report-{version}.json")

    read = read_report(told)

    assert read.problems == ()
    assert holds(report_to_json(read.report), told | {"wire": WIRE_VERSIONS[-1]})


@pytest.mark.parametrize("version", WIRE_VERSIONS)
def test_an_agent_of_each_version_joins_and_reports(site, version):
    told = frozen(f"report-{version}.json")
    joining = frozen(f"application-{version}.json") | {"code": site.code()}

    joined = site.client.post("/api/v1/enrolments", json=joining)
    sent = site.post("/reports", told, token=joined.json["token"])
    machine = site.get(f"/machines/{joined.json['machine_id']}").json

    assert (joined.status_code, sent.status_code) == (201, 201)
    assert (sent.json["report_id"], sent.json["stored"]) == (told["report_id"], True)
    assert holds(machine["report"], {name: told[name] for name in told.keys() - {"wire"}})


def test_versions_that_are_taken_are_told_to_anyone(site):
    assert site.client.get("/healthz").json["wire"] == list(WIRE_VERSIONS)


def test_what_a_newer_version_added_is_passed_over(site):
    token = site.enrol(hostname="reading-room-4")
    report = a_sent_report() | {"surroundings": {"temperature_celsius": 31}}
    report["power"] |= {"adapter_watts": 65}

    assert site.post("/reports", report, token=token).status_code == 201
