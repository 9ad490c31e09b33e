"""Packages: the makers' firmware files, and read-outs of single boards, kept for the way back.

- A package is for one version on some models; a board dump carries one board's serial and keys,
  and is never offered for another machine.
- The digest that the maker published is recorded and matched. SHA-1 and MD5 show damage on the
  way, no forgery.
- A file that is no longer what it was counts as not kept, at once.
- Two packages may share one file.
"""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.releases import Package
from flashworthy_common.values import Unknown, to_json
from flashworthy_server.db import Connection
from flashworthy_server.errors import (
    BadRow,
    BadRowsError,
    DamagedPackageError,
    NotFoundError,
)
from flashworthy_server.package_folder import Digest, Limits, PackageFolder, Written
from flashworthy_server.services import audit, judgement, needs, touch
from flashworthy_server.services.needs import Progress
from flashworthy_server.services.reading import ReadRow, read_one, require_reason
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import combinations as combination_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import packages as store
from flashworthy_server.store.combinations import WithoutPackage as WithoutPackage
from flashworthy_server.store.packages import StoredPackage as StoredPackage

LONGEST_NAME = 200  # characters of a file's name

_ALGORITHM_OF_DIGITS = {64: "sha-256", 128: "sha-512", 40: "sha-1", 32: "md5"}
_DIGEST = re.compile(r"(?:(?P<name>[a-z0-9-]+)\s*:\s*)?(?P<hex>[0-9a-f]+)", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """What is said of a file that is to be kept."""

    package: Any  # as JSON knows it, for `Package`
    file_name: str
    source: str  # where it was fetched, or who read the board out
    published_digest: str = ""  # such as "sha-256:9f86d0..."; empty: its maker publishes none
    machine_id: int | None = None  # the only machine that a board dump is for
    sent_digests: tuple[Digest, ...] = ()  # what the request itself says of its content


@dataclass(frozen=True, slots=True)
class Verified:
    """What became of every kept file."""

    intact: int
    damaged: tuple[tuple[str, str], ...]  # digest, and what is wrong
    unknown_files: tuple[Path, ...]  # that nothing refers to


def folder_of(site: Site) -> PackageFolder:
    return PackageFolder(Path(site.config.packages))


def keep(
    site: Site,
    who: Who,
    offered: Offered,
    pieces: Iterable[bytes],
    *,
    expected_bytes: int | None = None,
) -> StoredPackage:
    """Keep a package or a board dump.

    Raises:
        BadRowsError: what is said of it is wrong; each field is named.
        TooLargeError, NoSpaceError, DigestError, FileError: nothing was kept.
    """
    read, published = _read(site, offered)
    digests = (*offered.sent_digests, *([published] if published else []))
    limits = Limits(site.config.package_bytes, site.config.packages_spare_bytes)
    folder = folder_of(site)
    written = folder.write(pieces, limits, expected_bytes=expected_bytes, digests=digests)
    with _taken_back_on_failure(site, folder, written), site.database.writing() as connection:
        package_id = _record(site, connection, who, offered, read, written)
    judgement.follow(site)
    return view_package(site, package_id)


def open_package(site: Site, package_id: int) -> tuple[StoredPackage, BinaryIO]:
    """A package and its file, found intact at this moment.

    Raises:
        NotFoundError: there is no such package.
        DamagedPackageError: its file is no longer what it was; from now on it counts as not kept.
    """
    package = view_package(site, package_id)
    try:
        return package, folder_of(site).intact(package.sha256)
    except DamagedPackageError as error:
        _note(site, package.sha256, str(error))
        judgement.follow(site)
        raise DamagedPackageError(
            f"package #{package_id} is damaged: {error}; keep it again from its source"
        ) from error


def resting_on(site: Site, package: StoredPackage) -> list[str]:
    """What rests on a package, a sentence each."""
    with site.database.reading() as connection:
        return touch.resting_on_package(connection, package)


def remove(site: Site, who: Who, package_id: int, reason: str, *, anyway: bool = False) -> None:
    """Keep a package no longer, nor its file, unless another package has the same.

    Args:
        anyway: whoever removes it knows what rests on it.

    Raises:
        InvalidInputError: a reason is missing.
        NotFoundError: there is no such package.
        ConflictError: something rests on it, and that was not said to be known.
    """
    require_reason(reason)
    package, now = view_package(site, package_id), site.clock()
    with site.database.writing() as connection:
        touch.require_known(touch.resting_on_package(connection, package), anyway=anyway)
        is_last = store.remove_package(connection, package_id, package.sha256)
        _mark(site, connection, [package])
        before = {**to_json(package.package), "sha256": package.sha256}
        before["machine_id"] = package.machine_id
        subject, after = f"package #{package_id}", {"reason": reason.strip()}
        audit.record(connection, who, now, "package.remove", subject, before=before, after=after)
    if is_last:
        folder_of(site).remove(package.sha256)
    judgement.follow(site)


def verify_all(site: Site, progress: Progress | None = None) -> Verified:
    """Read every kept file, and note which are no longer what they were."""
    folder = folder_of(site)
    with site.database.reading() as connection:
        files = store.all_files(connection)
    damaged = []
    for number, (sha256, known_damage) in enumerate(files, 1):
        damage = _damage_of(folder, sha256)
        if damage:
            damaged.append((sha256, damage))
        if damage != known_damage:
            _note(site, sha256, damage)
        if progress:
            progress("files", number, len(files))
    judgement.follow(site)
    unknown = folder.unknown_files(sha256 for sha256, _ in files)
    return Verified(len(files) - len(damaged), tuple(damaged), tuple(unknown))


def view_package(site: Site, package_id: int) -> StoredPackage:
    with site.database.reading() as connection:
        found = store.load_package(connection, package_id)
    if found is None:
        raise NotFoundError(f"there is no package #{package_id}")
    return found


def list_packages(
    site: Site, *, maker: str | None, after: int, count: int
) -> tuple[list[StoredPackage], int | None]:
    """At most `count` packages after an id, and the id after which the next ones follow."""
    name = None if maker is None else canonical_machine_maker(maker)
    wanted = maker if isinstance(name, Unknown) else name
    with site.database.reading() as connection:
        found = store.load_packages(connection, maker=wanted, after=after, count=count + 1)
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


def without_package(site: Site, most: int) -> list[WithoutPackage]:
    """Combinations of which no intact package of what they run is kept, most machines first."""
    judgement.catch_up(site)
    with site.database.reading() as connection:
        return combination_store.without_package(connection, most)


# ---- what is said of a file -------------------------------------------------------------------


def _read(site: Site, offered: Offered) -> tuple[ReadRow[Package], Digest | None]:
    bad: list[BadRow] = []
    read = read_one(Package, offered.package, site.clock(), bad)
    published = None
    try:
        published = parse_digest(offered.published_digest) if offered.published_digest else None
    except ValueError as error:
        bad.append(BadRow("", str(error), "published_digest"))
    name = offered.file_name.strip()
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        says = f"expected a plain name of at most {LONGEST_NAME} characters, got {name!r:.80}"
        bad.append(BadRow("", says, "file_name"))
    if not offered.source.strip():
        bad.append(BadRow("", "expected where it comes from, got nothing", "source"))
    bad += _faults_of_machine(site, offered.machine_id)
    if read is None or bad:
        raise BadRowsError(bad)
    return read, published


def _faults_of_machine(site: Site, machine_id: int | None) -> Iterator[BadRow]:
    if machine_id is None:
        return
    with site.database.reading() as connection:
        if machine_store.load_machine(connection, machine_id) is None:
            yield BadRow("", f"there is no machine #{machine_id}", "machine_id")


def parse_digest(text: str) -> Digest:
    """A digest such as ``sha-256:9f86d0...``; the algorithm may be left out where its length tells.

    Raises:
        ValueError: it is none.
    """
    match = _DIGEST.fullmatch(text.strip().lower())
    algorithm = _ALGORITHM_OF_DIGITS.get(len(match["hex"])) if match else None
    named = match["name"] if match else None
    if match is None or algorithm is None or named not in (None, algorithm, _short(algorithm)):
        known = ", ".join(_ALGORITHM_OF_DIGITS.values())
        raise ValueError(f"expected a digest in hex, one of {known}, got {text!r:.80}")
    return Digest(algorithm, match["hex"])


def _short(algorithm: str) -> str:
    return algorithm.replace("-", "")


# ---- recording --------------------------------------------------------------------------------


def _record(
    site: Site,
    connection: Connection,
    who: Who,
    offered: Offered,
    read: ReadRow[Package],
    written: Written,
) -> int:
    now, package = site.clock(), read.statement
    store.add_file(connection, written.sha256, written.size_bytes, now)
    for each in store.packages_with(connection, written.sha256):
        if _is_same(each, read, offered):
            _mark(site, connection, [each])
            return each.id
    package_id = store.add_package(
        connection,
        sha256=written.sha256,
        maker=read.maker,
        package=package,
        machine_id=offered.machine_id,
        file_name=offered.file_name.strip(),
        source=offered.source.strip(),
        published_digest=offered.published_digest.strip() or None,
        kept_by=who.known_as,
        now=now,
    )
    if offered.machine_id is not None:
        machine_store.note_own_facts(connection, [offered.machine_id])
    _mark(site, connection, store.packages_with(connection, written.sha256))
    after = {**to_json(package), "sha256": written.sha256, "machine_id": offered.machine_id}
    audit.record(connection, who, now, "package.keep", f"package #{package_id}", after=after)
    return package_id


def _is_same(stored: StoredPackage, read: ReadRow[Package], offered: Offered) -> bool:
    """Whether the same file is kept for the same thing already."""
    return (stored.package, stored.machine_id) == (read.statement, offered.machine_id)


@contextmanager
def _taken_back_on_failure(site: Site, folder: PackageFolder, written: Written) -> Iterator[None]:
    """A file whose record fails is removed, unless another record refers to it."""
    try:
        yield
    except BaseException:
        with site.database.reading() as connection:
            is_needed = bool(store.packages_with(connection, written.sha256))
        if not is_needed:
            folder.remove(written.sha256)
        raise


def _damage_of(folder: PackageFolder, sha256: str) -> str | None:
    try:
        folder.intact(sha256).close()
    except DamagedPackageError as error:
        return str(error)
    return None


def _note(site: Site, sha256: str, damage: str | None) -> None:
    """Keep what was found of a file, and judge anew what rests on it."""
    with site.database.writing() as connection:
        store.save_verified(connection, sha256, site.clock(), damage)
        _mark(site, connection, store.packages_with(connection, sha256))


def _mark(site: Site, connection: Connection, packages: Iterable[StoredPackage]) -> None:
    packages = list(packages)
    for_models = [(each.maker, each.package) for each in packages if each.machine_id is None]
    needs.mark_touched(connection, for_models, site.clock())
    machine_ids = [each.machine_id for each in packages if each.machine_id is not None]
    machine_store.make_machines_due(connection, machine_ids, site.clock())
