"""The weight of a reason: its priority, and how that came about.

- A priority that a person set holds, whatever else is known.
- A security hole is weighed by SSVC's deployer tree. How it is exploited is known per advisory;
  what the site is like is set once per site, each input with where its default comes from.
- Being in a list of known exploited vulnerabilities means `active`. Not being in it proves
  nothing: then what the advisory's own source states counts, and `none` is told as *none known*.
- A severity score is shown beside it and never weighed: it alone is no decision (FIRST, CVSS 3.1
  user guide).
- SSVC speaks of nothing but vulnerabilities; other kinds of reasons have one priority each, which
  the site sets.
"""

# ruff: noqa: RUF009  (`_input` makes a dataclass field)

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from flashworthy_common.reasons import Priority, Reason, ReasonKind, StatedReason
from flashworthy_common.ssvc import Exploitation, Exposure, HumanImpact, priority_of

_PRACTICE = "common practice, no source"
_TREE = "SSVC deployer tree 1.0.0"


def _input(default: Any, source: str, why: str) -> Any:
    return field(default=default, metadata={"source": source, "why": why})


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteInputs:
    """What weighing needs to know of a site."""

    exposure: Exposure = _input(
        Exposure.CONTROLLED,
        "System Exposure 1.0.1: networked, with restrictions already in place",
        "a PC on an office network",
    )
    automatable: bool = _input(
        False, _PRACTICE, "most holes in firmware need a foothold on the machine first"
    )
    human_impact: HumanImpact = _input(
        HumanImpact.MEDIUM,
        "Human Impact 2.0.2: negligible for safety, yet an essential function fails",
        "work stands still until the machine is back",
    )
    fault: Priority = _input(
        Priority.SCHEDULED, _PRACTICE, "a fault that the machine shows is mended at the next visit"
    )
    required: Priority = _input(
        Priority.SCHEDULED, _PRACTICE, "an upgrade or new hardware has a date of its own"
    )
    maker_order: Priority = _input(
        Priority.OUT_OF_CYCLE, _PRACTICE, "a maker that orders an update knows of harm"
    )
    site_order: Priority = _input(Priority.SCHEDULED, _PRACTICE, "an order is carried out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Advisory:
    """What is known of one advisory; none: its source states nothing of it."""

    id: str
    exploitation: Exploitation | None = None
    automatable: bool | None = None
    cvss_vector: str = ""
    severity: str = ""  # of the vector, in words; told, never weighed
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """What reasons are weighed by."""

    inputs: SiteInputs = SiteInputs()
    exploited: frozenset[str] | None = None  # CVE ids; none: no list was recorded
    advisories: Mapping[str, Advisory] = field(default_factory=dict)  # by id


DEFAULT_WEIGHING = Weighing()

_ENDS_WHEN = {
    ReasonKind.SECURITY: "or someone accepts the risk until a date",
    ReasonKind.FAULT: "or the fault is no longer seen",
    ReasonKind.REQUIRED: "or nothing requires it any more",
    ReasonKind.MAKER_ORDER: "or its maker takes the order back",
    ReasonKind.SITE_ORDER: "or the site takes the order back",
}


def weigh(stated: StatedReason, version_text: str, by: Weighing = DEFAULT_WEIGHING) -> Reason:
    """A stated reason with its priority.

    Args:
        version_text: the release that states it.
    """
    priority, because = _weight(stated, by)
    return Reason(
        kind=stated.kind,
        says=stated.says,
        source=stated.source,
        priority=priority,
        advisories=stated.advisories,
        symptoms=stated.symptoms,
        version_text=version_text,
        because=because,
        ends_when=f"ends when {version_text} or later runs, {_ENDS_WHEN[stated.kind]}",
    )


def _weight(stated: StatedReason, by: Weighing) -> tuple[Priority, str]:
    if stated.priority is not None:
        return stated.priority, "set by hand"
    inputs = by.inputs
    match stated.kind:
        case ReasonKind.SECURITY:
            return _weight_of_hole(stated.advisories, by)
        case ReasonKind.FAULT:
            return inputs.fault, "the site's priority for a fault that a machine shows"
        case ReasonKind.REQUIRED:
            return inputs.required, "the site's priority for what something else requires"
        case ReasonKind.MAKER_ORDER:
            return inputs.maker_order, "the site's priority for an order of the maker"
        case ReasonKind.SITE_ORDER:
            return inputs.site_order, "the site's priority for an order of its own"


def _weight_of_hole(advisories: tuple[str, ...], by: Weighing) -> tuple[Priority, str]:
    """The weight of the worst of its advisories."""
    order = list(Priority)
    known = (by.advisories.get(id_, Advisory(id=id_)) for id_ in advisories or ("",))
    weights = (_weight_of_advisory(advisory, by) for advisory in known)
    return max(weights, key=lambda weight: order.index(weight[0]))


def _weight_of_advisory(advisory: Advisory, by: Weighing) -> tuple[Priority, str]:
    exploitation, evidence = _exploitation(advisory, by.exploited)
    inputs, stated = by.inputs, advisory.automatable
    automatable, of_automatable = (
        (inputs.automatable, "site") if stated is None else (stated, advisory.id)
    )
    because = (
        f"{_TREE}: exploitation {exploitation.value} ({evidence}),"
        f" system exposure {inputs.exposure.value} (site),"
        f" automatable {'yes' if automatable else 'no'} ({of_automatable}),"
        f" human impact {inputs.human_impact.value} (site)"
    )
    if advisory.severity:
        because += f"; severity {advisory.severity} (told, not weighed)"
    return priority_of(exploitation, inputs.exposure, automatable, inputs.human_impact), because


def _exploitation(advisory: Advisory, exploited: frozenset[str] | None) -> tuple[Exploitation, str]:
    """How the hole is exploited, and what says so."""
    if exploited and advisory.id in exploited:
        return Exploitation.ACTIVE, f"{advisory.id} is known to be exploited"
    if advisory.exploitation is not None:
        return advisory.exploitation, f"stated for {advisory.id}"
    if not advisory.id:
        return Exploitation.NONE, "no advisory is named"
    lacking = ", and no list of exploited ones is recorded" if exploited is None else ""
    return Exploitation.NONE, f"none known of {advisory.id}{lacking}"
