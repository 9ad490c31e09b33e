"""The commands of the agent; each prints what it did, in words or as JSON.

Exit status: 0 done, 1 something is not as it should be (told on standard error), 2 wrong usage;
that of ``check`` is its outcome's (`OUTCOME_STATUS`).
"""

import argparse
import io
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flashworthy_agent import __version__
from flashworthy_agent.clock import utc_now
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.durable import write_durably
from flashworthy_agent.enrolled import Delivery, EnrolledAgent
from flashworthy_agent.errors import AgentError, ServerUnavailableError, StateError
from flashworthy_agent.probes.access import Access, access_to
from flashworthy_agent.probes.ups import UpsAddress, parse_address
from flashworthy_agent.spool import Spool, encode_report
from flashworthy_agent.state import DEFAULT_FOLDER, State, StateFolder, new_state
from flashworthy_agent.transport import Server
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.report import Source, Why
from flashworthy_common.values import from_json, to_json, write_time

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
    enrol.add_argument("--server", required=True, metavar="URL", help="https://server.example")
    enrol.add_argument("--code", required=True, help="the enrolment code")
    enrol.add_argument("--place", type=_place, help='where it stands: "site / building / room"')
    enrol.set_defaults(command=_enrol)

    collect = commands.add_parser(
        "collect", parents=[common, looking], help="look and show the report, sending nothing"
    )
    collect.add_argument("--out", type=Path, metavar="FILE", help="write the report to FILE")
    collect.set_defaults(command=_collect)

    send = commands.add_parser("send", parents=[common], help="send the reports that wait")
    send.set_defaults(command=_send)

    run = commands.add_parser("run", parents=[common, looking], help="look, keep, send")
    run.add_argument(
        "--why", choices=[Why.SCHEDULE.value, Why.START_UP.value], default=Why.SCHEDULE.value
    )
    run.set_defaults(command=_run)

    check = commands.add_parser(
        "check", parents=[common, looking], help="look on the spot and print the verdict"
    )
    check.add_argument("--json", action="store_true", help="print the verdict as JSON")
    check.add_argument("--all", action="store_true", help="also every check that passes")
    check.set_defaults(command=_check)

    status = commands.add_parser("status", parents=[common], help="what is kept and what waits")
    status.set_defaults(command=_status)
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
    return options


def _looking_options() -> argparse.ArgumentParser:
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument(
        "--fresh", action="store_true", help="ask anew what is otherwise asked every few hours"
    )
    options.add_argument(
        "--ups", action="append", default=[], metavar="NAME@HOST[:PORT]",
        help="a UPS that feeds this machine (else FLASHWORTHY_UPS, divided by blanks)",
    )  # fmt: skip
    return options


def _place(text: str) -> str:
    names = [name.strip() for name in text.split("/")]
    if not all(names):
        raise argparse.ArgumentTypeError(f'expected "site / building / room", got {text!r}')
    return " / ".join(names)


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
    is_this_machine = options.root.absolute() == Path("/")
    return StateFolder(DEFAULT_FOLDER) if is_this_machine else None


def _access(options: argparse.Namespace, folder: StateFolder | None) -> Access:
    return replace(
        access_to(options.root.absolute()),
        kept_folder=folder.kept_folder if folder else None,
        ask_anew=options.fresh,
        ups=_ups(options),
    )


def _ups(options: argparse.Namespace) -> tuple[UpsAddress, ...]:
    named = options.ups or os.environ.get("FLASHWORTHY_UPS", "").split()
    return tuple(map(parse_address, named))


# ---- commands ---------------------------------------------------------------------------------


def _enrol(options: argparse.Namespace) -> int:
    folder = _state_folder(options)
    server = Server(options.server)
    with folder.locked():  # the id is on disk before it is used: asking again is then harmless
        state = folder.change(**({"place": options.place} if options.place else {}))
    findings = look(access_to(options.root.absolute()), only=frozenset({"identity", "machine"}))
    enrolment = server.enrol(
        {
            "code": options.code,
            "agent_id": state.agent_id,
            **({"place": state.place} if state.place else {}),
            "identity": to_json(findings.sections["identity"]),
            "machine": to_json(findings.sections["machine"]),
        }
    )
    with folder.locked():
        folder.change(server=server.address, machine_id=enrolment.machine_id, token=enrolment.token)
    print(f"enrolled at {server.address} as machine {enrolment.machine_id}")
    return 0


def _collect(options: argparse.Namespace) -> int:
    folder = _own_folder(options)
    findings = look(_access(options, folder))
    state = _counted_if_possible(folder)
    report = make_report(findings, state, source=Source.FILE, why=Why.BY_HAND)
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
    agent = EnrolledAgent(_state_folder(options))
    delivery = agent.deliver(agent.spool.waiting())
    print(_delivery_line(delivery, agent.spool))
    return _status_of(delivery)


def _run(options: argparse.Namespace) -> int:
    agent = EnrolledAgent(_state_folder(options))
    report = agent.look_and_keep(_access(options, agent.folder), Why(options.why))
    delivery = agent.deliver(agent.spool.waiting())
    print(f"report {report.sequence} made, {_delivery_line(delivery, agent.spool)}")
    return _status_of(delivery)


def _check(options: argparse.Namespace) -> int:
    """Sends only what was seen just now: who stands there does not wait for older reports."""
    agent = EnrolledAgent(_state_folder(options))
    report = agent.look_and_keep(_access(options, agent.folder), Why.SPOT)
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


# ---- words ------------------------------------------------------------------------------------


def _delivery_line(delivery: Delivery, spool: Spool) -> str:
    return f"{delivery.acknowledged} sent, {len(spool.waiting())} waiting"


def _status_of(delivery: Delivery) -> int:
    """Tells what went wrong with a delivery, and returns the exit status for it."""
    for reason in delivery.set_aside:
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
    ]
    return [f"{label:<14}{text}" for label, text in lines]
