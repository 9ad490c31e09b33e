"""What a probe may look at: files below a root, programs, the clock, and its own kept answers."""

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from flashworthy_agent.clock import utc_now
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.programs import NoPrograms, Programs

if TYPE_CHECKING:
    from flashworthy_agent.probes.ups import UpsAddress

KEPT_FOR = timedelta(hours=6)


@dataclass(frozen=True)
class Access:
    """Everything outside itself that a probe may use."""

    files: Files
    programs: Programs
    now: Callable[[], datetime] = utc_now
    kept_folder: Path | None = None  # where costly answers are kept; None: nowhere
    kept_for: timedelta = KEPT_FOR  # how long a kept answer does
    ask_anew: bool = False  # do not use kept answers
    ups: "tuple[UpsAddress, ...]" = ()  # those that feed this machine
    look_for: tuple[str, ...] = ()  # drivers and packages whose versions are asked for
    on_the_spot: bool = False  # somebody stands there and looks
    is_root: bool = field(default_factory=lambda: os.geteuid() == 0)
    environment: Mapping[str, str] = field(default_factory=lambda: os.environ, hash=False)

    @property
    def is_live(self) -> bool:
        """Whether the files are those of the running system."""
        return self.files.is_live


def access_to(root: Path) -> Access:
    """Access to the running system, or to the files of another one below `root`."""
    files = Files(root)
    return Access(files, Programs() if files.is_live else NoPrograms())
