"""The commands of the agent; each prints what it did, in words or as JSON.

Exit status: 0 done, 1 something is not as it should be (told on standard error), 2 wrong usage;
that of ``check`` is its outcome's (`OUTCOME_STATUS`).
"""

import argparse
import io
import json
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flashworthy_agent import __version__
from flashworthy_agent.clock import utc_now
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.config import DEFAULT_FILE, Config, Settings, load_settings, read_place
from flashworthy_agent.delivery import Delivery
from flashworthy_agent.durable import write_durably
from flashworthy_agent.enrolled import EnrolledAgent
from flashworthy_agent.enrolment import CODE_VARIABLE, code_left_for, enrol, read_code
from flashworthy_agent.errors import (
    AgentError,
    BusyError,
    ConfigError,
    ServerUnavailableError,
    StateError,
)
from flashworthy_agent.examine import examine
from flashworthy_agent.probes.access import Access, access_to
from flashworthy_agent.probes.ups import parse_address
from flashworthy_agent.schedule import Schedule
from flashworthy_agent.spool import Spool, encode_report
from flashworthy_agent.state import DEFAULT_FOLDER, State, StateFolder, new_state
from flashworthy_agent.transport import canonical_address
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.report import Source, Why
from flashworthy_common.values import from_json, write_time

