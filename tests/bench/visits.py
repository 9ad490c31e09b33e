"""How long a visit of many machines takes to plan and to render.

    python tests/bench/visits.py [MACHINES] [ROUNDS]

Prints, as medians over the rounds: the preview alone, the page of the preview, the page of the
visit, its sheet and its phone page; and the bytes of the phone page with its stylesheet. The bars
are 300 ms for a plan with its page, and 30 KB. Everything runs in one process, without a network.
"""

import statistics
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from flashworthy_server import create_app, schema
from flashworthy_server.db import Database
from flashworthy_server.services import credentials, sessions, visit_plans
from flashworthy_server.services.sessions import Attempt
from flashworthy_server.services.visit_plans import Wanted
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site
from flashworthy_server.web import cookies
from flashworthy_server.web.context import EXTENSION
from support.browser import Browser
from support.site import PASSWORD, WHO, FrozenClock, TestedSite

ON_BATTERY = {"power": {"mains": False}}
AS_USUAL = {}


def a_site(folder):
    url = f"sqlite:///{folder}/bench.db"
    database = Database(url, wait_seconds=5)
    schema.migrate(database)
    database.close()
    clock = FrozenClock()
    app = create_app({"database": url, "packages": f"{folder}/packages", "packages_spare_bytes": 0})
    app.extensions[EXTENSION] = Site(
        app.extensions[EXTENSION].database, app.extensions[EXTENSION].config, clock
    )
    site = app.extensions[EXTENSION]
    token = credentials.make_token(site, WHO, "bench", role=Role.ADMINISTRATOR, days=9).token
    return TestedSite(app.test_client(), clock, token, url)


def a_browser(site):
    name = site.person(Role.TECHNICIAN, "Tom Arden")
    browser = Browser(site.client.application.test_client())
    attempt = Attempt(name, PASSWORD, "", "127.0.0.1", "a browser")
    browser.client.set_cookie(cookies.NAME, sessions.sign_in(site.site, attempt))
    return browser


def told(label, rounds, work):
    """Medians in milliseconds: by the clock, and of the processor, which others do not distort."""
    spans = []
    for _ in range(rounds):
        begin = time.perf_counter(), time.process_time()
        work()
        spans.append((time.perf_counter() - begin[0], time.process_time() - begin[1]))
    wall, processor = (1000 * statistics.median(each) for each in zip(*spans, strict=True))
    print(f"  {label:<25} {wall:7.1f} ms, {processor:.1f} ms of the processor")


def fetch(browser, path):
    response = browser.client.get(path)
    assert response.status_code == 200, (path, response.status_code)
    return response.data


def main(machines=40, rounds=9):
    with tempfile.TemporaryDirectory() as folder:
        site = a_site(folder)
        site.know()
        browser = a_browser(site)
        for number in range(1, machines + 1):
            site.machine(
                number, place="Elmford / reading room", **(ON_BATTERY, AS_USUAL)[number % 2]
            )
        begins_at = site.clock.now + timedelta(days=1)
        wanted = Wanted(
            machine_ids=tuple(range(1, machines + 1)),
            begins_at=begins_at,
            ends_at=begins_at + timedelta(hours=8),
            technician_id=1,
        )
        visit_plans.plan_visit(site.site, WHO, wanted, "a form")
        chosen = "&".join(f"machine={number}" for number in wanted.machine_ids)
        new = f"/visits/new?{chosen}&begins=2026-05-06T10:00&ends=2026-05-06T18:00&technician=1"
        print(f"a visit of {machines} machines, medians of {rounds} rounds")
        told("planned, without a page", rounds, lambda: visit_plans.preview(site.site, wanted))
        for label, path in (
            ("planned and rendered", new),
            ("the visit", "/visits/1"),
            ("its sheet", "/visits/1/sheet"),
            ("its phone page", "/visits/1/work"),
        ):
            told(label, rounds, lambda path=path: fetch(browser, path))
        count = len(fetch(browser, "/visits/1/work")) + len(fetch(browser, "/static/style.css"))
        print(f"  its phone page with style {count / 1000:7.1f} KB")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
