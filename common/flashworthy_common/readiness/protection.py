"""Will the disk open again after the firmware has changed?

- A key that the TPM holds sealed may not be released by changed firmware: the recovery key must be
  proven readable for the present protector, before anything else.
- Protection is suspended for as many restarts as the path needs, just before the flash, and only
  then. Where sealing cannot be suspended, another key slot is needed.
- A volume that opens by a passphrase alone has nothing to suspend.
- Never any key material: a person's word that the recovery key can be read is all there is.
"""

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.report import ProtectorKind
from flashworthy_common.values import Unknown
from flashworthy_common.volumes import system_volumes


def encryption(case: Case) -> Check:
    section = case.report.protection
    question = Question("protection.encryption", "encryption of the system disk", section)
    volumes = system_volumes(case.report)
    if isinstance(volumes, Unknown):
        return question.unknown(volumes.because, remedy="see whether the system disk is encrypted")
    for volume in volumes:
        if isinstance(volume.encrypted, Unknown):
            return question.unknown(
                f"{volume.name}: {volume.encrypted.because}",
                remedy="see whether the system disk is encrypted",
            )
        if volume.encrypted and isinstance(volume.protector, Unknown):
            return question.unknown(
                f"{volume.name}: {volume.protector.because}",
                remedy="see what opens the system disk",
            )
    encrypted = [volume.name for volume in volumes if volume.encrypted]
    return question.passes(f"encrypted: {', '.join(encrypted)}" if encrypted else "not encrypted")


def recovery_key(case: Case) -> Check | None:
    sealed = case.sealed_volumes
    if not sealed:
        return None
    question = Question("protection.recovery_key", "recovery key", case.report.protection)
    remedy = "prove that its recovery key can be read, and confirm it"
    ends = []
    for volume in sealed:
        if isinstance(volume.protector_id, Unknown):
            return question.unknown(
                f"{volume.name}: its protector is not named: {volume.protector_id.because}",
                remedy=remedy,
                who=Who.DESK,
            )
        end = case.confirmed_until(Confirmed.RECOVERY_KEY, volume.protector_id)
        if end is None:
            return question.answered(
                case.blocks_on_the_spot,
                f"not confirmed for protector {volume.protector_id}",
                limit="proven readable for the present protector",
                remedy=remedy,
                who=Who.DESK,
                bring="the recovery key",
            )
        ends.append(end)
    return question.passes("confirmed for the present protector", holds_until=min(ends))


def suspended(case: Case) -> Check | None:
    sealed = case.sealed_volumes
    if not sealed or not case.on_the_spot:
        return None
    question = Question("protection.suspended", "protection suspended", case.report.protection)
    restarts = case.restarts
    limit = f"for {restarts} restarts, as the path needs"
    for volume in sealed:
        count = volume.suspended_restarts
        if isinstance(count, Unknown):
            continue  # it cannot be suspended, or nobody can see it: see `other_key`
        if count < restarts:
            says = f"{volume.name}: for {count} restarts" if count else f"{volume.name}: it is on"
            return question.answered(
                Answer.STOP,
                says,
                limit=limit,
                remedy=f"suspend it for {restarts} restarts, and see that it is on again after",
                who=Who.SPOT,
            )
    return question.passes("as long as the path needs, or another key opens it", limit=limit)


def other_key(case: Case) -> Check | None:
    """Where sealing cannot be seen to be suspended, another key must open the disk."""
    sealed = [v for v in case.sealed_volumes if isinstance(v.suspended_restarts, Unknown)]
    if not sealed:
        return None
    question = Question("protection.other_key", "another key of the disk", case.report.protection)
    lonely = [volume.name for volume in sealed if volume.protector is not ProtectorKind.BOTH]
    if not lonely:
        return question.passes("a passphrase opens it too")
    return question.answered(
        case.blocks_on_the_spot,
        f"{', '.join(lonely)}: only the TPM opens it, and that cannot be suspended",
        limit="another key slot is needed",
        remedy="add a passphrase to another key slot",
        who=Who.DESK,
    )


CHECKS = (encryption, recovery_key, suspended, other_key)
