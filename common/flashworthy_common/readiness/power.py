"""Will power hold for as long as the flash takes?

- Charge does not replace mains, and mains does not replace charge: the firmware itself refuses for
  either (UEFI §23.4, last-attempt status 6 and 7).
- On battery is a `fix` at the desk, since it can be plugged in, and a `stop` on the spot.
- A machine without a battery runs from outside power by running at all; whether that is enough
  without a UPS is for policy to say.
- UPS status words are those of RFC 9271, Table 4. A UPS without OL or OB is deemed dead; runtime
  may be missing legitimately, and charge with OL may then do.
"""

from functools import lru_cache

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.policy import UpsRule
from flashworthy_common.readiness.question import Answer, Case, Check, Question, Who
from flashworthy_common.report import Battery, Ups
from flashworthy_common.values import Unknown

NOT_READY_WORDS = {
    "OB": "on battery",
    "LB": "battery low",
    "RB": "battery to be replaced",
    "OVER": "overloaded",
    "BYPASS": "bypass: its battery protects nothing",
    "CAL": "calibrating",
    "TEST": "under test",
    "OFF": "off",
    "ALARM": "alarm",
    "FSD": "shutting down",
    "NOCOMM": "no communication",
}


def mains(case: Case) -> Check:
    section = case.report.power
    question = Question("power.mains", "mains power", section)
    if section.mains is True:
        return question.passes("on mains")
    if section.mains is False:
        return question.answered(
            case.blocks_on_the_spot,
            "on battery" + _charge_in_words(section.batteries),
            limit="needs mains",
            remedy="plug in the adapter",
            who=Who.SPOT,
            bring="its adapter",
        )
    if section.batteries == ():
        return question.passes("runs without a battery, so from outside power")
    return question.unknown(
        section.mains.because, limit="needs mains", remedy="see that it is plugged in"
    )


def charge(case: Case) -> Check | None:
    batteries = case.batteries
    if batteries == ():
        return None
    question = Question("power.charge", "battery charge", case.report.power)
    least = max(case.requires.charge_percent or 0, case.policy.charge_percent)
    limit = _at_least(least)
    if isinstance(batteries, Unknown):
        return question.unknown(
            batteries.because, limit=limit, remedy="look at its battery's charge"
        )
    lowest = 100.0
    for battery in batteries:
        if isinstance(battery.percent, Unknown):
            return question.unknown("not told", limit=limit, remedy="look at its battery's charge")
        lowest = min(lowest, battery.percent)
    says = f"{lowest:g} %"
    if lowest >= least:
        return question.passes(says, limit=limit)
    return question.answered(
        case.blocks_on_the_spot, says, limit=limit, remedy="let its battery charge", who=Who.SPOT
    )


def wear(case: Case) -> Check | None:
    if isinstance(case.batteries, Unknown) or not case.batteries:
        return None
    question = Question("power.wear", "battery wear", case.report.power)
    least = case.policy.health_percent
    limit = _holds_at_least(least)
    lowest = float("inf")
    for battery in case.batteries:
        health = health_percent(battery)
        if health is None:
            return question.unknown(
                "its capacity is not told", limit=limit, remedy="look how old its battery is"
            )
        lowest = min(lowest, health)
    says = f"holds {lowest:.0f} %"
    if lowest >= least:
        return question.passes(says, limit=limit)
    return question.answered(
        Answer.FIX,
        says,
        limit=limit,
        remedy="replace the battery, or have a UPS on its adapter",
        who=Who.SPOT,
        bring="a UPS or a battery for it",
    )


def drain(case: Case) -> Check | None:
    section = case.report.power
    if section.mains is not True or isinstance(section.batteries, Unknown):
        return None
    if not section.batteries:
        return None
    question = Question("power.drain", "discharging although on mains", section)
    draining = [each.name for each in section.batteries if each.state == "discharging"]
    if not draining:
        return question.passes("no")
    return question.answered(
        case.blocks_on_the_spot,
        f"{', '.join(draining)}: the adapter or dock gives too little",
        limit="must not discharge",
        remedy="use the maker's own adapter in the machine's own socket",
        who=Who.SPOT,
        bring="its maker's adapter",
    )


