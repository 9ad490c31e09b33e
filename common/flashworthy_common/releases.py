"""Releases: what a machine maker published for some models, with its notes as data.

- Only maker, models and version are required; everything else that a person did not read stays
  unknown or none, as its type says.
- A release speaks for a combination when the maker is the same in canonical form and one of its
  `models`, exact or by a pattern (`flashworthy_common.patterns`), is one of the combination's
  names: its model, its board, or its machine type.
- Where a release states board versions, only those count: another revision is another image.
- SKUs are no part of a combination, which would fall apart into one per order. A release that
  states some is held against the machine itself (`is_for_order`).
- Which of two versions is newer is never stored: `flashworthy_common.versions` answers it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum
from functools import lru_cache
from itertools import repeat
from typing import Protocol, TypeVar

from flashworthy_common.makers import Combination, MachineMaker, canonical_machine_maker
from flashworthy_common.ordering import Ordering
from flashworthy_common.patterns import fold, matches
from flashworthy_common.reasons import StatedReason
from flashworthy_common.values import Bytes, Count, Maybe, Percent, Unknown
from flashworthy_common.versions import Order


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
    mains: bool = False
    charge_percent: Percent | None = None
    free_bytes: Bytes | None = None
    os_updates: bool = False  # pending OS updates must be installed first


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    machine_maker: str
    models: tuple[str, ...]  # names of products or boards, machine types; or patterns of them
    version_text: str
    skus: tuple[str, ...] = ()  # or product codes; or patterns of them; empty: any
    board_versions: tuple[str, ...] = ()  # or patterns of them; empty: any
    released_on: date | None = None
    state: ReleaseState = ReleaseState.OFFERED
    state_reason: str = ""  # why it was withdrawn or what superseded it
    notes_url: str = ""
    reasons: tuple[StatedReason, ...] = ()
    requires: Requirements = Requirements()
    ways: tuple[Way, ...] = ()  # any one of them; empty: the notes do not say
    minutes: Count | None = None  # of one flash, restarts included
    restarts: Count | None = None
    resets_settings: bool | None = None  # none: the notes do not say
    can_go_back: bool | None = None  # to an older version once this one runs; none: not said
    back_to: str | None = None  # the oldest version that one can go back to; none: any
    esrt_class: str | None = None  # GUID (UEFI §23.4)
    esrt_version: Count | None = None
    recovery: str = ""  # what to do if the machine no longer starts; empty: not said


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A person's word that a model's releases were compared with what the maker offers."""

    machine_maker: str
    models: tuple[str, ...]
    reviewed_at: datetime
    reviewed_by: str
    source: str  # the page that was read
    newest_version_text: str = ""  # the newest that the maker offered then; empty: none


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """What a kept file of a maker is for: one version on some models; never a read-out board."""

    machine_maker: str
    models: tuple[str, ...]
    version_text: str
    board_versions: tuple[str, ...] = ()  # or patterns of them; empty: any


class Statement(Protocol):
    """What people say of some models of one maker."""

    @property
    def machine_maker(self) -> str: ...

    @property
    def models(self) -> tuple[str, ...]: ...


S = TypeVar("S", bound=Statement)


def speaks_for(statement: Statement, combination: Combination) -> bool:
    """Whether a release, review, exception or package is about the machines of `combination`."""
    return bool(speaking_for([statement], combination))


def speaking_for(statements: Iterable[S], combination: Combination) -> list[S]:
    """Those of some statements that are about the machines of `combination`."""
    names = folded_names(combination)
    return [each for each in statements if _speaks_for(each, combination, names)]


def _speaks_for(statement: Statement, combination: Combination, names: frozenset[str]) -> bool:
    if maker_of(statement) != combination.machine_maker:
        return False
    if not any(map(matches, statement.models, repeat(names))):
        return False
    if not isinstance(statement, Release | Package) or not statement.board_versions:
        return True
    return _is_among(statement.board_versions, combination.board_version)


def is_of_running(package: Package, combination: Combination) -> bool:
    """Whether a package is of the very version that the machines of `combination` run."""
    running = combination.version_text
    if isinstance(running, Unknown) or not speaks_for(package, combination):
        return False
    return Ordering.of(combination).compare(package.version_text, running) is Order.SAME


def is_for_order(release: Release, *, sku: Maybe[str], product: Maybe[str]) -> Maybe[bool]:
    """Whether a release is for a machine as it was ordered: its SKU, or its product's code."""
    if not release.skus or _is_among(release.skus, sku) or _is_among(release.skus, product):
        return True
    return Unknown(f"its SKU is unknown: {sku.because}") if isinstance(sku, Unknown) else False


def maker_of(statement: Statement) -> MachineMaker | Unknown:
    """The canonical name of who a statement is about."""
    return _canonical_maker(statement.machine_maker)


@lru_cache(maxsize=4096)
def _canonical_maker(text: str) -> MachineMaker | Unknown:
    return canonical_machine_maker(text)


@lru_cache(maxsize=4096)
def folded_names(combination: Combination) -> frozenset[str]:
    """What a statement may call these machines, folded."""
    return frozenset(map(fold, combination.names))


def _is_among(stated: tuple[str, ...], name: Maybe[str]) -> bool:
    if isinstance(name, Unknown):
        return False
    names = frozenset({fold(name)})
    return any(matches(each, names) for each in stated)
