"""A report of this machine that somebody asked for and will carry."""

import argparse
from dataclasses import replace

from flashworthy_agent.collect import look, make_report
from flashworthy_agent.errors import StateError
from flashworthy_agent.frame import own_folder, settings_of
from flashworthy_agent.looking import access_of
from flashworthy_agent.same_machine import remembered
from flashworthy_agent.state import State, StateFolder, new_state
from flashworthy_agent.terminal import complain
from flashworthy_common.report import IdentitySection, Report, Source, Why


def collected(options: argparse.Namespace) -> Report:
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
