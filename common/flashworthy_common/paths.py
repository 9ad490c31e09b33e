"""Paths: the flashes from the running version to the target, and whether there is a way back.

- A step leads to a newer version, and only from a version that the release's notes accept.
- Stepping stones may be superseded, never withdrawn.
- Of all paths the one with the fewest flashes is taken: each is a risk of its own. Of those the one
  that takes the least time; a path whose time is not all known yields to one whose time is.
- Where there is no path, the answer says why, in words; not being able to order two versions is
  another answer than *there is none*.
- The way back is asked from the target: the floor after the update counts, not today's. Every
  version that is flashed on the way binds. Where the target's notes are silent, those of the
  releases in between bind too, since the target contains them.
- A floor in numbers of the EFI System Resource Table is compared only with a release that states
  its class and version; only entries of type 1 speak for system firmware.

The maker's own instructions outrank what is worked out here.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from flashworthy_common.esrt import SYSTEM_FIRMWARE
from flashworthy_common.ordering import Ordering
from flashworthy_common.releases import Release, ReleaseState
from flashworthy_common.report import EsrtEntry
from flashworthy_common.values import Maybe, Unknown
from flashworthy_common.versions import Order


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """The releases to flash, one after the other; the last is the target."""

    steps: tuple[Release, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoPath:
    because: str
    is_certain: bool = True  # not so: some versions cannot be ordered


@dataclass(frozen=True, slots=True, kw_only=True)
class WayBack:
    """Whether the running version can be put back once the target runs."""

    allowed: Maybe[bool]
    says: str
    floor: str | None = None  # the oldest version that can be put back; none: no floor is known
    package_of: str = ""  # the version whose package must be kept for it


def find_path(
    running: str, target: Release, releases: Iterable[Release], ordering: Ordering
) -> Path | NoPath:
    """The best path from the running version to the target.

    Args:
        releases: those of the model, in any order; each version stands there once.
    """
    if _can_step(running, target, ordering):
        return Path(steps=(target,))
    between = _between(running, target, releases, ordering)
    found = _shortest(running, target, [r for r in between if _may_be_flashed(r)], ordering)
    return found or _why_not(running, target, between, ordering)


def way_back(running: str, path: Path, releases: Iterable[Release], ordering: Ordering) -> WayBack:
    """Whether `running` can be put back after `path`.

    Args:
        releases: those of the model, in any order.
    """
    target = path.steps[-1]
    binding = list(path.steps)
    if not _says_of_going_back(target):
        between = _between(running, target, releases, ordering)
        binding += [release for release in between if _may_be_flashed(release)]
    floors = [(floor, each) for each in binding if (floor := _floor_after(each)) is not None]
    floor = _highest((text for text, _ in floors), ordering)
    allowed, says = _is_allowed(running, target, floors, ordering)
    return WayBack(allowed=allowed, says=says, floor=floor, package_of=running)


def is_below_esrt_floor(release: Release, entries: Maybe[tuple[EsrtEntry, ...]]) -> Maybe[bool]:
    """Whether the firmware would refuse a release as older than its lowest supported version."""
    if release.esrt_class is None or release.esrt_version is None:
        return Unknown(f"the notes of {release.version_text} state no ESRT class and version")
    if isinstance(entries, Unknown):
        return entries
    wanted = release.esrt_class.casefold()
    for entry in entries:
        if entry.firmware_type == SYSTEM_FIRMWARE and entry.firmware_class.casefold() == wanted:
            lowest = entry.lowest_supported_version
            return lowest if isinstance(lowest, Unknown) else release.esrt_version < lowest
    return Unknown(f"the machine has no system firmware of ESRT class {release.esrt_class}")


# ---- forward ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Way:
    """A way to one version, with what decides between ways of as many flashes."""

    steps: tuple[Release, ...] = ()

    def then(self, release: Release) -> "_Way":
        return _Way((*self.steps, release))

    @property
    def cost(self) -> tuple[int, int, list[str]]:
        """Steps of unknown time, minutes of the others; texts, so that ties fall the same way."""
        minutes = [step.minutes for step in self.steps]
        texts = [step.version_text for step in self.steps]
        return minutes.count(None), sum(each or 0 for each in minutes), texts


def _shortest(
    running: str, target: Release, stones: list[Release], ordering: Ordering
) -> Path | None:
    """Breadth first: `level` holds the best way to every version that takes as many flashes."""
    level, unreached = {running: _Way()}, {stone.version_text: stone for stone in stones}
    while level:
        ways = [way.then(target) for at, way in level.items() if _can_step(at, target, ordering)]
        if ways:
            return Path(steps=min(ways, key=lambda way: way.cost).steps)
        level = {
            text: min((level[at].then(stone) for at in ats), key=lambda way: way.cost)
            for text, stone in unreached.items()
            if (ats := [at for at in level if _can_step(at, stone, ordering)])
        }
        unreached = {text: stone for text, stone in unreached.items() if text not in level}
    return None


def _can_step(at: str, release: Release, ordering: Ordering) -> bool:
    least = release.requires.firmware
    accepts = least is None or ordering.reaches(at, least)
    return accepts and ordering.is_newer(release.version_text, at)


def _between(
    running: str, target: Release, releases: Iterable[Release], ordering: Ordering
) -> list[Release]:
    """Releases newer than the running version and older than the target, oldest first."""
    found = [
        release
        for release in releases
        if ordering.is_newer(target.version_text, release.version_text)
        and ordering.is_newer(release.version_text, running)
    ]
    return sorted(found, key=lambda release: ordering.place(release.version_text))


def _may_be_flashed(release: Release) -> bool:
    return release.state is not ReleaseState.WITHDRAWN


# ---- why there is no path ---------------------------------------------------------------------


def _why_not(running: str, target: Release, between: list[Release], ordering: Ordering) -> NoPath:
    """Follows what is asked for, from the target back, to where it breaks off."""
    asked: list[str] = []
    chain = [target]
    while True:
        step, least = chain[-1], chain[-1].requires.firmware
        if least is None or not ordering.is_newer(step.version_text, running):
            because = f"{step.version_text} is not known to be newer than {running}"
            return NoPath(because=because, is_certain=False)
        asked.append(f"{step.version_text} asks for {least} or newer first")
        end = _first_to_come(least, chain, between, ordering)
        if isinstance(end, Release):
            chain.append(end)
            continue
        if ordering.compare(running, least) is Order.UNKNOWN:
            end = NoPath(because=f"{running} and {least} cannot be ordered", is_certain=False)
        return NoPath(because="; ".join([*asked, end.because]), is_certain=end.is_certain)


def _first_to_come(
    least: str, chain: list[Release], between: list[Release], ordering: Ordering
) -> Release | NoPath:
    """The release that serves what the last of the chain asks for, or why there is none."""
    step = chain[-1].version_text
    if any(ordering.reaches(least, each.version_text) for each in chain):
        return NoPath(because="that is a circle")
    serving = [
        release
        for release in between
        if ordering.reaches(release.version_text, least)
        and ordering.is_newer(step, release.version_text)
    ]
    usable = [release for release in serving if _may_be_flashed(release)]
    if usable:
        return usable[0]
    if serving:
        names = ", ".join(_withdrawn(release) for release in serving)
        return NoPath(because=f"what would serve is withdrawn: {names}")
    return NoPath(because="no release that would serve is recorded")


def _withdrawn(release: Release) -> str:
    reason = f" ({release.state_reason})" if release.state_reason else ""
    return f"{release.version_text}{reason}"


# ---- back -------------------------------------------------------------------------------------


def _says_of_going_back(release: Release) -> bool:
    return release.can_go_back is not None or release.back_to is not None


def _floor_after(release: Release) -> str | None:
    """The oldest version that can be put back once `release` runs; none: its notes set none."""
    return release.version_text if release.can_go_back is False else release.back_to


def _is_allowed(
    running: str, target: Release, floors: list[tuple[str, Release]], ordering: Ordering
) -> tuple[Maybe[bool], str]:
    orders = [(ordering.compare(running, floor), floor, release) for floor, release in floors]
    for order, floor, release in orders:
        if order is Order.OLDER:
            return False, _refusal(floor, release)
    for order, floor, _ in orders:
        if order is Order.UNKNOWN:
            because = f"{running!r} and the floor {floor!r} cannot be ordered"
            return Unknown(because), because
    if _says_of_going_back(target):
        to = f" to {target.back_to} and later" if target.back_to else ""
        return True, f"the maker allows going back{to}"
    because = f"the notes of {target.version_text} do not say whether one can go back"
    return Unknown(because), because


def _refusal(floor: str, release: Release) -> str:
    if release.can_go_back is False:
        return f"nothing older than {release.version_text} can be put back once it ran"
    return f"once {release.version_text} ran, nothing older than {floor} can be put back"


def _highest(floors: Iterator[str], ordering: Ordering) -> str | None:
    highest: str | None = None
    for floor in floors:
        if highest is None or ordering.is_newer(floor, highest):
            highest = floor
    return highest
