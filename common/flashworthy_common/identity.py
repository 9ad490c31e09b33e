"""Which machine a report is of: evidence, and the rules for weighing it.

The server gives every machine its own id; nothing that a machine says of itself proves which one
it is. So:

- A value that is missing, a placeholder, or one character over and over (all zeroes, all FF) is
  no evidence.
- *Same*: no serial and no UUID differs. A new asset tag on them is a new sticker.
- *Board replaced*: the board's evidence differs, and something that outlives a board (the system
  serial or the asset tag) is the same.
- *In doubt*: anything else, such as a disk moved to another PC or a cloned image. Two machines
  are never merged silently.
"""

from dataclasses import dataclass
from enum import Enum

from flashworthy_common.placeholders import is_placeholder
from flashworthy_common.report import IdentitySection
from flashworthy_common.values import Unknown

BOARD_EVIDENCE = ("smbios_uuid", "board_serial")  # go with the board
LASTING_EVIDENCE = ("system_serial", "asset_tag")  # are carried over to a new board
HARDWARE_EVIDENCE = (*BOARD_EVIDENCE, "system_serial")  # asset tags are stuck on by people

# UUIDs that makers left as they came with the sample code; *from memory*.
REPEATED_UUIDS = frozenset(
    {
        "03000200-0400-0500-0006-000700080009",
        "00020003-0004-0005-0006-000700080009",
        "12345678-1234-5678-90ab-cddeefaabbcc",
    }
)


class Likeness(Enum):
    SAME = "same"
    BOARD_REPLACED = "board-replaced"
    IN_DOUBT = "in-doubt"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for one machine: a name and its folded value for each that counts."""

    items: frozenset[tuple[str, str]]

    def differs(self, other: "Evidence", names: tuple[str, ...]) -> bool:
        mine, others = dict(self.items), dict(other.items)
        return any(name in mine and name in others and mine[name] != others[name] for name in names)

    def shares(self, other: "Evidence", names: tuple[str, ...]) -> bool:
        return any(name in names for name, _ in self.items & other.items)


def evidence_of(identity: IdentitySection) -> Evidence:
    """The part of an identity section that may count as evidence."""
    return Evidence(
        frozenset(
            (name, text)
            for name in (*BOARD_EVIDENCE, *LASTING_EVIDENCE)
            if (text := _evidence(getattr(identity, name))) is not None
        )
    )


def likeness(known: Evidence, seen: Evidence) -> Likeness:
    """Whether `seen` is the machine that `known` speaks for."""
    if known == seen:
        return Likeness.SAME  # by the rules below as well, and so it is for nearly every report
    if not known.differs(seen, HARDWARE_EVIDENCE):
        agrees = known.shares(seen, HARDWARE_EVIDENCE) or not known.differs(seen, ("asset_tag",))
        return Likeness.SAME if agrees else Likeness.IN_DOUBT
    lasting_holds = not known.differs(seen, LASTING_EVIDENCE)
    if lasting_holds and known.shares(seen, LASTING_EVIDENCE):
        return Likeness.BOARD_REPLACED
    return Likeness.IN_DOUBT


def _evidence(value: str | Unknown) -> str | None:
    if isinstance(value, Unknown) or is_placeholder(value):
        return None
    text = value.strip().casefold()
    says_nothing = text in REPEATED_UUIDS or len(set(text) - {"-"}) < 2
    return None if says_nothing else text
