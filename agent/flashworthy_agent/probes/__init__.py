"""One question each, asked of the machine; how this platform answers them, is chosen here.

A probe is a function from `Access` to a section of the report. What it may read, run or ask the
time of is in `Access`. It answers *unknown, because* rather than raise; should it raise or hang
all the same, `flashworthy_agent.collect` sees to it that no other probe suffers.
"""

import sys

from flashworthy_agent.probes.probe import Platform
from flashworthy_common.values import Unknown


def platform_named(name: str = sys.platform) -> Platform:
    """The probes of one platform; none where nobody has written any yet."""
    if name == "linux":
        from flashworthy_agent.probes.linux import LINUX

        return LINUX
    if name == "win32":
        from flashworthy_agent.probes.windows import WINDOWS

        return WINDOWS
    if name == "darwin":
        from flashworthy_agent.probes.macos import MACOS

        return MACOS
    return Platform((), lambda access: Unknown(f"this agent does not know {name} yet"))
