"""The code with which an agent may join: left by the site in a file, or in the environment."""

import stat
from collections.abc import Mapping
from pathlib import Path

from flashworthy_agent.config import PREFIX
from flashworthy_agent.errors import ConfigError
from flashworthy_agent.rights import others_may_read
from flashworthy_agent.state import StateFolder

CODE_VARIABLE = f"{PREFIX}CODE"


def code_file(folder: StateFolder) -> Path:
    """Where the site may leave a code; it is removed once it has served."""
    return folder.folder / "enrolment-code"


def code_left_for(folder: StateFolder, environment: Mapping[str, str]) -> str | None:
    """The code with which this agent may join silently; None: nobody left one."""
    if code := environment.get(CODE_VARIABLE, "").strip():
        return code
    return read_code(code_file(folder)) if code_file(folder).exists() else None


def read_code(file: Path) -> str:
    """The code that `file` holds.

    Raises:
        ConfigError: others can read it, or it holds none.
    """
    try:
        mode = stat.S_IMODE(file.stat().st_mode)
        code = file.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{file}: expected an enrolment code: {error}") from error
    if others_may_read(mode):
        raise ConfigError(
            f"{file}: expected mode 0600, since it lets machines join, got {mode:04o}; "
            "run chmod 600 on it"
        )
    if not code:
        raise ConfigError(f"{file}: expected an enrolment code, got nothing")
    return code
