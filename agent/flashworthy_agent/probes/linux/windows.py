"""Programs with windows on this desktop, for whoever stands before it. Shown here, never sent.

- Only an X11 desktop lets a program see the windows of others (Extended Window Manager Hints,
  freedesktop.org); a Wayland desktop shows a part of them at most, and so none are told.
- A window is told by the class of its program. Its title, which may name a document, is never read.
"""

import re

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_common.values import Maybe, Unknown

_TIMEOUT_SECONDS = 2.0
_MOST_WINDOWS = 100
_WINDOW_ID = re.compile(r"0x[0-9a-f]+")
_QUOTED = re.compile(r'"((?:[^"\\]|\\.)*)"')
_OF_THE_DESKTOP = ("_NET_WM_WINDOW_TYPE_DESKTOP", "_NET_WM_WINDOW_TYPE_DOCK")
_LIST = ["xprop", "-notype", "-root", "_NET_CLIENT_LIST"]


def programs_with_windows(access: Access) -> Maybe[tuple[str, ...]]:
    """Their names, or why they cannot be seen from here."""
    if not access.is_live:
        return ANOTHER_ROOT
    if access.environment("WAYLAND_DISPLAY"):
        return Unknown("a Wayland desktop does not show a program the windows of others")
    if not access.environment("DISPLAY"):
        return Unknown("no desktop can be seen from here; run it in a terminal of the desktop")
    listed = access.programs.said(_LIST, _TIMEOUT_SECONDS)
    if isinstance(listed, Unknown):
        return listed
    if "#" not in listed:
        return Unknown("this desktop keeps no list of its windows")
    windows = _WINDOW_ID.findall(listed.partition("#")[2])[:_MOST_WINDOWS]
    names = {_program(access, window) for window in windows}
    return tuple(sorted(name for name in names if name))


def _program(access: Access, window: str) -> str:
    """The class of one window's program; empty for a part of the desktop itself."""
    command = ["xprop", "-notype", "-id", window, "WM_CLASS", "_NET_WM_WINDOW_TYPE"]
    described = access.programs.said(command, _TIMEOUT_SECONDS)
    if isinstance(described, Unknown) or any(kind in described for kind in _OF_THE_DESKTOP):
        return ""  # it may have been closed meanwhile
    # two names, the second the program's (ICCCM §4.1.2.5)
    names: list[str] = _QUOTED.findall(described)
    return names[-1] if names else ""
