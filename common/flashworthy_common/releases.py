"""Releases: what a machine maker published for some models, with its notes as data.

- Only maker, models and version are required; everything else that a person did not read stays
  unknown or none, as its type says.
- A release speaks for a combination when maker and model are the same in canonical form. Models
  are named as the machine names its product or its board.
- Which of two versions is newer is never stored: `flashworthy_common.versions` answers it.
"""

from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum

from flashworthy_common.makers import Combination, canonical_machine_maker, canonical_model
from flashworthy_common.reasons import Reason
from flashworthy_common.values import Bytes, Count, Percent, Unknown


class ReleaseState(Enum):
    OFFERED = "offered"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"


class Way(Enum):
    """How a release is installed."""

    INSIDE_OS = "inside-os"
    CAPSULE = "capsule"
    BOOT_MEDIA = "boot-media"
    MANAGEMENT_CONTROLLER = "management-controller"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeastVersion:
    """The least version of an operating system's build, a driver or a package, by its name."""

    name: str
    version_text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirements:
    """What must be true before this release may be installed; absent: the notes do not ask."""

    firmware: str | None = None  # least version to step from
    os_builds: tuple[LeastVersion, ...] = ()  # one per operating system
    installed: tuple[LeastVersion, ...] = ()  # drivers and packages
    charge_percent: Percent | None = None
    free_bytes: Bytes | None = None
    os_updates: bool = False  # pending OS updates must be installed first


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    machine_maker: str
    models: tuple[str, ...]
    version_text: str
    released_on: date | None = None
    state: ReleaseState = ReleaseState.OFFERED
    state_reason: str = ""  # why it was withdrawn or what superseded it
    notes_url: str = ""
    reasons: tuple[Reason, ...] = ()
    requires: Requirements = Requirements()
    way: Way | None = None
    minutes: Count | None = None  # of one flash, restarts included
    restarts: Count | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A person's word that a model's releases were compared with what the maker offers."""

    machine_maker: str
    models: tuple[str, ...]
    reviewed_at: datetime
    reviewed_by: str
    source: str  # the page that was read
    newest_version_text: str = ""  # the newest that the maker offered then; empty: none


def speaks_for(statement: Release | Review, combination: Combination) -> bool:
    """Whether a release or review is about the machines of `combination`."""
    if canonical_machine_maker(statement.machine_maker) != combination.machine_maker:
        return False
    names = {_folded(combination.model), _folded(combination.board)} - {""}
    return any(_folded(_canonical_name(model)) in names for model in statement.models)


def _canonical_name(model: str) -> str | Unknown:
    nothing = Unknown("a statement names one model")
    return canonical_model(product=model, product_version=nothing, board=nothing)


def _folded(name: str | Unknown) -> str:
    return "" if isinstance(name, Unknown) else " ".join(name.casefold().split())