OUTCOME_STATUS = {"clear": 0, "prepare": 10, "hold": 20, "leave": 30, "undecided": 40}
_INTERRUPTED = 130  # 128 + SIGINT, as shells say it


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    options = _parser().parse_args(arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal may not know every letter
    try:
        return int(options.command(options))
    except (AgentError, OSError) as error:
        _complain(error)
        return 1
    except KeyboardInterrupt:
        return _INTERRUPTED


def _complain(what: object) -> None:
    print(f"flashworthy-agent: {what}", file=sys.stderr)


# ---- options ----------------------------------------------------------------------------------


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flashworthy-agent",
        description="Looks at this machine and reports to a Flashworthy server. It writes no "
        "firmware, opens no port and takes no commands from afar.",
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    common, looking = _common_options(), _looking_options()

    enrol = commands.add_parser("enrol", parents=[common], help="join a server with a code")
    enrol.add_argument("--server", metavar="URL", help="https://server.example (else as set)")
    code = enrol.add_mutually_exclusive_group()
    code.add_argument("--code", help=f"the enrolment code (else {CODE_VARIABLE})")
    code.add_argument("--code-file", type=Path, metavar="FILE", help="the file that holds it")
    enrol.add_argument("--place", type=_place, help='where it stands: "site / building / room"')
    enrol.set_defaults(command=_enrol)

    collect = commands.add_parser(
        "collect", parents=[common, looking], help="look and show the report, sending nothing"
    )
    collect.add_argument("--out", type=Path, metavar="FILE", help="write the report to FILE")
    collect.set_defaults(command=_collect)

    send = commands.add_parser("send", parents=[common], help="send the reports that wait")
    send.add_argument("--again", action="store_true", help="also those that were set aside")
    send.set_defaults(command=_send)

    run = commands.add_parser("run", parents=[common, looking], help="look, keep, send")
    run.add_argument(
        "--why", choices=[Why.SCHEDULE.value, Why.START_UP.value], default=Why.SCHEDULE.value
    )
    run.add_argument(
        "--when-due", action="store_true",
        help="only when it is time to; wait for it if it is soon: for the system's timer",
    )  # fmt: skip
    run.set_defaults(command=_run)

    check = commands.add_parser(
        "check", parents=[common, looking], help="look on the spot and print the verdict"
    )
    check.add_argument("--json", action="store_true", help="print the verdict as JSON")
    check.add_argument("--all", action="store_true", help="also every check that passes")
    check.set_defaults(command=_check)

    status = commands.add_parser("status", parents=[common], help="what is kept and what waits")
    status.set_defaults(command=_status)

    config = commands.add_parser("config", parents=[common], help="the settings in force")
    config.set_defaults(command=_config)

    examine = commands.add_parser(
        "examine", parents=[common], help="what would keep the agent from working, and what to do"
    )
    examine.set_defaults(command=_examine)
    return parser


def _common_options() -> argparse.ArgumentParser:
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument(
        "--root", type=Path, default=Path("/"), metavar="DIR",
        help="read every file below DIR: an offline disk, a test tree",
    )  # fmt: skip
    options.add_argument(
        "--state", type=Path, metavar="DIR",
        help=f"where the agent keeps its own (FLASHWORTHY_STATE, else {DEFAULT_FOLDER})",
    )  # fmt: skip
    options.add_argument(
        "--config", type=Path, metavar="FILE", dest="config_file",
        help=f"the settings (FLASHWORTHY_CONFIG, else {DEFAULT_FILE})",
    )  # fmt: skip
    return options


def _looking_options() -> argparse.ArgumentParser:
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument(
        "--fresh", action="store_true", help="ask anew what is otherwise asked every few hours"
    )
    options.add_argument(
        "--ups", action="append", default=[], metavar="NAME@HOST[:PORT]",
        help="a UPS that feeds this machine (else the key ups)",
    )  # fmt: skip
    return options


def _place(text: str) -> str:
    try:
        return read_place(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{error}, got {text!r}") from error


def _settings(options: argparse.Namespace) -> Settings:
    named = options.config_file or os.environ.get("FLASHWORTHY_CONFIG")
    if named and not Path(named).is_file():
        raise ConfigError(f"{named}: expected a file with the settings, and it is not there")
    default = DEFAULT_FILE if _is_this_machine(options) else None
    return load_settings(Path(named) if named else default, os.environ)


def _state_folder(options: argparse.Namespace) -> StateFolder:
    """The agent's own folder.

    Raises:
        StateError: another root was named, whose machine this machine's agent must not speak for.
    """
    folder = _own_folder(options)
    if folder is None:
        raise StateError(
            "with --root, name the state folder with --state: "
            f"{DEFAULT_FOLDER} belongs to this machine, not to the one below {options.root}"
        )
    return folder


def _own_folder(options: argparse.Namespace) -> StateFolder | None:
    named = options.state or os.environ.get("FLASHWORTHY_STATE")
    if named:
        return StateFolder(Path(named))
    return StateFolder(DEFAULT_FOLDER) if _is_this_machine(options) else None


def _is_this_machine(options: argparse.Namespace) -> bool:
    return bool(options.root.absolute() == Path("/"))


def _access(options: argparse.Namespace, folder: StateFolder | None, settings: Settings) -> Access:
    return replace(
        access_to(options.root.absolute()),
        kept_folder=folder.kept_folder if folder else None,
        ask_anew=options.fresh,
        ups=tuple(map(parse_address, options.ups or settings.config.ups)),
    )


def _agent(options: argparse.Namespace, settings: Settings) -> EnrolledAgent:
    return EnrolledAgent(_state_folder(options), settings.config)


# ---- commands ---------------------------------------------------------------------------------


def _enrol(options: argparse.Namespace) -> int:
    folder = _state_folder(options)
    config = _with_server(options, _settings(options))
    access = access_to(options.root.absolute())
    state = enrol(folder, access, config, _code(options, folder), options.place)
    print(f"enrolled at {state.server} as machine {state.machine_id}")
    return 0


def _with_server(options: argparse.Namespace, settings: Settings) -> Config:
    config = settings.config
    if options.server is None:
        return config
    address = canonical_address(options.server)
    if config.server not in (None, address):
        raise ConfigError(
            f"{settings.sources['server']} names the server {config.server}, "
            f"--server {address}; change one of them"
        )
    return replace(config, server=address)


def _code(options: argparse.Namespace, folder: StateFolder) -> str:
    if options.code_file:
        return read_code(options.code_file)
    code = options.code or code_left_for(folder, os.environ)
    if not code:
        raise ConfigError(f"no enrolment code; say --code-file FILE, or set {CODE_VARIABLE}")
    return str(code)


def _collect(options: argparse.Namespace) -> int:
    folder, settings = _own_folder(options), _settings(options)
    findings = look(_access(options, folder, settings))
    state = _counted_if_possible(folder)
    report = make_report(
        findings,
        replace(state, place=settings.config.place or state.place),
        source=Source.FILE,
        why=Why.BY_HAND,
        configuration_digest=settings.config.digest(),
    )
    content = f"{encode_report(report)}\n".encode()  # JSON is UTF-8 whatever the terminal is
    if options.out is None:
        sys.stdout.buffer.write(content)
    else:
        write_durably(options.out, content)
        print(f"report {report.report_id} written to {options.out}")
    return 0


def _counted_if_possible(folder: StateFolder | None) -> State:
    """Anyone may collect: who cannot count under the agent's id makes a report with its own."""
    if folder is None:
        return new_state(sequence=1)
    try:
        with folder.locked():
            return folder.count_report()
    except StateError as error:
        _complain(f"this report carries an agent id of its own: {error}")
        return new_state(sequence=1)


def _send(options: argparse.Namespace) -> int:
    settings = _settings(options)
    agent = _agent(options, settings)
    agent.require_same_machine(access_to(options.root.absolute()))
    with agent.folder.alone():
        if options.again:
            with agent.folder.locked():
                agent.spool.queue_again(agent.agent_id)
        delivery = agent.deliver(agent.spool.waiting())
    print(_delivery_line(delivery, agent.spool))
    return _status_of(delivery)


def _run(options: argparse.Namespace) -> int:
    settings = _settings(options)
    if options.when_due:
        return _run_when_due(options, settings)
    agent = _agent(options, settings)
    with agent.folder.alone():
        access = _access(options, agent.folder, settings)
        report = agent.look_and_keep(access, Why(options.why))
        delivery = agent.deliver(agent.spool.waiting())
    print(f"report {report.sequence} made, {_delivery_line(delivery, agent.spool)}")
    return _status_of(delivery)


def _run_when_due(options: argparse.Namespace, settings: Settings) -> int:
    """Prints nothing when it is not time: that is most of the calls."""
    folder = _state_folder(options)
    access = _access(options, folder, settings)
    schedule = Schedule(folder, settings.config, access, os.environ, time.sleep)
    try:
        delivery = schedule.run_when_due()
    except BusyError as error:
        print(error)
        return 0
    if delivery is None:
        return 0
    print(_delivery_line(delivery, Spool(folder)))
    status = _status_of(delivery)
    return 0 if delivery.may_settle_soon and not delivery.set_aside else status


def _check(options: argparse.Namespace) -> int:
    """Sends only what was seen just now: who stands there does not wait for older reports."""
    settings = _settings(options)
    agent = _agent(options, settings)
    report = agent.look_and_keep(_access(options, agent.folder, settings), Why.SPOT)
    delivery = agent.deliver([report])
    if status := _status_of(delivery):
        return status
    answer = agent.server.verdict(agent.machine_id, "spot")
    outcome, lines = _verdict_in_words(answer, show_all=options.all)
    print(json.dumps(answer, indent=1) if options.json else "\n".join(lines))
    return OUTCOME_STATUS[outcome]


def _status(options: argparse.Namespace) -> int:
    folder = _state_folder(options)
    print(*_status_lines(folder.load(), Spool(folder)), sep="\n")
    return 0


def _config(options: argparse.Namespace) -> int:
    print(*_settings(options).lines(), sep="\n")
    return 0


def _examine(options: argparse.Namespace) -> int:
    folder = _state_folder(options)
    access = access_to(options.root.absolute())
    findings = examine(folder, lambda: _settings(options), access, utc_now())
    print(*[line for finding in findings for line in finding.lines()], sep="\n")
    return 0 if all(finding.is_fine for finding in findings) else 1


# ---- words ------------------------------------------------------------------------------------


def _delivery_line(delivery: Delivery, spool: Spool) -> str:
    return f"{delivery.acknowledged} sent, {len(spool.waiting())} waiting"


def _status_of(delivery: Delivery) -> int:
    """Tells what went wrong with a delivery, and returns the exit status for it."""
    for reason in (*delivery.notes, *delivery.set_aside):
        _complain(reason)
    if delivery.stopped:
        _complain(f"{delivery.stopped}; what waits is kept")
    return 1 if delivery.set_aside or delivery.stopped else 0


def _verdict_in_words(answer: object, *, show_all: bool) -> tuple[str, list[str]]:
    """The outcome's word, and the verdict in lines."""
    from flashworthy_common.present import verdict_lines  # late: only the look on the spot needs it
    from flashworthy_common.readiness import Verdict

    try:
        verdict = from_json(Verdict, answer)
    except MalformedValueError as error:
        raise ServerUnavailableError(f"the server's verdict is not understood: {error}") from error
    return verdict.outcome.value, verdict_lines(verdict, now=utc_now(), show_all=show_all)


def _status_lines(state: State | None, spool: Spool) -> list[str]:
    if state is None:
        return ["not enrolled; run flashworthy-agent enrol --server URL --code CODE"]
    waiting, aside = spool.waiting(), spool.set_aside()
    lines = [
        ("server", state.server or "none: not enrolled"),
        ("machine", state.machine_id or "none: not enrolled"),
        ("agent", state.agent_id),
        ("place", state.place or "not configured"),
        ("reports made", str(state.sequence)),
        ("waiting", str(len(waiting))),
        ("set aside", str(len(aside))),
        *[("", f"report {report.sequence}: {reason}") for report, reason in aside],
        ("dropped", str(state.dropped_reports)),
        ("last sent", write_time(state.last_sent_at) if state.last_sent_at else "never"),
        ("next run", write_time(state.next_run_at) if state.next_run_at else "not scheduled yet"),
    ]
    return [f"{label:<14}{text}" for label, text in lines]
