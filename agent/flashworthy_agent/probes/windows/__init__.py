"""How Windows answers.

Written from its documentation, whose pages are named beside each constant, and replayed from
made-up captures; not run on a real Windows by those who wrote it. Nothing here but `live` loads
what only Windows has. The one call of PowerShell is made by whichever probe needs it first.
"""

from collections.abc import Iterable

from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.probe import Platform, Probe
from flashworthy_agent.probes.windows.components import look_at_components
from flashworthy_agent.probes.windows.firmware import look_at_firmware
from flashworthy_agent.probes.windows.machine import look_at_identity, look_at_machine
from flashworthy_agent.probes.windows.people import look_at_people
from flashworthy_agent.probes.windows.power import look_at_configured_ups, look_at_power
from flashworthy_agent.probes.windows.protection import look_at_protection
from flashworthy_agent.probes.windows.script import LIMIT_SECONDS
from flashworthy_agent.probes.windows.software import (
    look_at_efi_room,
    look_at_software,
    uptime_seconds,
)
from flashworthy_agent.probes.windows.updates import look_for_updates
from flashworthy_agent.probes.windows.versions import look_for_versions

_LIMIT_SECONDS = LIMIT_SECONDS + 5  # the script is ended before that


def _withheld(question: Question, answer: Answer) -> Answer:
    from flashworthy_agent.probes.windows.private import withheld  # late: only for a capture

    return withheld(question, answer)


def _personal(question: Question, answer: Answer) -> Iterable[str]:
    from flashworthy_agent.probes.windows.private import personal  # late: only for a capture

    return personal(question, answer)


WINDOWS = Platform(
    probes=(
        Probe("identity", "identity", look_at_identity),
        Probe("firmware", "firmware", look_at_firmware),
        Probe("power", "power", look_at_power),
        Probe("UPS", "power", look_at_configured_ups, only_field="ups"),
        Probe("people", "people", look_at_people),
        Probe("software", "software", look_at_software),
        Probe("drivers and programs", "software", look_for_versions, only_field="installed"),
        Probe("machine", "machine", look_at_machine, _LIMIT_SECONDS),
        Probe("components", "components", look_at_components, _LIMIT_SECONDS),
        Probe("EFI partition", "software", look_at_efi_room, _LIMIT_SECONDS, "esp_free_bytes"),
        Probe("protection", "protection", look_at_protection, _LIMIT_SECONDS),
        Probe("pending updates", "software", look_for_updates, _LIMIT_SECONDS, "pending_updates"),
    ),
    uptime_seconds=uptime_seconds,
    withheld=_withheld,
    personal=_personal,
)
