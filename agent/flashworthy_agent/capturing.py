"""The command that looks once, writes down every raw answer, and tells what it made of them.

What is told is told from the file, not from the machine: so it shows what whoever gets the file
will see, and a file that does not replay is noticed where it is made.
"""

import re
import secrets
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from flashworthy_agent.capture import Capture, Recorder, head_of, replaying
from flashworthy_agent.collect import Findings, look
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.inputs import Question
from flashworthy_agent.probes.probe import Platform, Probe
from flashworthy_agent.probes.programs import Programs
from flashworthy_agent.pseudonyms import Pseudonyms, uuids_in
from flashworthy_agent.table import section_lines
from flashworthy_common.report import PeopleSection, ProtectionSection, Section
from flashworthy_common.values import Unknown, to_json

_LONGEST_SHOWN = 100  # characters of a question


@dataclass(frozen=True)
class Taken:
    """A capture, and what the probes asked for while it was taken."""

    capture: Capture
    asked: dict[str, list[Question]]  # by the section of the report
    replayed: Findings  # what the probes make of the capture
    differing: tuple[str, ...]  # the sections in which that is not what they made of the machine


def take(access: Access, platform: Platform, name: str, *, replace_ids: bool) -> Taken:
    """Look at the machine behind `access`, whose system has this name."""
    recorder = Recorder(access.inputs, platform.withheld)
    asked: dict[str, list[Question]] = defaultdict(list)
    taken_at = access.now()
    recording = replace(
        access,
        inputs=recorder,
        programs=Programs(recorder),
        now=lambda: taken_at,
        kept_folder=None,  # an answer of before is no raw input
    )
    probes = tuple(_noting(probe, recorder, asked) for probe in platform.probes)
    findings = look(recording, platform._replace(probes=probes))
    capture = Capture(head_of(access, name, taken_at), dict(recorder.answers))
    seen = _seen(findings)
    if replace_ids:
        pseudonyms = Pseudonyms(_personal(capture, platform, findings), secrets.token_bytes(32))
        capture, seen = pseudonyms.in_capture(capture), _changed(seen, pseudonyms)
        asked = {name: [*map(pseudonyms.in_question, each)] for name, each in asked.items()}
    replayed = look(replaying(capture), platform)
    differing = tuple(name for name, told in _seen(replayed).items() if told != seen[name])
    return Taken(capture, asked, replayed, differing)


def _noting(probe: Probe, recorder: Recorder, asked: dict[str, list[Question]]) -> Probe:
    def look_and_note(access: Access) -> Section:
        before = len(recorder.asked)
        try:
            return probe.look(access)
        finally:
            asked[probe.section] += recorder.asked[before:]

    return probe._replace(look=look_and_note)


def _seen(findings: Findings) -> dict[str, Any]:
    return {name: to_json(section) for name, section in findings.sections.items()}


def _changed(value: Any, pseudonyms: Pseudonyms) -> Any:
    """Decoded JSON with every text in it changed as those of the capture."""
    if isinstance(value, dict):
        return {name: _changed(each, pseudonyms) for name, each in value.items()}
    if isinstance(value, list):
        return [_changed(each, pseudonyms) for each in value]
    return pseudonyms.in_answer(value)


def _personal(capture: Capture, platform: Platform, findings: Findings) -> Iterator[str]:
    """Serials, names and ids: those of the report, and those that only raw answers hold."""
    identity, people = findings.identity, cast(PeopleSection, findings.sections["people"])
    protection = cast(ProtectionSection, findings.sections["protection"])
    told = [identity.smbios_uuid, identity.system_serial, identity.board_serial,
            identity.asset_tag, identity.hostname]  # fmt: skip
    if not isinstance(people.sessions, Unknown):
        told += [session.user for session in people.sessions]
    if not isinstance(protection.volumes, Unknown):
        # one that is not a UUID is made of what stands in the capture, not written there
        told += [one for volume in protection.volumes for one in uuids_in(str(volume.protector_id))]
    yield from (text for text in told if not isinstance(text, Unknown))
    for question, answer in capture.answers.items():
        if not isinstance(answer, OSError):
            yield from platform.personal(question, answer)


# ---- words ------------------------------------------------------------------------------------


def taken_lines(taken: Taken, file: Path) -> Iterator[str]:
    """What the capture says, question by question; where from; and what to do if it is wrong."""
    for name, section in taken.replayed.sections.items():
        *told, _ = section_lines(name, section)
        yield from told
        yield from (f"  {line}" for line in _sources(taken.asked.get(name, []), taken.capture))
        yield ""
    if taken.differing:
        yield f"The file answers differently from the machine: {', '.join(taken.differing)}."
    yield from _what_to_send(taken.capture, file)


def _sources(asked: list[Question], capture: Capture) -> Iterator[str]:
    """What was asked, and whether there was an answer; alike ones are counted together."""
    alike: dict[tuple[str, str], list[str]] = defaultdict(list)
    for question in dict.fromkeys(asked):
        words = " ".join(map(str, question))
        answer = capture.answers.get(question)
        went = f"no answer: {answer.strerror}" if isinstance(answer, OSError) else "answered"
        alike[re.sub("[0-9]+", "*", words), went].append(words)
    for (pattern, went), found in alike.items():
        what = found[0] if len(found) == 1 else f"{len(found)} times {pattern}"
        yield f"{what:.{_LONGEST_SHOWN}}: {went}"


def _what_to_send(capture: Capture, file: Path) -> Iterator[str]:
    held = "in it are replaced" if capture.head.ids_replaced else "stand in it as they are"
    yield f"{len(capture.answers)} raw answers are in {file}; serials, user names and ids {held}."
    yield "If an answer above is wrong, or missing without a good reason, send back:"
    yield f"  1. {file}, which is text: look through it before you send it"
    yield "  2. for each such answer: its name above, what is right, and how you know"
