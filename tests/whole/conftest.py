"""The demo's county library on a real server, and a real browser, once for all tests that look."""

import pytest

from support.chromium import PROGRAM, chromium, window
from support.library import PASSWORD, PEOPLE, fill, set_up_codes
from support.real_server import RealServer


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
