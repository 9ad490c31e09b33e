"""How macOS answers.

Written from the manual pages of its programs, which are named beside each, and from what others
published of their output, and replayed from made-up captures; not run on a real macOS by those who
wrote it. All of it is asked of programs that print structured output, and of property lists, so
that nothing here loads what only macOS has.
"""

from collections.abc import Iterable

from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.macos.answers import PROFILER_SECONDS, PROGRAM_SECONDS
from flashworthy_agent.probes.macos.components import look_at_components
from flashworthy_agent.probes.macos.firmware import look_at_firmware
from flashworthy_agent.probes.macos.machine import look_at_identity, look_at_machine
from flashworthy_agent.probes.macos.people import look_at_people
from flashworthy_agent.probes.macos.power import look_at_all_ups, look_at_power
from flashworthy_agent.probes.macos.protection import look_at_protection
from flashworthy_agent.probes.macos.software import (
    look_at_software,
    look_for_versions,
    uptime_seconds,
)
from flashworthy_agent.probes.macos.updates import look_for_updates
from flashworthy_agent.probes.probe import Platform, Probe

# Programs are ended before that: one beside the profiler, or three others.
_LIMIT_SECONDS = PROFILER_SECONDS + PROGRAM_SECONDS + 2
_PROGRAMS_SECONDS = 3 * PROGRAM_SECONDS + 1


def _personal(question: Question, answer: Answer) -> Iterable[str]:
    from flashworthy_agent.probes.macos.private import personal  # late: only for a capture

    return personal(question, answer)


MACOS = Platform(
    probes=(
        Probe("identity", "identity", look_at_identity, _PROGRAMS_SECONDS),
        Probe("machine", "machine", look_at_machine, _LIMIT_SECONDS),
        Probe("firmware", "firmware", look_at_firmware, _LIMIT_SECONDS),
        Probe("components", "components", look_at_components, _LIMIT_SECONDS),
        Probe("power", "power", look_at_power, _PROGRAMS_SECONDS),
        Probe("UPS", "power", look_at_all_ups, only_field="ups"),
        Probe("protection", "protection", look_at_protection, _PROGRAMS_SECONDS),
        Probe("people", "people", look_at_people, _PROGRAMS_SECONDS),
        Probe("software", "software", look_at_software),
        Probe("packages", "software", look_for_versions, only_field="installed"),
        Probe("pending updates", "software", look_for_updates, only_field="pending_updates"),
    ),
    uptime_seconds=uptime_seconds,
    personal=_personal,
)
