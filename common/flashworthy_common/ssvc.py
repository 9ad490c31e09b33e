"""SSVC: how soon whoever deploys a fix should act, as CERT/CC publishes it.

Stakeholder-Specific Vulnerability Categorization, deployer decision tree 1.0.0: exploitation,
system exposure, automatable and human impact give one of four priorities. The tree is data; all
of its 72 rows are held against the published table by a test.
"""

from enum import Enum

from flashworthy_common.reasons import Priority


class Exploitation(Enum):
    NONE = "none"  # no evidence of it, and no public way of doing it
    PUBLIC_POC = "public poc"  # a public proof of concept, or a well-known method
    ACTIVE = "active"  # used by real attackers, by reliable evidence


class Exposure(Enum):
    """How widely the affected system can be reached."""

    SMALL = "small"  # a local service, or a highly controlled network
    CONTROLLED = "controlled"  # networked, with restrictions already in place
    OPEN = "open"  # where access cannot plausibly be restricted


class HumanImpact(Enum):
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    VERY_HIGH = "very high"


class SafetyImpact(Enum):
    NEGLIGIBLE = "negligible"
    MARGINAL = "marginal"
    CRITICAL = "critical"
    CATASTROPHIC = "catastrophic"


class MissionImpact(Enum):
    """What becomes of the site's essential functions (SSVC: MEF)."""

    DEGRADED = "degraded"
    SUPPORT_CRIPPLED = "mef support crippled"
    FUNCTION_FAILS = "mef failure"
    MISSION_FAILS = "mission failure"


_OF_LETTER = {
    "D": Priority.DEFER,
    "S": Priority.SCHEDULED,
    "O": Priority.OUT_OF_CYCLE,
    "I": Priority.IMMEDIATE,
}

# Exploitation and exposure: not automatable, automatable. Letters: human impact, low to very high.
_TREE = {
    (Exploitation.NONE, Exposure.SMALL): ("DDSS", "DSSS"),
    (Exploitation.NONE, Exposure.CONTROLLED): ("DSSS", "SSSS"),
    (Exploitation.NONE, Exposure.OPEN): ("DSSS", "SSSO"),
    (Exploitation.PUBLIC_POC, Exposure.SMALL): ("DSSS", "SSSS"),
    (Exploitation.PUBLIC_POC, Exposure.CONTROLLED): ("DSSS", "SSSO"),
    (Exploitation.PUBLIC_POC, Exposure.OPEN): ("SSSO", "SSOO"),
    (Exploitation.ACTIVE, Exposure.SMALL): ("SSOO", "SOOO"),
    (Exploitation.ACTIVE, Exposure.CONTROLLED): ("SSOO", "OOOO"),
    (Exploitation.ACTIVE, Exposure.OPEN): ("SOOI", "OOII"),
}

_ROWS = {
    (exploitation, exposure, automatable, impact): _OF_LETTER[letter]
    for (exploitation, exposure), halves in _TREE.items()
    for automatable, letters in zip((False, True), halves, strict=True)
    for impact, letter in zip(HumanImpact, letters, strict=True)
}

_LOW, _MEDIUM, _HIGH, _VERY_HIGH = HumanImpact

# Safety impact: human impact by mission impact, from degraded to mission failure. As the published
# table 1.0.0 has it; the words of the decision point 2.0.2 put `marginal` a step higher up to `mef
# failure`.
_HUMAN_IMPACT = {
    SafetyImpact.NEGLIGIBLE: (_LOW, _LOW, _MEDIUM, _VERY_HIGH),
    SafetyImpact.MARGINAL: (_LOW, _LOW, _MEDIUM, _VERY_HIGH),
    SafetyImpact.CRITICAL: (_MEDIUM, _HIGH, _HIGH, _VERY_HIGH),
    SafetyImpact.CATASTROPHIC: (_VERY_HIGH, _VERY_HIGH, _VERY_HIGH, _VERY_HIGH),
}


def priority_of(
    exploitation: Exploitation, exposure: Exposure, automatable: bool, impact: HumanImpact
) -> Priority:
    """The deployer tree's outcome."""
    return _ROWS[exploitation, exposure, automatable, impact]


def human_impact_of(safety: SafetyImpact, mission: MissionImpact) -> HumanImpact:
    """Human impact 2.0.2, from safety impact and mission impact."""
    return _HUMAN_IMPACT[safety][list(MissionImpact).index(mission)]
