"""The first day of a site, from the empty server to the first machine's verdict.

A real server in a process of its own, the real agent, and a browser without script: what a new
administrator does with what the terminal and the pages say.
"""

import re
import subprocess
import sys

import pytest
import requests

from support.browser import Browser
from support.real_server import RealServer
from support.trees import grow, supply

PASSWORD = "heron lantern brick"
TREE = {
    "/sys/class/dmi/id/bios_vendor": "Brightwater\n",
    "/sys/class/dmi/id/bios_version": "K1.29\n",
    "/sys/class/dmi/id/sys_vendor": "Quillmark\n",
    "/sys/class/dmi/id/product_name": "Folio 14\n",
    "/sys/class/dmi/id/product_serial": "QM-0042\n",
    "/proc/sys/kernel/hostname": "reading-room-4\n",
    **supply("AC", type="Mains", online=1),
}


class OverHttp:
    """What a browser of the tests asks with, over a socket."""

    def __init__(self, address):
        self.address, self.session = address, requests.Session()

    def open(self, path, *, method, data, headers, environ_overrides):
        return self.session.request(
            method,
            self.address + path,
            data=data,
            headers=headers,
            allow_redirects=False,
            timeout=10,
        )


@pytest.fixture
def real(tmp_path):
    with RealServer(tmp_path / "server") as server:
        yield server


def program(name, *words, **environment):
    code = f"import sys; from flashworthy_{name}.cli import main; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        env={"PATH": "/usr/bin:/bin", **environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_from_the_empty_server_to_the_first_verdict(real, tmp_path):
    def server(*words):
        return program("server", *words, FLASHWORTHY_DATABASE=real.database_url)

    def agent(command, *words):
        root = str(grow(tmp_path / "root", TREE))
        state = str(tmp_path / "state")
        return program("agent", command, "--root", root, "--state", state, *words)

    # The terminal lets the first administrator in.
    code = server("account", "new", "Ida Fenwick", "--role", "administrator").strip()
    browser = Browser(OverHttp(real.address))
    page = browser.send(
        browser.open("/set-up"), "Set it", name="Ida Fenwick", code=code, password=PASSWORD
    )
    page = browser.send(page, "Sign in", name="ida fenwick", password=PASSWORD)
    assert "No machine has joined yet" in page.text

    # The page says what comes first: a code, and what to do with it.
    page = browser.send(browser.open("/codes"), "Make a code", uses="1", place="Alder Lane/hall")
    assert "flashworthy-agent enrol" in page.text
    enrolment_code = re.search(r"fwjoin-\S+", page.text)[0]
    agent("enrol", "--server", real.address, "--code", enrolment_code)
    agent("run")

    # The machine is there, and the page says of it what the terminal says.
    page = browser.open("/machines")
    assert "reading-room-4" in page.text
    machine = browser.open("/machines/1")
    told = server("verdict", "reading-room-4").splitlines()
    assert told[0].startswith("UNDECIDED")
    assert "undecided" in machine.text
    assert told[1] in machine.text

    # And all of it is in the trail, whole.
    assert "none changed or missing" in server("audit", "verify")
    trail = browser.open("/audit").text
    for who, action in (
        ("terminal: ", "account.add"),
        ("person: Ida Fenwick", "code.make"),
        ("code: #1", "machine.enrol"),
    ):
        assert who in trail
        assert action in trail
