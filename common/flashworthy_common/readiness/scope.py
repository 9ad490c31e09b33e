"""Is this a machine that Flashworthy may speak about?

- A virtual machine has no firmware of its own to update.
- Firmware that comes with the operating system is that one's affair: nobody flashes it by hand.
- A machine with a life-safety duty is not touched on a tool's word, whatever else is true.
- An unknown kind of machine is `unknown`, never guessed.
"""

from flashworthy_common.chassis import Kind
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.values import Unknown


def virtual(case: Case) -> Check:
    section = case.report.machine
    question = Question("scope.virtual", "virtual machine", section)
    if isinstance(section.virtual, Unknown):
        return question.unknown(section.virtual.because, remedy="see whether it is a real machine")
    if not section.virtual:
        return question.passes("a real machine")
    evidence = section.virtual_evidence
    says = "its report" if isinstance(evidence, Unknown) else evidence
    return question.answered(
        Answer.STOP,
        f"a virtual machine ({says}): its firmware belongs to its host",
        remedy="leave it to whoever runs the host",
        who=Who.ADMINISTRATOR,
    )


def with_os(case: Case) -> Check | None:
    section = case.report.firmware
    if section.comes_with_os is not True:
        return None
    return Question("scope.with_os", "firmware of the operating system", section).answered(
        Answer.STOP,
        "its firmware comes with the operating system: that one's updates bring newer firmware",
        remedy="install the operating system's updates",
        who=Who.DESK,
    )


def marked(case: Case) -> Check:
    question = Question("scope.marked", "life-safety duty")
    if not case.machine.marked:
        return question.passes("not marked as having one")
    return question.answered(
        Answer.STOP,
        f"marked as {case.machine.marked}: do not touch it",
        limit="only with its owner's written consent and the licensed body's own procedure",
        remedy="ask its owner",
        who=Who.ADMINISTRATOR,
    )


def kind(case: Case) -> Check:
    section = case.report.machine
    question = Question("scope.kind", "kind of machine", section)
    if isinstance(section.chassis_type, Unknown):
        return question.unknown(
            section.chassis_type.because, remedy="see what kind of machine it is"
        )
    if case.kind is None:
        return question.unknown(
            f"chassis type {section.chassis_type} does not tell",
            remedy="see what kind of machine it is",
        )
    if case.kind is Kind.SERVER:
        return question.answered(
            Answer.STOP,
            "a server: this kind is not covered yet",
            remedy="follow the maker's own procedure for servers",
            who=Who.ADMINISTRATOR,
        )
    if case.kind is Kind.DESKTOP and not isinstance(case.batteries, Unknown) and case.batteries:
        return question.unknown(
            "its chassis says desktop, yet it has a battery",
            remedy="see what kind of machine it is",
        )
    return question.passes(f"a {case.kind.value} machine")


CHECKS = (virtual, with_os, marked, kind)
