"""What the commands do; each prints what it did, in words or as JSON, and returns its status."""

import argparse
import gzip
import json
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flashworthy_agent.address import canonical_address
from flashworthy_agent.clock import utc_now
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.config import Config, Settings
from flashworthy_agent.delivery import Delivery
from flashworthy_agent.durable import write_durably
from flashworthy_agent.enrolment_code import CODE_VARIABLE, code_left_for, read_code
from flashworthy_agent.errors import ConfigError, ServerUnavailableError, StateError
from flashworthy_agent.frame import (
    complain,
    delivery_line,
    own_folder,
    settings_of,
    state_folder,
    status_of,
)
from flashworthy_agent.kept_plan import KeptPlan
from flashworthy_agent.probes import platform_named
from flashworthy_agent.probes.access import Access, access_to
from flashworthy_agent.probes.ups import parse_address
from flashworthy_agent.same_machine import remembered
from flashworthy_agent.spool import Spool, encode_report
from flashworthy_agent.state import State, StateFolder, new_state
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.report import IdentitySection, Report, Source, Why
from flashworthy_common.values import from_json, write_time

if TYPE_CHECKING:
    from flashworthy_agent.enrolled import EnrolledAgent

OUTCOME_STATUS = {"clear": 0, "prepare": 10, "hold": 20, "leave": 30, "undecided": 40}


def access_of(
    options: argparse.Namespace, folder: StateFolder | None, settings: Settings
) -> Access:
    return replace(
        access_to(options.root.absolute()),
        kept_folder=folder.kept_folder if folder else None,
        ask_anew=options.fresh,
        ups=tuple(map(parse_address, options.ups or settings.config.ups)),
        look_for=(*options.look_for, *(KeptPlan(folder.folder).look_for if folder else ())),
    )


def _agent(options: argparse.Namespace, settings: Settings) -> "EnrolledAgent":
    from flashworthy_agent.enrolled import EnrolledAgent  # late: who only looks needs no network

    return EnrolledAgent(state_folder(options), settings.config)


def _enrol(options: argparse.Namespace) -> int:
    from flashworthy_agent.enrolment import enrol  # late: who only looks needs no network

    folder = state_folder(options)
    config = _with_server(options, settings_of(options))
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
    report = _replayed(options.replay) if options.replay else _collected(options)
    content = f"{encode_report(report)}\n".encode()  # JSON is UTF-8 whatever the terminal is
    if options.out:
        write_durably(options.out, content)
        print(f"report {report.report_id} written to {options.out}")
    if options.table:
        from flashworthy_agent.table import report_lines  # late: a run of the schedule needs none

        print(*report_lines(report), sep="\n")
    elif not options.out:
        sys.stdout.buffer.write(content)
    return 0


def _collected(options: argparse.Namespace) -> Report:
    folder, settings = own_folder(options), settings_of(options)
    findings = look(access_of(options, folder, settings))
    state = _counted_if_possible(folder, findings.identity)
    return make_report(
        findings,
        replace(state, place=settings.config.place or state.place),
        source=Source.FILE,
        why=Why.BY_HAND,
        configuration_digest=settings.config.digest(),
    )


def _replayed(file: Path) -> Report:
    """Of whatever machine the capture is of, under an agent id of its own."""
    from flashworthy_agent.capture import read_capture, replaying  # late: only this needs it

    capture = read_capture(file.read_bytes())
    findings = look(replaying(capture), platform_named(capture.head.platform))
    return make_report(findings, new_state(sequence=1), source=Source.FILE, why=Why.BY_HAND)


def _capture(options: argparse.Namespace) -> int:
    from flashworthy_agent.capture import write_capture  # late: only this needs it
    from flashworthy_agent.capturing import take, taken_lines

    access, name = access_of(options, None, settings_of(options)), sys.platform
    taken = take(access, platform_named(name), name, replace_ids=options.replace_ids)
    write_durably(options.out, write_capture(taken.capture))
    print(*taken_lines(taken, options.out), sep="\n")
    return 1 if taken.differing else 0


def _counted_if_possible(folder: StateFolder | None, identity: IdentitySection) -> State:
    """Anyone may collect: who cannot count under the agent's id makes a report with its own."""
    if folder is None:
        return new_state(sequence=1)
    try:
        with folder.locked():
            if state := folder.load():
                remembered(identity, state.agent_id, state.evidence)
            return folder.count_report()
    except StateError as error:
        complain(f"this report carries an agent id of its own: {error}")
        return new_state(sequence=1)


