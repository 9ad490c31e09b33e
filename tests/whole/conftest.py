"""What takes long to make, once for all tests.

The demo's county library on a real server, and a real browser, for those that look; a Debian and
the agent's packages for those that install.
"""

import subprocess
from pathlib import Path

import pytest

from support.chromium import PROGRAM, chromium, window
from support.container import make_root, need
from support.library import PASSWORD, PEOPLE, fill, set_up_codes
from support.real_server import RealServer

BUILD = Path(__file__).parents[2] / "deploy/agent/build.sh"


@pytest.fixture(scope="session")
def packages(tmp_path_factory):
    """The agent's Debian package in two versions, by version."""
    need("dpkg-deb")
    folder = tmp_path_factory.mktemp("packages")
    for version in ("0.1.0", "0.1.1"):
        environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "VERSION": version}
        subprocess.run([BUILD, "deb", folder], env=environment, check=True, capture_output=True)
    return {path.name.split("_")[1]: path for path in folder.glob("*.deb")}


@pytest.fixture(scope="session")
def pristine_root(tmp_path_factory):
    """A Debian that nothing was installed on, to be copied."""
    return make_root(tmp_path_factory.mktemp("pristine") / "root")


@pytest.fixture(scope="session")
def library(tmp_path_factory):
    """The server, with everything of the demo on it."""
    folder = tmp_path_factory.mktemp("library")
    with RealServer(folder / "server") as server:
        fill(server, folder)
        yield server


@pytest.fixture(scope="session")
def chrome():
    if PROGRAM is None:
        pytest.skip("needs chromium: tests/run.sh --with-system-tools")
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="session")
def signed_in(chrome, library):
    """By name, the cookies of somebody of `PEOPLE` who has set a password and signed in."""
    return {
        name: sign_in_first(chrome, library.address, name, code)
        for name, code in set_up_codes(library).items()
    }


@pytest.fixture
def look(chrome, library, signed_in):
    """Opens a window for somebody; its options are those of `support.chromium.window`."""
    return lambda name, *width, **options: window(
        chrome, library.address, *width, state=signed_in[name], **options
    )


def sign_in_first(chrome, address, name, code):
    with window(chrome, address) as seen:
        seen.open("/set-up")
        seen.type("Name", name)
        seen.type("Code that you were given", code)
        seen.type("New password", PASSWORD)
        seen.press("Set it")
        seen.open("/sign-in")
        seen.type("Name", name)
        seen.type("Password", PASSWORD)
        seen.press("Sign in")
        assert f"{name}, {PEOPLE[name]}" in seen.words
        return seen.context.storage_state()
