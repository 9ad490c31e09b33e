"""Look on the spot and print the verdict."""

import argparse
import gzip
import json
from dataclasses import replace
from typing import Any

from flashworthy_agent.clock import utc_now
from flashworthy_agent.delivery import Delivery
from flashworthy_agent.enrolled import EnrolledAgent
from flashworthy_agent.errors import ServerUnavailableError
from flashworthy_agent.frame import settings_of, state_folder
from flashworthy_agent.looking import access_of
from flashworthy_agent.options import add_looking_options
from flashworthy_agent.probes import platform_named
from flashworthy_agent.probes.access import Access
from flashworthy_agent.table import in_words
from flashworthy_agent.terminal import complain, status_of
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.present import age_in_words, verdict_lines, verdict_to_json
from flashworthy_common.readiness import Verdict
from flashworthy_common.report import Report, Why
from flashworthy_common.values import from_json

OUTCOME_STATUS = {"clear": 0, "prepare": 10, "hold": 20, "leave": 30, "undecided": 40}


def add_options(parser: argparse.ArgumentParser) -> None:
    add_looking_options(parser)
    parser.add_argument("--json", action="store_true", help="print the verdict as JSON")
    parser.add_argument("--all", action="store_true", help="also every check that passes")


def run(options: argparse.Namespace) -> int:
    """Sends only what was seen just now: who stands there does not wait for older reports.

    Where the server cannot be reached, the plan that it handed out last decides.
    """
    settings = settings_of(options)
    agent = EnrolledAgent(state_folder(options), settings.config)
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
    agent: EnrolledAgent, delivery: Delivery, body: bytes
) -> tuple[dict[str, Any], list[str]]:
    """The verdict, of the server or else by its plan, and what is to be said before it."""
    if not delivery.stopped:
        try:
            return agent.server.verdict(agent.machine_id, "spot"), []
        except ServerUnavailableError as error:
            complain(error)
    return _judged_by_plan(agent, body)


def _judged_by_plan(agent: EnrolledAgent, body: bytes) -> tuple[dict[str, Any], list[str]]:
    """The verdict as the server would answer it, and what it could not know.

    Raises:
        StateError: no plan is kept that could be read.
    """
    from flashworthy_common.plan import judge_by_plan  # late: only without the server

    plan, now = agent.kept_plan.load(), utc_now()
    report = from_json(Report, json.loads(gzip.decompress(body)))
    told = (
        f"without the server, by its plan of {age_in_words(now, plan.issued_at)}; what was "
        "recorded since is not known here: releases, reviews, confirmations, marks"
    )
    return verdict_to_json(judge_by_plan(plan, report, now)), [told]


def _open_here(access: Access) -> str:
    """Programs with windows, for whoever stands there; they are part of no report."""
    return f"open here: {in_words(platform_named().programs_with_windows(access))}"


def _verdict_in_words(answer: object, *, show_all: bool) -> tuple[str, list[str]]:
    """The outcome's word, and the verdict in lines."""
    try:
        verdict = from_json(Verdict, answer)
    except MalformedValueError as error:
        raise ServerUnavailableError(f"the server's verdict is not understood: {error}") from error
    return verdict.outcome.value, verdict_lines(verdict, now=utc_now(), show_all=show_all)
