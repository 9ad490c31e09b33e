"""Which machine speaks: evidence against what is known of every machine.

The rules of likeness are `flashworthy_common.identity`; here they are applied to all machines
that share some evidence. Two machines are never merged silently: where the evidence does not name
exactly one machine, it is a new one, and all of them ask for attention.
"""

from collections.abc import Sequence
from datetime import datetime

from flashworthy_common.attention import Attention, AttentionCode
from flashworthy_common.identity import Evidence, Likeness, evidence_of, likeness
from flashworthy_common.report import IdentitySection
from flashworthy_common.values import Unknown
from flashworthy_server.db import Connection
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import identities as identity_store
from flashworthy_server.store import machines as machine_store


def recognise_or_add(
    connection: Connection,
    identity: IdentitySection,
    *,
    agent_id: str,
    now: datetime,
) -> tuple[int, bool]:
    """The id of the machine that the evidence names, or of a new one, and whether it is new."""
    seen = evidence_of(identity)
    sharing = identity_store.machine_ids_sharing(connection, seen)
    likely = {
        each: likeness(identity_store.load_evidence(connection, each), seen) for each in sharing
    }
    known = _the_one(likely) or _by_agent(connection, agent_id, seen)
    if known is not None:
        note_likeness(connection, known, likely.get(known, Likeness.SAME), now)
        learn(connection, known, identity_store.load_evidence(connection, known), seen, now)
        return known, False
    added = machine_store.add_machine(connection, name_of(identity), now)
    learn(connection, added, Evidence(frozenset()), seen, now)
    return added, True


def learn(
    connection: Connection, machine_id: int, known: Evidence, seen: Evidence, now: datetime
) -> None:
    """Add what was seen to what is known of a machine; what another one has too is a doubt."""
    new = seen.items - known.items
    if not new:
        return
    sharing = identity_store.machine_ids_sharing(connection, Evidence(new))
    _doubt_all(connection, machine_id, sharing, now)
    identity_store.save_evidence(connection, machine_id, seen)


def note_likeness(connection: Connection, machine_id: int, found: Likeness, now: datetime) -> None:
    """Ask attention for a replaced board, and for hardware that is another machine's."""
    texts = {
        Likeness.BOARD_REPLACED: (
            AttentionCode.BOARD_REPLACED,
            "its board's evidence changed, its serial or asset tag did not: confirm it",
        ),
        Likeness.IN_DOUBT: (
            AttentionCode.IDENTITY_IN_DOUBT,
            "its agent reported from other hardware: that machine must enrol by itself",
        ),
    }
    if found in texts:
        attention_store.add_attention(connection, machine_id, Attention(*texts[found]), now)


def note_copy(connection: Connection, machine_id: int, now: datetime) -> None:
    """Ask attention for an agent that seems to run twice, or was set back to an earlier state."""
    doubt = Attention(
        AttentionCode.IDENTITY_IN_DOUBT,
        "two reports of its agent have one number: its disk was copied, or set back; a copy must"
        " enrol by itself",
    )
    attention_store.add_attention(connection, machine_id, doubt, now)


def name_of(identity: IdentitySection) -> str:
    """What people call the machine: its host name, or else the best that it says of itself."""
    for text in (identity.hostname, identity.asset_tag, identity.system_serial):
        if not isinstance(text, Unknown) and text.strip():
            return text.strip()
    return "nameless"


def _the_one(likely: dict[int, Likeness]) -> int | None:
    for wanted in (Likeness.SAME, Likeness.BOARD_REPLACED):
        found = [machine_id for machine_id, each in likely.items() if each is wanted]
        if found:
            return found[0] if len(found) == 1 else None
    return None


def _by_agent(connection: Connection, agent_id: str, seen: Evidence) -> int | None:
    """The machine that has this agent already, where no evidence speaks against it."""
    known = machine_store.machine_of_agent(connection, agent_id)
    if known is None:
        return None
    evidence = identity_store.load_evidence(connection, known)
    return None if likeness(evidence, seen) is Likeness.IN_DOUBT else known


def _doubt_all(
    connection: Connection, machine_id: int, sharing: Sequence[int], now: datetime
) -> None:
    for each in {machine_id, *sharing} if sharing else ():
        others = ", ".join(f"#{other}" for other in sorted({machine_id, *sharing} - {each}))
        doubt = Attention(
            AttentionCode.IDENTITY_IN_DOUBT, f"shares a serial, UUID or asset tag with {others}"
        )
        attention_store.add_attention(connection, each, doubt, now)
