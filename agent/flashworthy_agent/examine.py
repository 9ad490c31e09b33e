"""What would keep the agent from working, asked question by question, each with what to do.

Nothing is changed and no report is sent; the server is asked whether it is well, and whether it
knows this agent.
"""

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from flashworthy_agent.collect import look
from flashworthy_agent.config import Config, Settings
from flashworthy_agent.enrolment_code import code_left_for
from flashworthy_agent.errors import (
    AnotherMachineError,
    ConfigError,
    NotEnrolledError,
    StateError,
    TokenRefusedError,
    TransportError,
)
from flashworthy_agent.probes.access import Access
from flashworthy_agent.same_machine import remembered
from flashworthy_agent.spool import Spool
from flashworthy_agent.state import State, StateFolder, require_enrolled
from flashworthy_agent.transport import Server
from flashworthy_common.report import WIRE_VERSION
from flashworthy_common.values import Unknown, write_time

ENOUGH_FREE_BYTES = 10_000_000  # a spool of weeks; common practice, no source
MOST_CLOCK_DIFFERENCE = timedelta(minutes=5)  # RFC 4120 §9: what Kerberos sites allow, typically
LATE_AFTER = timedelta(minutes=30)  # two calls of the timer missed, and the longest pauses

_PATIENCE_SECONDS = 5.0


class Caller(NamedTuple):
    """What calls the agent on one platform."""

    name: str
    asked: tuple[str, ...]  # the program that ends well where it is there
    made_by: str


_CALLERS = {
    "win32": Caller(
        "the scheduled task flashworthy-agent",
        ("schtasks", "/query", "/tn", "flashworthy-agent"),
        "install.ps1 of deploy/agent/windows",
    ),
    "darwin": Caller(
        "the launchd job flashworthy.agent",
        ("launchctl", "print", "system/flashworthy.agent"),
        "install.sh of deploy/agent/macos",
    ),
}
_SYSTEMD = Caller(
    "the timer",
    ("systemctl", "is-active", "flashworthy-agent.timer"),
    "systemctl enable --now flashworthy-agent.timer",
)

# What the system or the TLS library says, and what to do about it; the first that is found counts.
_REMEDIES = (
    ("has expired", "renew the server's certificate, or set this machine's clock right"),
    ("not yet valid", "set this machine's clock right, or look at the certificate's dates"),
    ("mismatch", "the certificate is for another name: use the server's name as it says there"),
    ("self-signed", "name the site's own authority with the key ca_file, or add it to the system"),
    ("local issuer", "name the site's own authority with the key ca_file, or add it to the system"),
    ("not known", "look at the server's name, and at this machine's name servers"),
    ("resolution", "look at the server's name, and at this machine's name servers"),
    ("refused", "start the server, or look at the port and at firewalls"),
    ("proxy", "look at the key proxy, and at HTTPS_PROXY and NO_PROXY"),
)
_OTHERWISE = "look at the network between here and there, and at firewalls"


@dataclass(frozen=True)
class Finding:
    """The answer to one question."""

    question: str
    told: str
    remedy: str | None = None  # None: nothing is to be done

    @property
    def is_fine(self) -> bool:
        return self.remedy is None

    def lines(self) -> list[str]:
        word = "ok" if self.is_fine else "mend"
        first = f"{word:<6}{self.question:<15}{self.told}"
        return [first] if self.remedy is None else [first, f"{'':<6}-> {self.remedy}"]


def examine(
    folder: StateFolder, load: Callable[[], Settings], access: Access, now: datetime
) -> list[Finding]:
    """Every question in turn; those that cannot be asked after an answer before them are left out.

    Args:
        load: the settings in force, or raises `ConfigError`.
    """
    found = [_rights(access)]
    try:
        config = load().config
    except ConfigError as error:
        return [*found, Finding("settings", str(error), "mend the settings")]
    found.append(Finding("settings", "understood"))
    try:
        state = require_enrolled(folder.load(), folder)
    except NotEnrolledError as error:
        reached = _server(_server_of(config, None)) if config.server else []
        return [*found, *_to_be_enrolled(folder, config, access, error), *reached]
    except StateError as error:
        return [*found, Finding("state", str(error), "mend the folder, or enrol again")]
    found.append(Finding("enrolment", f"machine {state.machine_id}"))
    found += [_space(folder), _machine(access, state), _schedule(state, access, now)]
    found.append(_spool(folder))
    return [*found, *_enrolled_at(config, state)]


def _rights(access: Access) -> Finding:
    if access.is_root:
        return Finding("rights", "runs as root")
    return Finding(
        "rights", "does not run as root", "run as root: serials and the raw SMBIOS table need it"
    )


