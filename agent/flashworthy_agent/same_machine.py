"""Whether this is still the machine on which the agent was enrolled.

A disk may be moved to another PC, and an image of one be copied to many; the agent on it must not
go on speaking for the machine it comes from. What counts as evidence, and how it is weighed, is
`flashworthy_common.identity`; here it is remembered, as digests, for nobody needs the serials from
the state file.
"""

import hashlib
from collections.abc import Iterable

from flashworthy_agent.errors import AnotherMachineError
from flashworthy_common.identity import HARDWARE_EVIDENCE, Evidence, Likeness, evidence_of, likeness
from flashworthy_common.report import IdentitySection

_WORDS = {
    "smbios_uuid": "UUID",
    "board_serial": "board serial",
    "system_serial": "system serial",
    "asset_tag": "asset tag",
}


def remembered(
    identity: IdentitySection, agent_id: str, before: Iterable[str] | None
) -> tuple[str, ...]:
    """What to remember of the machine that `identity` is of, sorted.

    Args:
        before: what was remembered so far; None: nothing yet.

    Raises:
        AnotherMachineError: `identity` is not of the machine that was remembered.
    """
    seen = _digested(evidence_of(identity), agent_id)
    known = _read(before or ())
    if before is not None and likeness(known, seen) is Likeness.IN_DOUBT:
        raise AnotherMachineError(
            f"this is not the machine that was enrolled: {_differing(known, seen)} not the same "
            "(a disk moved to another PC, or a copied image); nothing is reported for the other "
            "one: enrol this machine by itself with flashworthy-agent enrol"
        )
    return tuple(sorted(":".join(item) for item in (dict(known.items) | dict(seen.items)).items()))


def _digested(evidence: Evidence, agent_id: str) -> Evidence:
    return Evidence(
        frozenset(
            (name, hashlib.sha256(f"{agent_id} {name} {text}".encode()).hexdigest())
            for name, text in evidence.items
        )
    )


def _read(items: Iterable[str]) -> Evidence:
    named = (item.partition(":") for item in items)
    return Evidence(frozenset((name, digest) for name, _, digest in named))


def _differing(known: Evidence, seen: Evidence) -> str:
    names = [name for name in (*HARDWARE_EVIDENCE, "asset_tag") if known.differs(seen, (name,))]
    return f"{' and '.join(_WORDS[name] for name in names)} {'is' if len(names) == 1 else 'are'}"
