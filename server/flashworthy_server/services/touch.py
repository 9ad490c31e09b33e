"""What a release or a package is about here: which machines, and what would be missing without it.

Removing something is told beforehand what rests on it; services refuse it unless they are told
that whoever removes it knows.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from flashworthy_common.ordering import Ordering
from flashworthy_common.releases import Package, Release, is_of_running, maker_of, speaks_for
from flashworthy_common.values import Unknown
from flashworthy_common.versions import Order
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError
from flashworthy_server.site import Site
from flashworthy_server.store import combinations as combination_store
from flashworthy_server.store import flashes as flash_store
from flashworthy_server.store import packages as package_store
from flashworthy_server.store import visits as visit_store
from flashworthy_server.store.combinations import Glimpse
from flashworthy_server.store.packages import StoredPackage

MOST_COMBINATIONS = 500  # looked at for one release or package


@dataclass(frozen=True, slots=True)
class Touched:
    """A combination that a release is about, and what the release is to it."""

    of: Glimpse
    stands: str  # the release against what these machines run, in a word
    is_on_path: bool  # to be flashed on these machines


@dataclass(frozen=True, slots=True)
class Reach:
    """Whom a release is about, most machines first; `is_whole` where that is all of them."""

    touched: tuple[Touched, ...]
    is_whole: bool

    @property
    def machines(self) -> int:
        return sum(each.of.machines for each in self.touched)


_WORDS = {
    Order.NEWER: "newer than it",
    Order.OLDER: "older than it",
    Order.SAME: "what runs",
    Order.UNKNOWN: "cannot be ordered",
}


def reach_of(site: Site, release: Release) -> Reach:
    """The machines in service that a release is about."""
    with site.database.reading() as connection:
        return _reach(connection, release)


def resting_on_release(connection: Connection, release: Release) -> list[str]:
    """What rests on a release, a sentence each; empty: nothing does."""
    reach = _reach(connection, release)
    version, on_path = release.version_text, [each for each in reach.touched if each.is_on_path]
    machines = sum(each.of.machines for each in on_path)
    says = []
    if machines:
        says.append(f"{_count(machines, 'machine')} would be flashed with {version}")
    ids = [each.of.id for each in on_path]
    planned = visit_store.planned_for(connection, ids)
    says += [f"visit #{visit} takes it along" for visit, target in planned if target == version]
    flashes = flash_store.open_flashes(connection, ids)
    says += [
        f"a flash of machine #{machine_id} to {to} is under way"
        for machine_id, _, to, target in flashes
        if version in (to, target)
    ]
    return says


def resting_on_package(connection: Connection, package: StoredPackage) -> list[str]:
    """What rests on a package or board dump, a sentence each; empty: nothing does."""
    if package.damage:
        return []  # it counts as not kept already
    if package.machine_id is not None:
        return [
            f"machine #{package.machine_id} has its own board's {package.package.version_text}"
            " in it: it cannot be fetched anywhere else"
        ]
    held = _held_by(connection, package)
    machines = sum(each.machines for each in held)
    says = []
    if machines:
        version = package.package.version_text
        says.append(
            f"{_count(machines, 'machine')} that run {version} have no other package of it"
            " for the way back"
        )
    ids = [each.id for each in held]
    planned = visit_store.planned_for(connection, ids)
    says += [
        f"visit #{visit} goes to some of them"
        for visit in dict.fromkeys(visit for visit, target in planned if target)
    ]
    return says + [
        f"a flash of machine #{machine_id} from {from_} is under way"
        for machine_id, from_, _, _ in flash_store.open_flashes(connection, ids)
    ]


def require_known(resting: list[str], *, anyway: bool) -> None:
    """Refuse to remove what something rests on, unless whoever does so knows."""
    if resting and not anyway:
        raise ConflictError(f"{'; '.join(resting)}: say that you know this, to remove it anyway")


def _reach(connection: Connection, release: Release) -> Reach:
    maker = maker_of(release)
    if isinstance(maker, Unknown):
        return Reach((), True)
    found = combination_store.glimpses(connection, maker, release.models, MOST_COMBINATIONS + 1)
    about = [each for each in found if speaks_for(release, each.combination)]
    touched = [_touched(release, each) for each in about[:MOST_COMBINATIONS]]
    touched.sort(key=lambda each: (-each.of.machines, each.of.combination.key))
    return Reach(tuple(touched), len(found) <= MOST_COMBINATIONS)


def _touched(release: Release, of: Glimpse) -> Touched:
    ordering, running = Ordering.of(of.combination), of.combination.version_text
    version = release.version_text
    if isinstance(running, Unknown):
        return Touched(of, _WORDS[Order.UNKNOWN], is_on_path=False)
    on_path = any(ordering.compare(version, each) is Order.SAME for each in of.to_be_flashed)
    return Touched(of, _WORDS[ordering.compare(version, running)], on_path)


def _held_by(connection: Connection, package: StoredPackage) -> list[Glimpse]:
    """The combinations whose way back is this package, and no other."""
    said = package.package
    found = combination_store.glimpses(connection, package.maker, said.models, MOST_COMBINATIONS)
    running = [each for each in found if each.machines and is_of_running(said, each.combination)]
    others = package_store.intact_packages_of(connection, package.maker, but=package.id)
    return [each for each in running if not _is_kept(others, each)]


def _is_kept(packages: Iterable[Package], of: Glimpse) -> bool:
    return any(is_of_running(each, of.combination) for each in packages)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
