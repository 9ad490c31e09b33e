"""The settings: one file, understood whole or refused by name."""

import os
import re
import tomllib
from dataclasses import asdict
from pathlib import Path

import pytest

from flashworthy_agent.config import Config, load_settings
from flashworthy_agent.errors import ConfigError


@pytest.fixture
def file(tmp_path):
    return tmp_path / "agent.toml"


def settings(file, text="", environment=None):
    file.write_text(text)
    file.chmod(0o644)
    return load_settings(file, environment or {})


def refusal(file, text, environment=None):
    with pytest.raises(ConfigError) as refused:
        settings(file, text, environment)
    return str(refused.value)


def test_without_a_file_everything_has_its_default(tmp_path):
    assert load_settings(tmp_path / "nowhere.toml", {}).config == Config()
    assert load_settings(None, {}).config == Config()


def test_every_key_can_be_set(file, tmp_path):
    authority = tmp_path / "ca.pem"
    authority.write_text("")
    authority.chmod(0o644)

    config = settings(
        file,
        f"""
        server = "https://flash.example/"
        place = "Alder Lane/ground floor"
        ca_file = "{authority}"
        proxy = "http://proxy.example:3128"
        report_every_minutes = 240
        ups = ["desk@127.0.0.1"]
        spool_most_reports = 9
        spool_most_megabytes = 8
        """,
    ).config

    assert config == Config(
        server="https://flash.example",
        place="Alder Lane / ground floor",
        ca_file=str(authority),
        proxy="http://proxy.example:3128",
        report_every_minutes=240,
        ups=("desk@127.0.0.1",),
        spool_most_reports=9,
        spool_most_megabytes=8,
    )


@pytest.mark.parametrize(
    ("text", "because"),
    [
        ("servr = 'x'", "no such key: 'servr'; the nearest is 'server'"),
        ("spool_max_reports = 1", "no such key: 'spool_max_reports'; the nearest is "),
        ("[agent]\nserver = 'x'", "no such key: 'agent'; the nearest is "),
        ("server = 7", "server: expected a text, got 7"),
        ("server = 'flash.example'", "server: expected an address such as https://server.example"),
        ("server = 'http://flash.example'", "server: expected https://, got "),
        ("place = 'A //'", """place: expected "site / building / room", got 'A //'"""),
        ("place = ['A']", 'place: expected "site / building / room", got '),
        ("ca_file = 'ca.pem'", "ca_file: expected a path that begins with /, got 'ca.pem'"),
        ("ca_file = '/nowhere/ca.pem'", "ca_file: /nowhere/ca.pem: No such file or directory"),
        ("proxy = 'http://a:b@p.example'", "proxy: expected an address such as "),
        ("proxy = 'p.example:3128'", "proxy: expected an address such as "),
        ("report_every_minutes = 14", "report_every_minutes: expected a whole number from 15 to"),
        ("report_every_minutes = true", "report_every_minutes: expected a whole number from"),
        ("report_every_minutes = 60.0", "report_every_minutes: expected a whole number from"),
        ("ups = [7]", "ups: expected a list of texts, got [7]"),
        ("server =", "expected TOML: "),
    ],
)
def test_what_is_not_understood_is_refused_by_name(file, text, because):
    refused = refusal(file, text)

    assert refused.startswith((f"{file}: ", "ca_file: "))
    assert because in refused


def test_bytes_outside_utf_8_are_refused(file):
    file.write_bytes(b"place = '\xe9'")

    with pytest.raises(ConfigError, match="expected TOML: "):
        load_settings(file, {})


@pytest.mark.parametrize("mode", [0o664, 0o646, 0o666, 0o777])
def test_a_file_that_others_can_write_is_refused(file, mode):
    file.write_text("")
    file.chmod(mode)

    with pytest.raises(ConfigError, match=f"only its owner can write, got mode {mode:04o}"):
        load_settings(file, {})


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives a file away")
def test_a_file_of_somebody_else_is_refused(file):
    file.write_text("")
    os.chown(file, 12345, -1)

    with pytest.raises(ConfigError, match="got one of user 12345; run chown root on it"):
        load_settings(file, {})


def test_an_authority_that_others_can_write_is_refused(file, tmp_path):
    authority = tmp_path / "ca.pem"
    authority.write_text("")
    authority.chmod(0o666)

    assert "only its owner can write, got mode 0666" in refusal(file, f"ca_file = '{authority}'")


def test_the_environment_outranks_the_file(file):
    found = settings(
        file,
        "place = 'A'\nreport_every_minutes = 30",
        {"FLASHWORTHY_PLACE": "B", "FLASHWORTHY_SPOOL_MOST_REPORTS": "7", "FLASHWORTHY_UPS": "a b"},
    )

    assert (found.config.place, found.config.report_every_minutes) == ("B", 30)
    assert (found.config.spool_most_reports, found.config.ups) == (7, ("a", "b"))


def test_a_malformed_value_of_the_environment_is_refused(file):
    refused = refusal(file, "", {"FLASHWORTHY_REPORT_EVERY_MINUTES": "often"})

    assert refused == (
        "environment: report_every_minutes: expected a whole number from 15 to 1440, got 'often'"
    )


def test_every_key_is_shown_with_unit_and_source(file):
    lines = settings(file, "place = 'A / B'", {"FLASHWORTHY_SPOOL_MOST_REPORTS": "7"}).lines()

    text = "\n".join(lines)
    assert f"place = A / B\n    names; from: {file}; where the machine stands" in text
    assert "report_every_minutes = 60\n    minutes; from: default; " in text
    assert "spool_most_reports = 7\n    reports; from: environment; " in text
    assert "server = -\n    address; from: not set; where reports go; " in text
    assert len(lines) == 2 * len(Config.__dataclass_fields__)


def test_the_digest_tells_whether_settings_differ():
    assert Config().digest() == Config().digest()
    assert Config().digest() != Config(place="A").digest()
    assert Config().digest().startswith("sha256:")


def test_the_example_names_every_key_with_its_default():
    text = (Path(__file__).parents[2] / "deploy/agent/agent.toml").read_text()

    example = tomllib.loads(re.sub(r"(?m)^#(?=\w+ = )", "", text))

    assert list(example) == list(Config.__dataclass_fields__)
    for name, default in asdict(Config()).items():
        assert default is None or example[name] == (list(default) if default == () else default)