def _to_be_enrolled(
    folder: StateFolder, config: Config, access: Access, why: NotEnrolledError
) -> Iterator[Finding]:
    """It is well where the site left a code, and the schedule will find it."""
    try:
        code = code_left_for(folder, {})
    except ConfigError as error:
        yield _with_remedy("enrolment", error)
        return
    if code is None:
        yield _with_remedy("enrolment", why)
        return
    remedy = None if config.server else "set the key server: nobody says where to join"
    yield Finding("enrolment", "not yet; a code is left for the next call of the schedule", remedy)
    yield _first_run(access)


def _with_remedy(question: str, error: Exception) -> Finding:
    """Of a message that ends with what to do."""
    told, _, remedy = str(error).partition("; ")
    return Finding(question, told, remedy)


def _space(folder: StateFolder) -> Finding:
    free_bytes = shutil.disk_usage(folder.folder).free
    told = f"{free_bytes // 1_000_000} MB free below {folder.folder}"
    if not os.access(folder.folder, os.W_OK):
        return Finding("space", f"{folder.folder} is read-only", "make it writable")
    if free_bytes < ENOUGH_FREE_BYTES:
        return Finding("space", told, "make room: reports that wait are kept there")
    return Finding("space", told)


def _machine(access: Access, state: State) -> Finding:
    try:
        identity = look(access, only=frozenset({"identity"})).identity
        kept = remembered(identity, state.agent_id, state.evidence)
    except AnotherMachineError as error:
        return _with_remedy("machine", error)
    if not kept:
        return Finding("machine", "has no serial, UUID or asset tag: a copy would not be noticed")
    return Finding("machine", "the one that was enrolled")


def _schedule(state: State, access: Access, now: datetime) -> Finding:
    if state.next_run_at is None:
        return _first_run(access)
    told = f"next run due at {write_time(state.next_run_at)}"
    is_late = state.next_run_at + LATE_AFTER < now
    return Finding("schedule", told, _call_it() if is_late else None)


def _first_run(access: Access) -> Finding:
    caller = _caller()
    state = access.programs.said(list(caller.asked), _PATIENCE_SECONDS)
    if isinstance(state, Unknown):  # also where something else calls it: nobody can say what
        return Finding("schedule", "no scheduled run yet", _call_it())
    return Finding("schedule", f"{caller.name} is active; its first call comes within ten minutes")


def _caller() -> Caller:
    return _CALLERS.get(sys.platform, _SYSTEMD)


def _call_it() -> str:
    return (
        f"{_caller().made_by}, or whatever else calls "
        "flashworthy-agent run --when-due every ten minutes"
    )


def _spool(folder: StateFolder) -> Finding:
    spool = Spool(folder)
    waiting, aside = len(spool.waiting()), len(spool.set_aside())
    remedy = "flashworthy-agent status tells why; once mended, flashworthy-agent send --again"
    return Finding("reports", f"{waiting} wait, {aside} set aside", remedy if aside else None)


def _enrolled_at(config: Config, state: State) -> Iterator[Finding]:
    server = _server_of(config, state)
    yield from _server(server)
    if server.clock_ahead_seconds is not None:
        yield _token(server, str(state.machine_id))


def _server_of(config: Config, state: State | None) -> Server:
    return Server(
        config.server or str(state and state.server),
        state.token if state else None,
        ca_file=config.ca_file,
        proxy=config.proxy,
    )


def _server(server: Server) -> Iterator[Finding]:
    try:
        versions = server.wire_versions()
    except TransportError as error:
        yield Finding("server", str(error), _remedy(str(error)))
    else:
        yield Finding("server", f"{server.address} answers")
        yield from _wire(versions)
    if server.clock_ahead_seconds is not None:
        yield _clock(server.clock_ahead_seconds)


def _wire(versions: tuple[int, ...]) -> Iterator[Finding]:
    if WIRE_VERSION not in versions:
        taken = ", ".join(map(str, versions)) or "none that it tells"
        yield Finding(
            "reports' form",
            f"this agent writes wire version {WIRE_VERSION}, the server takes {taken}",
            "bring the server up to date; until then it gets the newest that it takes",
        )


def _clock(ahead_seconds: float) -> Finding:
    told = (
        f"{abs(ahead_seconds):.0f} s {'ahead of' if ahead_seconds > 0 else 'behind'} the server's"
    )
    is_off = abs(ahead_seconds) > MOST_CLOCK_DIFFERENCE.total_seconds()
    return Finding("clock", told, "set this machine's clock right" if is_off else None)


def _token(server: Server, machine_id: str) -> Finding:
    try:
        server.verdict(machine_id, "desk")
    except TokenRefusedError as error:
        return _with_remedy("token", error)
    except TransportError as error:
        return Finding("token", str(error), "look at the server's log")
    return Finding("token", "accepted")


def _remedy(told: str) -> str:
    words = told.casefold()
    return next((remedy for word, remedy in _REMEDIES if word in words), _OTHERWISE)
