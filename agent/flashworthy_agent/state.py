"""What the agent must remember: who it is, where it reports to, and how far it has counted.

- One small file holds it all, so that agent id and sequence live and die together: a sequence
  number never repeats under one agent id, and a lost file means a new agent id.
- Whoever reads the token can report for this machine: a state file that others can read is
  refused, as is a folder in which others can write.
- Changes are made one at a time under a lock, and are on disk before they are acted upon.
"""

import json
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import field, replace
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from flashworthy_agent.chance import random_bits
from flashworthy_agent.durable import OWNER_ONLY_FILE, make_private_folder, write_durably
from flashworthy_agent.errors import BusyError, NotEnrolledError, StateError
from flashworthy_agent.rights import lock, others_may_read, others_may_write
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.ids import uuid4
from flashworthy_common.records import record
from flashworthy_common.values import from_json, to_json


@record
class State:
    """What is remembered; ``None`` stands for *none yet*."""

    agent_id: str  # UUID version 4, made once
    sequence: int = 0  # of the newest report
    server: str | None = None
    machine_id: str | None = None
    token: str | None = field(default=None, repr=False)
    previous_token: str | None = field(default=None, repr=False)  # until the token was used once
    place: str | None = None
    dropped_reports: int = 0  # since the agent id was made
    last_sent_at: datetime | None = None
    last_run_at: datetime | None = None  # of the schedule
    next_run_at: datetime | None = None
    boot_id: str | None = None  # of the system's start that was reported last
    evidence: tuple[str, ...] | None = None  # which machine this is, see `same_machine`


def new_state(*, sequence: int = 0) -> State:
    """The state of an agent that nobody knows yet."""
    return State(agent_id=uuid4(random_bits(122)), sequence=sequence)


def require_enrolled(state: State | None, folder: "StateFolder") -> State:
    """
    Raises:
        NotEnrolledError: no server knows this agent yet.
    """
    if state is None or not (state.server and state.machine_id and state.token):
        raise NotEnrolledError(
            f"{folder.folder}: not enrolled; run flashworthy-agent enrol --server URL --code CODE"
        )
    return state


class StateFolder:
    """The folder in which one agent keeps its state, its spool and its costly answers."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._file = folder / "state.json"

    @property
    def spool_folder(self) -> Path:
        return self.folder / "spool"

    @property
    def set_aside_folder(self) -> Path:
        return self.folder / "set-aside"

    @property
    def kept_folder(self) -> Path:
        return self.folder / "kept"

    def load(self) -> State | None:
        """The state, or None where there is none yet.

        Raises:
            StateError: it cannot be read, is damaged, or others can read it.
        """
        try:
            self._refuse_if_open_to_others()
            return _state_from(self._file.read_bytes(), self._file)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise _unusable(self._file, error) from error

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Holds off every other process that changes what is in this folder."""
        with self._lock_file("lock") as file:
            lock(file, wait=True)
            yield

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Makes this the only run of the agent.

        Raises:
            BusyError: another one is under way.
        """
        with self._lock_file("run.lock") as file:
            try:
                lock(file, wait=False)
            except BlockingIOError as error:
                raise BusyError("another run of this agent is under way; try again") from error
            yield

    def _lock_file(self, name: str) -> IO[str]:
        try:
            make_private_folder(self.folder)
            return open(self.folder / name, "a")
        except OSError as error:
            raise _unusable(self.folder, error) from error

    def change(self, **changes: Any) -> State:
        """The state after `changes`; to be called under the lock, makes the first state too."""
        return self._save(replace(self.load() or new_state(), **changes))

    def _save(self, state: State) -> State:
        text = json.dumps(to_json(state), indent=1)
        try:
            write_durably(self._file, text.encode())
        except OSError as error:
            raise _unusable(self._file, error) from error
        return state

    def count_report(self, **changes: Any) -> State:
        """The state with the sequence number of a new report; to be called under the lock."""
        state = self.load() or new_state()
        return self.change(sequence=state.sequence + 1, agent_id=state.agent_id, **changes)

    def start_over(self) -> State:
        """The state of an agent of another machine, that nobody knows yet; under the lock."""
        before = self.load()
        return self._save(replace(new_state(), place=before.place if before else None))

    def _refuse_if_open_to_others(self) -> None:
        mode = stat.S_IMODE(self._file.stat().st_mode)
        if others_may_read(mode):
            raise StateError(
                f"{self._file}: expected mode {OWNER_ONLY_FILE:04o}, since it holds the token, "
                f"got {mode:04o}: others may have read it; "
                f"run chmod 600 on it and enrol again for a new token"
            )
        folder_mode = stat.S_IMODE(self.folder.stat().st_mode)
        if others_may_write(folder_mode):
            raise StateError(
                f"{self.folder}: expected a folder in which only its owner can write, "
                f"got mode {folder_mode:04o}; run chmod 700 on it"
            )


def _state_from(content: bytes, file: Path) -> State:
    try:
        return from_json(State, json.loads(content))
    except (ValueError, MalformedValueError) as error:
        raise StateError(
            f"{file}: damaged ({error}); move it away and enrol again: "
            "the machine keeps its history on the server"
        ) from error


def _unusable(path: Path, error: OSError) -> StateError:
    hint = "; run as root" if isinstance(error, PermissionError) else ""
    return StateError(f"{path}: cannot be used: {error.strerror}{hint}")
