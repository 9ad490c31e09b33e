"""Joining a server: by hand with a code, or silently with one that the site left for the agent.

- The agent's id is on disk before it is used, so that asking again after a lost answer is harmless.
- On other hardware than before, the agent starts over under a new id. Reports that wait are of the
  other machine and are set aside: they cannot be sent with the new machine's token.
- The code file is removed once it has served.
"""

from flashworthy_agent.collect import Findings, look
from flashworthy_agent.config import Config
from flashworthy_agent.enrolment_code import code_file
from flashworthy_agent.errors import (
    AnotherMachineError,
    ConfigError,
    RequestRefusedError,
)
from flashworthy_agent.probes.access import Access
from flashworthy_agent.same_machine import remembered
from flashworthy_agent.spool import Spool
from flashworthy_agent.state import State, StateFolder
from flashworthy_agent.transport import Enrolment, Server
from flashworthy_common.values import to_json

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
    code_file(folder).unlink(missing_ok=True)
    return enrolled


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
