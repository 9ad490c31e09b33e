"""The visit of last week in the demo, played with the server's clock set back by a week.

    FLASHWORTHY_DATABASE=... python last_week.py TECHNICIAN

Three machines of the invented library enrol and report, a visit to them is planned, and a flash of
each is started. Two come back with what was meant; of the third nobody has heard since. Everything
goes through the server's own services and API, as it would have then.
"""

import os
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from county_library import AFTER_FLASH, LAST_VISIT, Case, machines, report_of
from flask.testing import FlaskClient

from flashworthy_common.report import Report, Why, report_to_json
from flashworthy_common.values import to_json
from flashworthy_server import create_app
from flashworthy_server.services import accounts, credentials, visit_plans, visit_work
from flashworthy_server.services.visit_plans import Wanted
from flashworthy_server.services.who import Kind, Role, Who, at_the_terminal
from flashworthy_server.site import Site
from flashworthy_server.web.context import EXTENSION

BEFORE, TARGET = "1.29", "1.34"
WHO = at_the_terminal("demo")
SEQUENCES = {Why.SCHEDULE: 1, Why.SPOT: 2, Why.START_UP: AFTER_FLASH}


class Clock:
    """The time of the story."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


def play(technician: str) -> None:
    clock = Clock(datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(days=7))
    app = create_app({"database": os.environ["FLASHWORTHY_DATABASE"]}, clock=clock)
    site, client = app.extensions[EXTENSION], app.test_client()
    cases = [(n, case) for n, case in enumerate(machines(), 1) if case.branch == LAST_VISIT]
    for number, case in cases:
        _report(site, client, number, case, BEFORE, clock.now, Why.SCHEDULE)
    visit_id = _plan(site, technician, len(cases))
    numbers = visit_plans.plan_of_visit(site, visit_id)[1].order
    clock.now += timedelta(hours=1)
    person = Who(kind=Kind.PERSON, name=technician, role=Role.TECHNICIAN)
    for machine_id in numbers:
        number, case = cases[machine_id - 1]
        _report(site, client, number, case, BEFORE, clock.now, Why.SPOT)
        key = f"the demo starts machine {machine_id}"
        visit_work.note_started(site, person, visit_id, machine_id, key)
        clock.now += timedelta(minutes=5)
    clock.now += timedelta(minutes=25)
    for number, case in cases:
        if not case.is_silent:
            _report(site, client, number, case, TARGET, clock.now, Why.START_UP)
    site.database.close()
    print(f"visit #{visit_id} was a week ago: {len(cases)} machines, one of them silent since")


def _plan(site: Site, technician: str, machines_of_it: int) -> int:
    begins_at = site.clock() + timedelta(hours=1)
    wanted = Wanted(
        machine_ids=tuple(range(1, machines_of_it + 1)),  # the first that enrolled
        begins_at=begins_at,
        ends_at=begins_at + timedelta(hours=2),
        technician_id=accounts.account_named(site, technician).id,
        remark="key at the lending desk",
    )
    return visit_plans.plan_visit(site, WHO, wanted, "the demo's visit of last week")


def _report(
    site: Site,
    client: FlaskClient,
    number: int,
    case: Case,
    version_text: str,
    now: datetime,
    why: Why,
) -> None:
    report = _told(case, number, version_text, now, why)
    code = credentials.make_code(site, WHO, uses=1, days=1, place=None).code
    enrolled = client.post(
        "/api/v1/enrolments",
        json={
            "code": code,
            "agent_id": report.agent_id,
            "place": report.identity.place,
            "identity": to_json(report.identity),
            "machine": to_json(report.machine),
        },
    )
    token = _checked(enrolled).json["token"]
    headers = {"Authorization": f"Bearer {token}"}
    _checked(client.post("/api/v1/reports", json=report_to_json(report), headers=headers))


def _told(case: Case, number: int, version_text: str, now: datetime, why: Why) -> Report:
    report = report_of(replace(case, version_text=version_text), number, SEQUENCES[why], now)
    uptime_seconds = 60 if why is Why.START_UP else report.uptime_seconds
    return replace(report, why=why, uptime_seconds=uptime_seconds)


def _checked(answer: Any) -> Any:
    if answer.status_code >= 400:
        sys.exit(f"{answer.request.method} {answer.request.path}: {answer.text}")
    return answer


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    play(sys.argv[1])
