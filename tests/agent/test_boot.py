"""Which start of the system it is, as each platform tells it; answers are made up."""

import sys
from types import SimpleNamespace

import pytest

from flashworthy_agent import boot
from flashworthy_agent.boot import boot_id
from support.trees import grow

FILE = "/proc/sys/kernel/random/boot_id"  # random(4)
LIVE = "flashworthy_agent.probes.windows.live"


@pytest.mark.parametrize(
    ("files", "expected"),
    [({FILE: "6f1c2d3e\n"}, "6f1c2d3e"), ({FILE: "\n"}, None), ({FILE: b"\xff"}, None), ({}, None)],
)
def test_linux_keeps_it_in_a_file(tmp_path, monkeypatch, files, expected):
    monkeypatch.setattr(sys, "platform", "linux")

    assert boot_id(grow(tmp_path, files)) == expected


@pytest.mark.parametrize(
    ("asked", "expected"), [(("echo", "A-1"), "A-1"), (("false",), None), (("no-such",), None)]
)
def test_macos_is_asked_for_it(tmp_path, monkeypatch, asked, expected):
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(boot, "_ASKED", asked)

    assert boot_id(tmp_path) == expected


def not_there(key, name):
    raise FileNotFoundError(2, "The system cannot find the file specified")


@pytest.mark.parametrize(("value", "expected"), [(lambda key, name: [4, 77], "77"),
                                                 (not_there, None)])  # fmt: skip
def test_windows_counts_its_starts(tmp_path, monkeypatch, value, expected):
    monkeypatch.setitem(sys.modules, LIVE, SimpleNamespace(registry_value=value))
    monkeypatch.setattr(sys, "platform", "win32")

    assert boot_id(tmp_path) == expected
