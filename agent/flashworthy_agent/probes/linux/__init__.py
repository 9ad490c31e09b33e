"""How Linux answers. The costly question comes last, so that nothing waits for it."""

from collections.abc import Iterable

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.linux.components import look_at_components
from flashworthy_agent.probes.linux.firmware import look_at_firmware
from flashworthy_agent.probes.linux.identity import look_at_identity
from flashworthy_agent.probes.linux.machine import look_at_machine
from flashworthy_agent.probes.linux.packages.updates import LIMIT_SECONDS, look_for_updates
from flashworthy_agent.probes.linux.packages.versions import look_for_versions
from flashworthy_agent.probes.linux.people import look_at_people
from flashworthy_agent.probes.linux.power import look_at_configured_ups, look_at_power
from flashworthy_agent.probes.linux.protection import look_at_protection
from flashworthy_agent.probes.linux.software import look_at_software, uptime_seconds
from flashworthy_agent.probes.probe import Platform, Probe
from flashworthy_common.values import Maybe


def _programs_with_windows(access: Access) -> Maybe[tuple[str, ...]]:
    from flashworthy_agent.probes.linux.windows import (
        programs_with_windows,  # late: only on the spot
    )

    return programs_with_windows(access)


def _withheld(question: Question, answer: Answer) -> Answer:
    from flashworthy_agent.probes.linux.private import withheld  # late: only for a capture

    return withheld(question, answer)


def _personal(question: Question, answer: Answer) -> Iterable[str]:
    from flashworthy_agent.probes.linux.private import personal  # late: only for a capture

    return personal(question, answer)


LINUX = Platform(
    probes=(
        Probe("identity", "identity", look_at_identity),
        Probe("machine", "machine", look_at_machine),
        Probe("firmware", "firmware", look_at_firmware),
        Probe("components", "components", look_at_components),
        Probe("power", "power", look_at_power),
        Probe("UPS", "power", look_at_configured_ups, only_field="ups"),
        Probe("protection", "protection", look_at_protection),
        Probe("people", "people", look_at_people),
        Probe("software", "software", look_at_software),
        Probe("drivers and packages", "software", look_for_versions, only_field="installed"),
        Probe(
            "pending updates",
            "software",
            look_for_updates,
            limit_seconds=LIMIT_SECONDS + 5,  # its programs are ended before that
            only_field="pending_updates",
        ),
    ),
    uptime_seconds=lambda access: uptime_seconds(access.files),
    programs_with_windows=_programs_with_windows,
    withheld=_withheld,
    personal=_personal,
)
