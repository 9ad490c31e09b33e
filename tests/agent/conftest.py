"""What many tests of the agent share: a made-up machine, its state folder, and a server."""

import pytest

from flashworthy_agent.state import StateFolder
from support.servers import serving
from support.trees import SERIAL, grow


@pytest.fixture
def root(tmp_path):
    """The root of a machine that says nothing of itself but its serial."""
    return grow(tmp_path / "root", {SERIAL: "AL-0042\n"})


@pytest.fixture
def folder(tmp_path):
    """The agent's state folder, not made yet."""
    return StateFolder(tmp_path / "state")


@pytest.fixture
def site():
    """A server that takes everything."""
    with serving() as server:
        yield server
