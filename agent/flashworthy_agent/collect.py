"""Runs the probes and makes a report of what they saw.

- Each probe runs apart and in bounded time: one that raises or hangs costs its own answers, which
  then carry the reason, and nobody else's.
- How long each took, and how it failed, is part of the report.
"""

import threading
import time
from dataclasses import replace
from datetime import datetime
from typing import Any, NamedTuple, cast

from flashworthy_agent import __version__
from flashworthy_agent.chance import random_bits
from flashworthy_agent.probes import platform_named
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.probe import NOT_YET, Platform, Probe
from flashworthy_agent.state import State
from flashworthy_common.ids import uuid7
from flashworthy_common.report import (
    SECTIONS,
    AgentSection,
    IdentitySection,
    ProbeRun,
    Report,
    Section,
    Source,
    Why,
    unknown_section,
)
from flashworthy_common.values import NOT_REPORTED, Maybe


class Findings(NamedTuple):
    """What the probes saw at one moment; not yet a report, for nobody has counted it."""

    taken_at: datetime
    uptime_seconds: Maybe[int]
    sections: dict[str, Section]
    runs: tuple[ProbeRun, ...]

    @property
    def identity(self) -> IdentitySection:
        return cast(IdentitySection, self.sections["identity"])


def look(
    access: Access, platform: Platform | None = None, only: frozenset[str] = frozenset(SECTIONS)
) -> Findings:
    """Ask one question after the other.

    Args:
        platform: how they are asked; by default as this system answers.
        only: the sections that are asked for.
    """
    platform = platform or platform_named()
    taken_at = access.now()
    sections: dict[str, Section] = {
        name: unknown_section(kind, NOT_YET.because)
        for name, kind in SECTIONS.items()
        if name != "agent"
    }
    runs = []
    for probe in platform.probes:
        if probe.section not in only:
            continue
        found, run = _run(probe, access)
        sections[probe.section] = _merged(sections[probe.section], found, probe)
        runs.append(run)
    return Findings(taken_at, platform.uptime_seconds(access), sections, tuple(runs))


def make_report(
    findings: Findings,
    state: State,
    *,
    source: Source,
    why: Why,
    spool_depth: Maybe[int] = NOT_REPORTED,
    set_aside_reports: Maybe[int] = NOT_REPORTED,
    configuration_digest: Maybe[str] = NOT_REPORTED,
) -> Report:
    """The report of `findings`, under the sequence number that `state` has reached."""
    agent = AgentSection(
        seen_at=findings.taken_at,
        source=f"flashworthy-agent {__version__}",
        version=__version__,
        configuration_digest=configuration_digest,
        spool_depth=spool_depth,
        dropped_reports=state.dropped_reports,
        set_aside_reports=set_aside_reports,
        probes=findings.runs,
    )
    sections: dict[str, Any] = {**findings.sections, "agent": agent}
    if state.place:
        sections["identity"] = replace(sections["identity"], place=state.place)
    return Report(
        report_id=_new_report_id(findings.taken_at),
        agent_id=state.agent_id,
        sequence=state.sequence,
        taken_at=findings.taken_at,
        source=source,
        why=why,
        uptime_seconds=findings.uptime_seconds,
        **sections,
    )


def _new_report_id(made_at: datetime) -> str:
    return uuid7(int(made_at.timestamp() * 1000), random_bits(74))


def _run(probe: Probe, access: Access) -> tuple[Section, ProbeRun]:
    """The section that a probe found, or one that says why there is none; and how it went."""
    answers: list[Section] = []
    failures: list[str] = []

    def ask() -> None:
        try:
            answers.append(probe.look(access))
        except Exception as error:  # noqa: BLE001  (the boundary that keeps probes apart)
            failures.append(f"{type(error).__name__}: {error}"[:500])

    started = time.monotonic()
    # a daemon: a probe that hangs must not keep the agent from ending
    thread = threading.Thread(target=ask, name=probe.name, daemon=True)
    thread.start()
    thread.join(probe.limit_seconds)
    duration_ms = round((time.monotonic() - started) * 1000)
    if answers:
        return answers[0], ProbeRun(name=probe.name, duration_ms=duration_ms)
    failure = next(iter(failures), f"no answer within {probe.limit_seconds:g} seconds")
    missing = unknown_section(SECTIONS[probe.section], f"the probe failed: {failure}")
    return missing, ProbeRun(name=probe.name, duration_ms=duration_ms, failure=failure)


def _merged(before: Section, found: Section, probe: Probe) -> Section:
    """`found`, or, of a probe that answers for one field, `before` with that field."""
    if probe.only_field is None:
        return found
    return replace(before, **{probe.only_field: getattr(found, probe.only_field)})
