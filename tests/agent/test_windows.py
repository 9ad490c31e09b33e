"""Programs with windows: told by their class, and never by a title.

What xprop 1.2.5 printed on an X11 desktop; hints after the Extended Window Manager Hints.
"""

from pathlib import Path

import pytest

from flashworthy_agent.probes import platform_named
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.windows import programs_with_windows
from flashworthy_agent.probes.probe import NOT_YET, Platform
from flashworthy_agent.probes.programs import Outcome, Programs
from flashworthy_common.values import Unknown
from support.trees import LiveTree, NoPrograms

NOWHERE = Path("/nowhere")


class Desktop(Programs):
    def __init__(self, listed, **windows):
        self.listed, self.windows, self.asked = listed, windows, []

    def run(self, arguments, timeout_seconds):
        self.asked.append(arguments)
        if "-root" in arguments:
            return Outcome(0, self.listed, "")
        described = self.windows.get(arguments[arguments.index("-id") + 1])
        return Outcome(1, "", "BadWindow") if described is None else Outcome(0, described, "")


def window(program, kind=":  not found."):
    return f'WM_CLASS = "instance", "{program}"\n_NET_WM_WINDOW_TYPE{kind}\n'


def seen(desktop, **environment):
    told = {"DISPLAY": ":0"} | environment
    tree = LiveTree(NOWHERE, {("environment", name): text for name, text in told.items()})
    return programs_with_windows(Access(tree, desktop))


def test_a_program_is_told_once_by_its_class():
    desktop = Desktop(
        "_NET_CLIENT_LIST: window id # 0x20000c, 0x3a00007, 0x3a00009, 0x40, 0x41\n",
        **{
            "0x20000c": window("XTerm"),
            "0x3a00007": window("Writer", " = _NET_WM_WINDOW_TYPE_NORMAL"),
            "0x3a00009": window("Writer"),
            "0x40": window("Panel", " = _NET_WM_WINDOW_TYPE_DOCK"),
        },  # and 0x41 was closed meanwhile
    )

    assert seen(desktop) == ("Writer", "XTerm")
    assert not any("NAME" in word for command in desktop.asked for word in command)


def test_a_desktop_without_windows_has_none():
    assert seen(Desktop("_NET_CLIENT_LIST: window id # \n")) == ()


@pytest.mark.parametrize(
    ("desktop", "environment", "because"),
    [
        (Desktop("_NET_CLIENT_LIST:  no such atom on any window.\n"), {},
         "this desktop keeps no list of its windows"),
        (Desktop(""), {"WAYLAND_DISPLAY": "wayland-0"},
         "a Wayland desktop does not show a program the windows of others"),
        (Desktop(""), {"DISPLAY": ""},
         "no desktop can be seen from here; run it in a terminal of the desktop"),
    ],
)  # fmt: skip
def test_a_desktop_that_cannot_be_seen_is_a_reason(desktop, environment, because):
    assert seen(desktop, **environment) == Unknown(because)


def test_a_platform_that_cannot_tell_says_so():
    other, access = Platform((), lambda access: NOT_YET), Access(LiveTree(NOWHERE), NoPrograms())

    here = platform_named("linux").programs_with_windows(access)
    assert here == programs_with_windows(access)
    assert other.programs_with_windows(access) == NOT_YET


def test_the_desktop_of_another_root_is_not_asked():
    assert programs_with_windows(Access(FilesBelow(NOWHERE), NoPrograms())) == ANOTHER_ROOT
