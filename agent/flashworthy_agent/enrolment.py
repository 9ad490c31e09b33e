"""Joining a server: by hand with a code, or silently with one that the site left for the agent.

- The agent's id is on disk before it is used, so that asking again after a lost answer is harmless.
- On other hardware than before, the agent starts over under a new id. Reports that wait are of the
  other machine and are set aside: they cannot be sent with the new machine's token.
- The code file is removed once it has served.
"""

import stat
from collections.abc import Mapping
from pathlib import Path

from flashworthy_agent.collect import Findings, look
from flashworthy_agent.config import PREFIX, Config
from flashworthy_agent.errors import (
    AnotherMachineError,
    ConfigError,
    NotEnrolledError,
    RequestRefusedError,
)
from flashworthy_agent.probes.access import Access
from flashworthy_agent.same_machine import remembered
from flashworthy_agent.spool import Spool
from flashworthy_agent.state import State, StateFolder
from flashworthy_agent.transport import Enrolment, Server
from flashworthy_common.values import to_json

CODE_VARIABLE = f"{PREFIX}CODE"
_CONFLICT = 409  # RFC 9110 §15.5.10; the agent id belongs to another machine
_ASKED = frozenset({"identity", "machine"})


def enrol(
    folder: StateFolder, access: Access, config: Config, code: str, place: str | None = None
) -> State:
    """Join the server that `config` names; the state of the agent that it then knows.

    Raises:
        ConfigError: no server is named.
        TransportError: the server did not let it in.
    """
    if config.server is None:
        raise ConfigError("no server is named; say --server URL, or set the key server")
    server = Server(config.server, ca_file=config.ca_file, proxy=config.proxy)
    findings = look(access, only=_ASKED)
    state = _state_here(folder, findings, config.place or place)
    try:
        enrolment = server.enrol(_application(state, findings, code))
    except RequestRefusedError as error:
        if error.status != _CONFLICT:
            raise
        state = _start_over(folder, str(error))
        enrolment = server.enrol(_application(state, findings, code))
    enrolled = _keep(folder, state, findings, server.address, enrolment)
    _code_file(folder).unlink(missing_ok=True)
    return enrolled


def code_left_for(folder: StateFolder, environment: Mapping[str, str]) -> str | None:
    """The code with which this agent may join silently; None: nobody left one."""
    if code := environment.get(CODE_VARIABLE, "").strip():
        return code
    return read_code(_code_file(folder)) if _code_file(folder).exists() else None


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
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ConfigError(
            f"{file}: expected mode 0600, since it lets machines join, got {mode:04o}; "
            "run chmod 600 on it"
        )
    if not code:
        raise ConfigError(f"{file}: expected an enrolment code, got nothing")
    return code


def require_enrolled(state: State | None, folder: StateFolder) -> State:
    """
    Raises:
        NotEnrolledError: no server knows this agent yet.
    """
    if state is None or not (state.server and state.machine_id and state.token):
        raise NotEnrolledError(
            f"{folder.folder}: not enrolled; run flashworthy-agent enrol --server URL --code CODE"
        )
    return state


def _code_file(folder: StateFolder) -> Path:
    return folder.folder / "enrolment-code"


def _state_here(folder: StateFolder, findings: Findings, place: str | None) -> State:
    with folder.locked():
        state = folder.change(**({"place": place} if place else {}))
    try:
        remembered(findings.identity, state.agent_id, state.evidence)
    except AnotherMachineError:
        return _start_over(folder, "made on another machine, before this one was enrolled")
    return state


def _start_over(folder: StateFolder, reason: str) -> State:
    with folder.locked():
        spool = Spool(folder)
        for report in spool.waiting():
            spool.put_aside(report, reason)
        return folder.start_over()


def _application(state: State, findings: Findings, code: str) -> dict[str, object]:
    return {
        "code": code,
        "agent_id": state.agent_id,
        **({"place": state.place} if state.place else {}),
        **{name: to_json(findings.sections[name]) for name in _ASKED},
    }


def _keep(
    folder: StateFolder, state: State, findings: Findings, address: str, enrolment: Enrolment
) -> State:
    with folder.locked():
        return folder.change(
            server=address,
            machine_id=enrolment.machine_id,
            token=enrolment.token,
            previous_token=None,
            next_run_at=None,
            evidence=remembered(findings.identity, state.agent_id, state.evidence),
        )
