"""What the documents say is true: commands exist, and every command is documented."""

import re
import subprocess
import sys
from pathlib import Path

import click
import pytest

from flashworthy_agent.cli import parser as agent_parser
from flashworthy_common.readiness import Outcome
from flashworthy_server.cli import main as server

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


def server_commands(group=server, prefix=""):
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from server_commands(command, f"{prefix}{name} ")
        else:
            yield prefix + name


def agent_commands():
    (commands,) = [action for action in agent_parser()._actions if action.choices]
    return list(commands.choices)


@pytest.mark.parametrize("command", [*server_commands(), *agent_commands()])
def test_every_command_is_in_the_readme(command):
    assert re.search(rf"`{command}[ `]", README), f"README.md does not document {command!r}"


@pytest.mark.parametrize("script", ["deploy/demo.sh", "tests/run.sh", ".ci/run", "deploy/lock.sh"])
def test_the_scripts_that_are_named_can_be_started(script):
    subprocess.run(["bash", "-n", TOP / script], check=True)
    assert (TOP / script).stat().st_mode & 0o111


@pytest.mark.parametrize("outcome", Outcome)
def test_every_outcome_is_explained(outcome):
    assert f"| `{outcome.value}` |" in README


@pytest.mark.parametrize("path", re.findall(r"`(flashworthy_\w+/[\w/.]+)`", DEVELOPERS))
def test_the_places_that_are_named_exist(path):
    tops = [TOP / name / path for name in ("agent", "common", "server")]

    assert any(top.exists() for top in tops)


def test_the_locks_name_no_registry_and_pin_by_digest():
    for lock in (TOP / "deploy").glob("requirements-*.lock"):
        text = lock.read_text(encoding="utf-8")
        assert "://" not in text
        assert "--index" not in text
        assert all("--hash=sha256:" in entry for entry in re.split(r"\n(?=\S)", text.strip()))


def test_the_agent_extra_brings_nothing_of_the_server():
    lock = (TOP / "deploy" / "requirements-agent.lock").read_text(encoding="utf-8")

    assert not re.search(r"(?im)^(flask|sqlalchemy|marshmallow)\b", lock)


def test_help_is_a_sentence_for_every_command():
    for program in ("flashworthy_agent.cli", "flashworthy_server.cli"):
        run = f"from {program} import main; import sys; sys.exit(main(['--help']))"
        done = subprocess.run([sys.executable, "-c", run], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
