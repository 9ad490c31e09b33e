"""Can the target be reached from here, on this machine?

- Fewest flashes; several make a longer visit, with a full look before each.
- No path is a `stop`, with what stands in the way; versions that cannot be ordered are `unknown`.
- The firmware itself refuses what lies below its lowest supported version (UEFI §23.4); that is
  compared only where the release states its ESRT class and version.
- What is installed from boot media only needs them brought along; old machines often do.
- Another order code may mean another image: the right image is the exact one.
"""

from flashworthy_common.paths import is_below_esrt_floor
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.releases import Way, is_for_order
from flashworthy_common.report import BootMode
from flashworthy_common.values import Unknown

_FROM_MEDIA_ONLY, _BY_CAPSULE_ONLY = (Way.BOOT_MEDIA,), (Way.CAPSULE,)


def steps(case: Case) -> Check | None:
    need = case.need
    if need.target is None:
        return None
    question = Question("path.steps", "path")
    if need.no_path is None:
        count = len(need.steps)
        flashes = "one flash" if count == 1 else f"{count} flashes, with a full look before each"
        return question.passes(flashes)
    if need.no_path.is_certain:
        return question.answered(
            Answer.STOP,
            need.no_path.because,
            remedy="read the maker's notes for another way",
            who=Who.DESK,
        )
    return question.unknown(
        need.no_path.because, remedy="compare the versions by the maker's notes", who=Who.DESK
    )


def floor(case: Case) -> Check | None:
    if not case.need.steps:
        return None
    section = case.report.firmware
    question = Question("path.floor", "lowest version that the firmware accepts", section)
    says = "not below it"
    for step in case.need.steps:
        is_below = is_below_esrt_floor(step, section.esrt)
        if isinstance(is_below, Unknown):
            says = f"not compared: {is_below.because}"
        elif is_below:
            return question.answered(
                Answer.STOP,
                f"{step.version_text} is below it",
                limit="not below the lowest supported version",
                remedy="do not try; ask the maker",
                who=Who.DESK,
            )
    return question.passes(says)


def order_code(case: Case) -> Check | None:
    if not any(step.skus for step in case.need.steps):
        return None
    section = case.report.machine
    question = Question("path.order_code", "order code", section)
    for step in case.need.steps:
        is_right = is_for_order(step, sku=section.sku, product=section.product)
        limit = f"{step.version_text} is for {', '.join(step.skus)}"
        if isinstance(is_right, Unknown):
            return question.unknown(is_right.because, limit=limit, remedy="read its label")
        if not is_right:
            return question.answered(
                Answer.STOP,
                f"{step.version_text} is not for this machine as it was ordered",
                limit=limit,
                remedy="find the release for its order code",
                who=Who.DESK,
            )
    return question.passes("the releases are for it")


def way(case: Case) -> Check | None:
    target = case.next_step
    if target is None:
        return None
    section = case.report.firmware
    question = Question("path.way", "way of installing", section)
    if not target.ways:
        return question.unknown(
            f"not recorded for {target.version_text}",
            remedy="look up how it is installed",
            who=Who.DESK,
        )
    if target.ways == _FROM_MEDIA_ONLY:
        return question.answered(
            Answer.PASS, "boot media only", bring=f"boot media with {target.version_text}"
        )
    if target.ways != _BY_CAPSULE_ONLY:
        return question.passes(" or ".join(each.value for each in target.ways))
    if section.boot_mode is BootMode.LEGACY:
        return question.answered(
            Answer.STOP,
            "a UEFI capsule, and this machine starts the legacy way",
            limit="a capsule needs a UEFI start",
            remedy="look for another way of installing",
            who=Who.DESK,
        )
    if isinstance(section.boot_mode, Unknown):
        return question.unknown(section.boot_mode.because, remedy="see whether it starts by UEFI")
    return question.passes(target.ways[0].value)


CHECKS = (steps, floor, order_code, way)