def _send(options: argparse.Namespace) -> int:
    settings = settings_of(options)
    agent = _agent(options, settings)
    agent.require_same_machine(access_to(options.root.absolute()))
    with agent.folder.alone():
        if options.again:
            with agent.folder.locked():
                agent.spool.queue_again(agent.agent_id)
        delivery = agent.deliver(agent.spool.waiting())
    print(delivery_line(delivery, len(agent.spool.waiting())))
    return status_of(delivery)


def _run(options: argparse.Namespace) -> int:
    settings = settings_of(options)
    agent = _agent(options, settings)
    with agent.folder.alone():
        access = access_of(options, agent.folder, settings)
        report = agent.look_and_keep(access, Why(options.why))
        delivery = agent.deliver(agent.spool.waiting())
    print(f"report {report.sequence} made, {delivery_line(delivery, len(agent.spool.waiting()))}")
    return status_of(delivery)


def _check(options: argparse.Namespace) -> int:
    """Sends only what was seen just now: who stands there does not wait for older reports.

    Where the server cannot be reached, the plan that it handed out last decides.
    """
    settings = settings_of(options)
    agent = _agent(options, settings)
    access = replace(access_of(options, agent.folder, settings), on_the_spot=True)
    waiting = agent.look_and_keep(access, Why.SPOT)
    body = waiting.body()
    delivery = agent.deliver([waiting])
    status = status_of(delivery)
    if status and not delivery.may_settle_soon:
        return status
    answer, told = _spot_answer(agent, delivery, body)
    outcome, lines = _verdict_in_words(answer, show_all=options.all)
    if options.json:
        print(json.dumps(answer, indent=1))
    else:
        print(*told, *lines, _open_here(access), sep="\n")
    return OUTCOME_STATUS[outcome]


def _spot_answer(
    agent: "EnrolledAgent", delivery: Delivery, body: bytes
) -> tuple[dict[str, Any], list[str]]:
    """The verdict, of the server or else by its plan, and what is to be said before it."""
    if not delivery.stopped:
        try:
            return agent.server.verdict(agent.machine_id, "spot"), []
        except ServerUnavailableError as error:
            complain(error)
    return _judged_by_plan(agent, body)


def _judged_by_plan(agent: "EnrolledAgent", body: bytes) -> tuple[dict[str, Any], list[str]]:
    """The verdict as the server would answer it, and what it could not know.

    Raises:
        StateError: no plan is kept that could be read.
    """
    from flashworthy_common.plan import judge_by_plan  # late: only this needs it
    from flashworthy_common.present import age_in_words, verdict_to_json

    plan, now = agent.kept_plan.load(), utc_now()
    report = from_json(Report, json.loads(gzip.decompress(body)))
    told = (
        f"without the server, by its plan of {age_in_words(now, plan.issued_at)}; what was "
        "recorded since is not known here: releases, reviews, confirmations, marks"
    )
    return verdict_to_json(judge_by_plan(plan, report, now)), [told]


def _open_here(access: Access) -> str:
    """Programs with windows, for whoever stands there; they are part of no report."""
    from flashworthy_agent.table import in_words  # late: only the look on the spot needs it

    return f"open here: {in_words(platform_named().programs_with_windows(access))}"


def _status(options: argparse.Namespace) -> int:
    folder = state_folder(options)
    print(*_status_lines(folder.load(), Spool(folder)), sep="\n")
    return 0


def _config(options: argparse.Namespace) -> int:
    print(*settings_of(options).lines(), sep="\n")
    return 0


def _examine(options: argparse.Namespace) -> int:
    from flashworthy_agent.examine import examine  # late: no other command needs it

    folder = state_folder(options)
    access = access_to(options.root.absolute())
    findings = examine(folder, lambda: settings_of(options), access, utc_now())
    print(*[line for finding in findings for line in finding.lines()], sep="\n")
    return 0 if all(finding.is_fine for finding in findings) else 1


# ---- words ------------------------------------------------------------------------------------


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


COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "enrol": _enrol,
    "collect": _collect,
    "capture": _capture,
    "send": _send,
    "run": _run,
    "check": _check,
    "status": _status,
    "config": _config,
    "examine": _examine,
}
