"""Is everything there that the release, and common sense, ask for first?

- What the notes of the next release require outranks policy where it is stricter.
- An update that already waits for the next restart is a `stop`: find out what it is before any
  restart.
- Pending OS updates block only if the release requires them or policy says so; otherwise they are
  told.
- A failed last attempt is superseded once the running version reached the attempted one. Only ESRT
  entries of type 1 speak for system firmware, and a machine without ESRT is not held back by it.
"""

from functools import lru_cache

from flashworthy_common import esrt
from flashworthy_common.dotted import is_at_least
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.releases import LeastVersion
from flashworthy_common.report import BootMode
from flashworthy_common.values import Maybe, Unknown


def os_build(case: Case) -> Check | None:
    software, required = case.report.software, case.requires.os_builds
    if not required:
        return None
    question = Question("prerequisites.os_build", "build of the operating system", software)
    limit = "needs " + " or ".join(f"{each.name} {each.version_text}" for each in required)
    if isinstance(software.os_name, Unknown):
        return question.unknown(
            software.os_name.because, limit=limit, remedy="look which system and build it runs"
        )
    for least in required:
        if least.name.casefold() == software.os_name.casefold():
            return _at_least(question, least, software.os_build)
    return question.unknown(
        f"runs {software.os_name}, which the notes do not name",
        limit=limit,
        remedy="read the maker's notes again",
        who=Who.DESK,
    )


def installed(case: Case) -> Check | None:
    software, required = case.report.software, case.requires.installed
    if not required:
        return None
    question = Question("prerequisites.installed", "drivers and packages", software)
    found = () if isinstance(software.installed, Unknown) else software.installed
    versions = {each.name.casefold(): each.version_text for each in found}
    not_seen = Unknown("it was not looked for")
    answers = [
        _at_least(question, least, versions.get(least.name.casefold(), not_seen))
        for least in required
    ]
    return next((each for each in answers if each.answer is not Answer.PASS), answers[0])


def restart_pending(case: Case) -> Check:
    section = case.report.software
    question = Question("prerequisites.restart_pending", "restart pending", section)
    if isinstance(section.restart_pending, Unknown):
        return question.unknown(
            section.restart_pending.because, remedy="see whether a restart is pending"
        )
    if not section.restart_pending:
        return question.passes("none")
    return question.answered(
        case.blocks_on_the_spot,
        "; ".join(section.restart_pending),
        limit="none may be pending",
        remedy="restart it first and see that it comes back",
        who=Who.SPOT,
    )


def update_queued(case: Case) -> Check:
    section = case.report.firmware
    question = Question("prerequisites.update_queued", "update already queued", section)
    if isinstance(section.update_queued, Unknown):
        if section.boot_mode is BootMode.LEGACY:
            return question.passes("none: a legacy boot takes no capsules")
        return question.unknown(
            section.update_queued.because, remedy="see whether an update waits for the restart"
        )
    if not section.update_queued:
        return question.passes("none")
    return question.answered(
        Answer.STOP,
        f"waits for the next restart: {', '.join(section.update_queued)}",
        limit="none may be queued",
        remedy="find out what it is before any restart",
        who=Who.ADMINISTRATOR,
    )


def installer(case: Case) -> Check:
    section = case.report.people
    question = Question("prerequisites.installer", "installers running", section)
    if isinstance(section.installers, Unknown):
        return question.unknown(
            section.installers.because, remedy="see that no installer is running"
        )
    if not section.installers:
        return question.passes("none")
    return question.answered(
        case.blocks_on_the_spot,
        f"running: {', '.join(section.installers)}",
        limit="none may be running",
        remedy="let the installer finish",
        who=Who.SPOT,
    )


def os_updates(case: Case) -> Check:
    section = case.report.software
    question = Question("prerequisites.os_updates", "pending updates of the OS", section)
    required = case.requires.os_updates or case.policy.pending_updates_block
    limit = "must be installed first" if required else "told only: nothing requires them first"
    pending = section.pending_updates
    if isinstance(pending, Unknown):
        if not required:
            return question.passes(f"not known: {pending.because}", limit=limit)
        return question.unknown(
            pending.because, limit=limit, remedy="look for updates of the operating system"
        )
    security = pending.security_count
    of_them = "" if isinstance(security, Unknown) else f", {security} of them for security"
    says = f"{pending.count} pending{of_them}" if pending.count else "none pending"
    if not required or not pending.count:
        return question.passes(says, limit=limit)
    return question.answered(
        case.blocks_on_the_spot,
        says,
        limit=limit,
        remedy="install the pending updates first",
        who=Who.DESK,
    )


def free_space(case: Case) -> Check:
    section = case.report.software
    question = Question("prerequisites.free_space", "free space on the system disk", section)
    needed = max(case.requires.free_bytes or 0, case.policy.free_bytes)
    limit = _at_least_free(needed)
    free = section.system_free_bytes
    if isinstance(free, Unknown):
        return question.unknown(
            free.because, limit=limit, remedy="look how much of the system disk is free"
        )
    if free < needed:
        return question.answered(
            case.blocks_on_the_spot,
            f"{_gigabytes(free)} free",
            limit=limit,
            remedy="make room on the system disk",
            who=Who.DESK,
        )
    return question.passes(f"{_gigabytes(free)} free", limit=limit)


def last_attempt(case: Case) -> Check:
    section = case.report.firmware
    question = Question("prerequisites.last_attempt", "last attempt to update", section)
    entries = section.esrt
    if isinstance(entries, Unknown):
        return question.passes(f"no record of one was seen: {entries.because}")
    status = esrt.last_failure(entries)
    if status is None:
        return question.passes("none that failed")
    return question.answered(
        Answer.STOP if status == esrt.AUTHENTICATION_ERROR else Answer.FIX,
        f"failed: {esrt.attempt_status(status)} (status {status})",
        remedy="find out why, and look at what it names now",
        who=Who.SPOT,
    )


def _at_least(question: Question, least: LeastVersion, found: Maybe[str]) -> Check:
    limit = f"needs {least.name} {least.version_text} or newer"
    if isinstance(found, Unknown):
        return question.unknown(
            f"{least.name}: {found.because}", limit=limit, remedy=f"look which {least.name} it has"
        )
    answer = is_at_least(found, least.version_text)
    if answer is None:
        return question.unknown(
            f"{least.name} {found!r} cannot be compared",
            limit=limit,
            remedy=f"compare its {least.name} by eye",
        )
    if answer:
        return question.passes(f"{least.name} {found}", limit=limit)
    return question.answered(
        Answer.FIX,
        f"{least.name} {found}",
        limit=limit,
        remedy=f"bring {least.name} to {least.version_text} first",
        who=Who.DESK,
    )


@lru_cache
def _at_least_free(count: int) -> str:
    """The same few limits of a site, again and again."""
    return f"at least {_gigabytes(count)}"


def _gigabytes(count: int) -> str:
    return f"{count / 1e9:.1f} GB"


CHECKS = (
    os_build,
    installed,
    restart_pending,
    update_queued,
    installer,
    os_updates,
    free_space,
    last_attempt,
)
