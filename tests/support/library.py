"""The invented county library of the demo, on a real server, with something on every page."""

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flask import Flask

from flashworthy_server import pages
from flashworthy_server.config import config_from
from flashworthy_server.services import jobs, long_work
from flashworthy_server.services.who import at_the_terminal
from flashworthy_server.site import open_site
from flashworthy_server.web.access import STYLESHEET, is_page
from support.real_server import RealServer

DEMO = Path(__file__).parents[2] / "deploy" / "demo"
SHOWN = "dunmere-folio-14-03"  # the machine whose page is looked at: it is to be prepared
PEOPLE = {"Ida Fenwick": "administrator", "Tom Arden": "technician", "Vera Holt": "viewer"}
_WORK_SECONDS = 20.0
PASSWORD = "quay windlass lamp"

# What stands for the parts of a page's address. Each page with parts needs its line here: it names
# something that `fill` has made.
PARTS: dict[str, dict[str, object]] = {
    "pages.machine": {"machine_id": 3},
    "pages.report": {"machine_id": 3, "number": 1},
    "pages.person": {"account_id": 1},
    "pages.audit_entry": {"number": 1},
    "pages.release": {"release_id": 1},
    "pages.edit_release": {"release_id": 1},
    "pages.new_review": {"combination_id": 1},
    "pages.package": {"package_id": 1},
    "pages.fetch_package": {"package_id": 1},
    "pages.job": {"job_id": 1},
    "pages.job_output": {"job_id": 2},
    "pages.record": {"machine_id": 3},
    "pages.machine_code": {"machine_id": 3},
    "pages.visit": {"visit_id": 1},
    "pages.visit_sheet": {"visit_id": 1},
    "pages.visit_work": {"visit_id": 1},
    "pages.visit_machine": {"visit_id": 1, "machine_id": 3},
    "pages.visit_calendar": {"visit_id": 1},
    "pages.visits_month": {"month": "2026-11"},
    "pages.calendar_feed": {"secret": "nobody-knows-it"},
}


def paths() -> Iterator[tuple[str, str]]:
    """Endpoint and address of every page that can be got, by the application's own map.

    Raises:
        KeyError: a page has parts in its address, and no line in `PARTS`.
    """
    app = Flask(__name__, static_folder=None)
    pages.register(app)
    with app.test_request_context():
        for rule in app.url_map.iter_rules():
            if is_page(rule.endpoint) and rule.endpoint != STYLESHEET and "GET" in rule.methods:
                parts = PARTS[rule.endpoint] if rule.arguments else {}
                _, path = rule.build(parts)
                yield rule.endpoint, path


def fill(server: RealServer, folder: Path) -> None:
    """Releases, machines with their reports, and what people recorded."""
    releases = folder / "releases.json"
    releases.write_text(_demo("--releases"))
    server.call("releases", "import", str(releases))
    server.call("exploited", "import", str(DEMO / "exploited.json"))
    server.call("weighing", "set", "human_impact=high")
    code = server.call("code", "new", "--uses", "100", "--days", "1").split()[0]
    _demo("--server", server.address, "--code", code)
    server.call("mark", "gorse-end-folio-11-18", "fire-alarm panel terminal")
    server.call("symptoms", "add", SHOWN, "the fan hums after sleep")
    server.call("confirmations", "add", "castle-row-folio-14-02", "recovery-key")
    server.call("flash", "start", "birchwick-folio-14-01")
    server.call("account", "new", "Rosa Kemp", "--role", "technician")
    tomorrow = datetime.now(UTC).date() + timedelta(days=1)
    when = ("--begins", f"{tomorrow} 09:00", "--ends", f"{tomorrow} 11:00")
    server.call("visit", "plan", SHOWN, "#5", *when, "--technician", "Rosa Kemp")
    package = folder / "folio-14-1.29.cap"
    package.write_bytes(b"stands for the maker's file")
    said = ("--maker", "Quillmark", "--model", "Folio 14", "--version", "1.29")
    server.call("packages", "keep", str(package), *said, "--source", "its maker's page")
    _ask_for_long_work(server)


def _ask_for_long_work(server: RealServer) -> None:
    """The effect of other limits, and a file of all releases; both done."""
    site = open_site(config_from({"database": server.database_url}))
    who, deadline = at_the_terminal("ida"), time.monotonic() + _WORK_SECONDS
    long_work.compare_policy(site, who, None, {"least_priority": "immediate"})
    exported = long_work.export_releases(site, who, "csv")
    while jobs.view(site, who, exported).state not in jobs.ENDED:
        assert time.monotonic() < deadline, "the server does no long work"
        time.sleep(0.05)
    site.database.close()


def set_up_codes(server: RealServer) -> dict[str, str]:
    """Accounts for `PEOPLE`; the code of each that sets a password."""
    return {
        name: re.search(r"fwsetup-\S+", server.call("account", "new", name, "--role", role))[0]
        for name, role in PEOPLE.items()
    }


def _demo(*arguments: str) -> str:
    command = [sys.executable, str(DEMO / "county_library.py"), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout
