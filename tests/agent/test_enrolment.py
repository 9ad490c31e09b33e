"""Joining: which code counts, and when the agent starts over under a new id."""

import pytest

from flashworthy_agent.config import Config
from flashworthy_agent.enrolment import enrol
from flashworthy_agent.enrolment_code import code_left_for, read_code
from flashworthy_agent.errors import ConfigError, RequestRefusedError
from flashworthy_agent.probes.access import access_to
from support.trees import SERIAL, grow


@pytest.fixture
def join(folder, site, root):
    return lambda **named: enrol(folder, access_to(root), Config(server=site.address), **named)


@pytest.fixture
def code_file(folder):
    folder.folder.mkdir(0o700)
    file = folder.folder / "enrolment-code"
    file.write_text("ABC\n")
    file.chmod(0o600)
    return file


def test_joining_again_on_the_same_machine_keeps_the_id(join):
    assert join(code="ABC").agent_id == join(code="DEF").agent_id


def test_joining_remembers_the_machine_without_its_serials(join):
    (item,) = join(code="ABC").evidence

    assert item.startswith("system_serial:")
    assert "0042" not in item


def test_joining_on_another_machine_makes_a_new_id_and_keeps_the_place(join, root):
    first = join(code="ABC", place="Alder Lane")
    grow(root, {SERIAL: "AL-0077\n"})

    second = join(code="ABC")

    assert second.agent_id != first.agent_id
    assert second.place == "Alder Lane"


def test_an_id_that_the_server_knows_as_another_machines_is_given_up(join, site):
    first = join(code="ABC")
    site.foreign_agents = {first.agent_id}  # a copy of a machine without serials

    second = join(code="ABC")

    assert second.agent_id != first.agent_id
    assert second.sequence == 0


def test_a_server_that_takes_no_id_at_all_is_told_and_not_asked_for_ever(join, site, monkeypatch):
    monkeypatch.setattr(site, "_enrol", lambda _: (409, {"title": "Conflict"}))

    with pytest.raises(RequestRefusedError, match="answers 409: Conflict"):
        join(code="ABC")

    assert len(site.requests) == 2


def test_without_a_server_nobody_is_asked(folder, root):
    with pytest.raises(ConfigError, match="no server is named; say --server URL, or set the key"):
        enrol(folder, access_to(root), Config(), "ABC")


# ---- codes ------------------------------------------------------------------------------------


def test_a_code_of_the_environment_comes_before_that_of_the_file(folder, code_file):
    assert code_left_for(folder, {}) == "ABC"
    assert code_left_for(folder, {"FLASHWORTHY_CODE": " DEF "}) == "DEF"


def test_there_may_be_no_code(folder):
    assert code_left_for(folder, {"FLASHWORTHY_CODE": ""}) is None


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_a_code_that_others_can_read_is_refused(code_file, mode):
    code_file.chmod(mode)

    with pytest.raises(ConfigError, match=f"lets machines join, got mode|got {mode:04o}"):
        read_code(code_file)


@pytest.mark.parametrize("content", [b"", b" \n", b"\xe9"])
def test_a_file_without_a_code_is_refused(code_file, content):
    code_file.write_bytes(content)

    with pytest.raises(ConfigError, match="expected an enrolment code"):
        read_code(code_file)