def ups(case: Case) -> Check | None:
    section = case.report.power
    if isinstance(section.batteries, Unknown) or section.batteries:
        return None
    question = Question("power.ups", "UPS", section)
    if isinstance(section.ups, Unknown) or not section.ups:
        return _without_ups(question, case)
    faults = [fault for each in section.ups if (fault := _fault(each, case))]
    says = "; ".join(faults) or ", ".join(f"{each.name} ready" for each in section.ups)
    told = _shutdown_in_words(section.ups)
    if not faults:
        return question.passes(says + told)
    return question.answered(
        case.blocks_on_the_spot,
        says + told,
        limit="ready for the whole flash",
        remedy="bring the UPS in order, or bring another",
        who=Who.SPOT,
        bring="a UPS",
    )


def health_percent(battery: Battery) -> float | None:
    """What a battery still holds of its design capacity; none where it does not tell.

    Energy is held against energy and charge against charge, never one against the other.
    """
    for full, design in (
        (battery.full_mwh, battery.design_mwh),
        (battery.full_mah, battery.design_mah),
    ):
        if not isinstance(full, Unknown) and not isinstance(design, Unknown) and design > 0:
            return 100 * full / design
    return None


# The same few limits of a site, again and again.


@lru_cache
def _at_least(percent: float) -> str:
    return f"at least {percent:g} %"


@lru_cache
def _holds_at_least(percent: float) -> str:
    return f"holds at least {percent:g} % of its design capacity"


def _without_ups(question: Question, case: Case) -> Check:
    says = "none is known to feed it"
    if case.policy.ups_rule is UpsRule.TOLD:
        return question.passes(says, limit="policy: told only")
    confirmed_until = case.confirmed_until(Confirmed.UPS_READY, "")
    if confirmed_until:
        return question.passes("one stands ready, by a person's word", holds_until=confirmed_until)
    return question.answered(
        Answer.FIX,
        says,
        limit="a machine without a battery deserves one",
        remedy="put it on a UPS for the flash",
        who=Who.SPOT,
        bring="a UPS",
    )


def _fault(unit: Ups, case: Case) -> str:
    """Why this UPS is not ready; empty if it is."""
    if isinstance(unit.status_text, Unknown):
        return f"{unit.name}: {unit.status_text.because}"
    words = unit.status_text.split()
    wrong = [NOT_READY_WORDS[word] for word in words if word in NOT_READY_WORDS]
    if wrong:
        return f"{unit.name}: {', '.join(wrong)}"
    if "OL" not in words:
        return f"{unit.name}: deemed dead, it says neither OL nor OB"
    return _short_of_time(unit, case)


def _short_of_time(unit: Ups, case: Case) -> str:
    needed = case.flash_minutes * 60 * case.policy.ups_runtime_factor
    if not isinstance(unit.runtime_seconds, Unknown):
        if unit.runtime_seconds >= needed:
            return ""
        return f"{unit.name}: {unit.runtime_seconds // 60} of {needed // 60} minutes"
    if isinstance(unit.charge_percent, Unknown):
        return f"{unit.name}: tells neither runtime nor charge"
    if unit.charge_percent >= case.policy.ups_charge_percent:
        return ""
    return f"{unit.name}: charged to {unit.charge_percent:g} %"


def _shutdown_in_words(units: tuple[Ups, ...]) -> str:
    if any(unit.shuts_this_down is True for unit in units):
        return "; it can command this machine to shut down"
    return ""


def _charge_in_words(batteries: tuple[Battery, ...] | Unknown) -> str:
    if isinstance(batteries, Unknown):
        return ""
    levels = [each.percent for each in batteries if not isinstance(each.percent, Unknown)]
    return f" at {min(levels):g} %" if levels else ""


CHECKS = (mains, charge, wear, drain, ups)
