"""What a probe may look at: files, programs, other raw inputs, the clock, its own kept answers."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from flashworthy_agent.clock import utc_now
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.inputs import Answer, FilesBelow, Inputs
from flashworthy_agent.probes.programs import Programs

if TYPE_CHECKING:
    from flashworthy_agent.probes.ups import UpsAddress

KEPT_FOR = timedelta(hours=6)


@dataclass(frozen=True)
class Access:
    """Everything outside itself that a probe may use."""

    inputs: Inputs
    programs: Programs
    now: Callable[[], datetime] = utc_now
    kept_folder: Path | None = None  # where costly answers are kept; None: nowhere
    kept_for: timedelta = KEPT_FOR  # how long a kept answer does
    ask_anew: bool = False  # do not use kept answers
    ups: "tuple[UpsAddress, ...]" = ()  # those that feed this machine
    look_for: tuple[str, ...] = ()  # drivers and packages whose versions are asked for
    on_the_spot: bool = False  # somebody stands there and looks

    @cached_property
    def files(self) -> Files:
        return Files(self.inputs)

    @property
    def is_live(self) -> bool:
        """Whether a running system answers, not its files alone."""
        return self.inputs.is_live

    @property
    def is_root(self) -> bool:
        """Whether the agent may read everything."""
        return bool(self._told("is root"))

    @property
    def architecture(self) -> str:
        """The processor's, as the system names it; empty where only files answer."""
        return str(self._told("architecture") or "")

    def environment(self, name: str) -> str:
        """A variable of the environment; empty where it is not set."""
        return str(self._told("environment", name) or "")

    def _told(self, kind: str, *about: str) -> Answer:
        """What is no more than a hint; none where nothing answers it."""
        try:
            return self.inputs.ask(kind, *about)
        except OSError:
            return None


def access_through(inputs: Inputs) -> Access:
    return Access(inputs, Programs(inputs))


def access_to(root: Path) -> Access:
    """Access to the running system, or to the files of another one below `root`."""
    if root != Path("/").absolute():
        return access_through(FilesBelow(root))
    from flashworthy_agent.probes.live import RunningSystem  # late: files alone need no programs

    return access_through(RunningSystem())
