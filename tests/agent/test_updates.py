"""Pending updates: apt's words, the worlds they come from, and how long an answer is kept.

Lines are those of apt-get(8) with ``-s`` and of apt-cache(8) on Debian 12; the worlds are made for
apt itself.
"""

import os
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from flashworthy_agent.probes.access import KEPT_FOR, Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.packages.apt import (
    ask_apt,
    hidden_security,
    parse_kept_back,
    parse_simulation,
    security_sources,
)
from flashworthy_agent.probes.linux.packages.updates import look_for_updates
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.programs import Outcome, Programs
from flashworthy_common.report import PendingUpdates
from flashworthy_common.values import Unknown
from support.trees import LiveTree, NoPrograms, grow

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


# ---- what the simulation says -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "name", "security"),
    [
        ("Inst bash [5.2.15-2+b7] (5.2.15-2+b10 Debian:12.11/stable [amd64])", "bash", 0),
        # a new package has no version yet
        ("Inst linux-image-6.1.0-45-amd64 (6.1.170-1 Debian:12.14/stable [amd64])",
         "linux-image-6.1.0-45-amd64", 0),
        ("Inst openssl [3.0.15-1] (3.0.16-1 Debian-Security:12/stable-security [amd64])",
         "openssl", 1),
        # several origins, one of them for security; names of suites move
        ("Inst libssl3 [3.0.15-1] (3.0.16-1 Debian:12.11/oldstable, "
         "Debian-Security:12/oldstable-security [amd64]) []", "libssl3", 1),
        ("Inst curl [7.81.0-1] (7.81.0-2 Ubuntu:22.04/jammy-updates, "
         "Ubuntu:22.04/jammy-security [amd64])", "curl", 1),
        ("Inst libc6:i386 [2.36-9] (2.36-10 Debian:12.11/stable [i386])", "libc6:i386", 0),
        ("Inst local-tool [1] (2  [all])", "local-tool", 0),
        ("Inst odd [1] (2 A maker (tests):1/now [all])", "odd", 0),
        # better an update too many than none
        ("Inst something-new-in-this-line", "something-new-in-this-line", 0),
    ],
)  # fmt: skip
def test_an_install_line_is_an_update(line, name, security):
    text = f"NOTE: a simulation\n{line}\nConf {name}\n"

    assert parse_simulation(text) == ([name], {name} if security else set())


def test_removals_and_configurations_are_no_updates():
    text = "Remv old [1]\nConf bash (5.2 Debian:12.11/stable [amd64])\n0 upgraded, 0 newly\n"

    assert parse_simulation(text) == ([], set())


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("The following packages have been kept back:\n  shelf lamp\n  desk\n"
         "The following packages will be upgraded:\n  reader\n", ["shelf", "lamp", "desk"]),
        ("The following upgrades have been deferred due to phasing:\n  shelf\n0 upgraded\n",
         ["shelf"]),
        ("0 upgraded, 0 newly installed\n", []),
    ],
)  # fmt: skip
def test_what_is_kept_back_stands_below_its_heading(text, names):
    assert parse_kept_back(text) == names


# ---- what hides a security update -------------------------------------------------------------

POLICY = """\
Package files:
 100 /var/lib/dpkg/status
     release a=now
 500 http://deb.example/debian-security bookworm-security/main amd64 Packages
     release v=12,o=Debian,a=oldstable-security,n=bookworm-security,l=Debian-Security,c=main,b=amd64
     origin deb.example
 500 http://deb.example/ubuntu jammy-security/main amd64 Packages
     release v=22.04,o=Ubuntu,a=jammy-security,n=jammy,l=Ubuntu,c=main,b=amd64
 500 http://deb.example/debian bookworm/main amd64 Packages
     release v=12.15,o=Debian,a=oldstable,n=bookworm,l=Debian,c=main,b=amd64
 -10 http://deb.example/other x/main amd64 Packages
     release o=Debian-Security,a=x,n=y,l=Other,c=main
Pinned packages:
"""
SECURITY = "http://deb.example/debian-security bookworm-security/main amd64 Packages"
MAIN = "http://deb.example/debian bookworm/main amd64 Packages"


def test_security_sources_are_told_by_label_or_archive():
    ubuntu = "http://deb.example/ubuntu jammy-security/main amd64 Packages"

    assert security_sources(POLICY) == {SECURITY, ubuntu}


def versions(candidate, *table, installed="1", name="reader"):
    lines = "".join(f"{line}\n" for line in table)
    return f"{name}:\n  Installed: {installed}\n  Candidate: {candidate}\n  Version table:\n{lines}"


HERE = (" *** 1 100", "        100 /var/lib/dpkg/status")


@pytest.mark.parametrize(
    ("text", "names"),
    [
        (versions("2", "     2 500", f"        500 {MAIN}", *HERE), set()),
        (versions("2", "     2 500", f"        500 {SECURITY}", *HERE), {"reader"}),
        # the update comes from elsewhere and contains it
        (versions("3", "     3 500", f"        500 {MAIN}", "     2 500",
                  f"        500 {SECURITY}", *HERE), {"reader"}),
        # newer than what would come, or than which is not what is installed
        (versions("2", "     3 -10", f"        -10 {SECURITY}", "     2 500",
                  f"        500 {MAIN}", *HERE), set()),
        (versions("2", "     2 500", f"        500 {MAIN}", " *** 1 100",
                  f"        500 {SECURITY}"), set()),
        (versions("2", "     2 500", f"        500 {SECURITY}", installed="(none)"), set()),
        (versions("2", "     2 500", f"        500 {SECURITY}", *HERE, name="libc6:i386")
         + versions("2", "     2 500", f"        500 {MAIN}", *HERE), {"libc6:i386"}),
        ("N: Unable to locate package reader\n", set()),
        ("", set()),
    ],
)  # fmt: skip
def test_a_security_update_is_found_behind_a_newer_version(text, names):
    assert hidden_security(text, {SECURITY}) == names


# ---- what becomes of it -----------------------------------------------------------------------


class Apt(Programs):
    """Answers as apt-get would, and counts how often it is asked to simulate."""

    def __init__(self, simulation="", lists="MetaKey: main/binary-amd64/Packages\n"):
        self.simulation = simulation
        self.lists = lists
        self.asked = 0

    def run(self, arguments, timeout_seconds):
        assert 0 < timeout_seconds <= 60
        if "policy" in arguments:
            return Outcome(0, "", "")
        if "indextargets" in arguments:
            return Outcome(0, self.lists, "") if isinstance(self.lists, str) else self.lists
        self.asked += 1
        return Outcome(0, self.simulation, "") if isinstance(self.simulation, str) else (
            self.simulation
        )  # fmt: skip


ONE_UPDATE = "Inst bash [1] (2 Debian:12.11/stable [amd64])\n"


def access(root, programs, now=NOW, **more):
    if not (root / "var/lib/dpkg/status").exists():
        grow(root, {"/var/lib/dpkg/status": ""})
    return Access(LiveTree(root), programs, now=lambda: now, **more)


def updates(*given, **more):
    return look_for_updates(access(*given, **more)).pending_updates


def test_the_answer_says_when_it_was_asked_and_how_old_its_lists_are(tmp_path):
    (tmp_path / "var/lib/apt/lists/partial").mkdir(parents=True)
    os.utime(tmp_path / "var/lib/apt/lists/partial", (1_777_000_000, 1_777_000_000))

    assert updates(tmp_path, Apt(ONE_UPDATE)) == PendingUpdates(
        count=1,
        security_count=0,
        names=("bash",),
        source="apt-get -s dist-upgrade",
        seen_at=NOW,
        lists_at=datetime.fromtimestamp(1_777_000_000, UTC),
    )


def test_many_updates_are_counted_and_a_few_named(tmp_path):
    lines = "".join(f"Inst p{n:03d} (2 Debian:12.11/stable [all])\n" for n in range(120))

    found = updates(tmp_path, Apt(lines))

    assert (found.count, len(found.names)) == (120, 20)


@pytest.mark.parametrize(
    ("apt", "because"),
    [
        (Apt(lists=""), "apt has no package lists here: it cannot know of updates"),
        (
            Apt(Outcome(100, "", "E: The list of sources could not be read.\nE: more\n")),
            "apt-get ended with status 100: E: The list of sources could not be read.",
        ),
        (Apt(Outcome(-9, "", "")), "apt-get ended with status -9: nothing said"),
        (Apt(Unknown("apt-get took longer than 60 seconds")),
         "apt-get took longer than 60 seconds"),
    ],
)  # fmt: skip
def test_no_answer_is_a_reason_and_never_nothing_to_do(tmp_path, apt, because):
    assert updates(tmp_path, apt) == Unknown(because)


def test_a_system_without_a_package_manager_says_so(tmp_path):
    found = look_for_updates(Access(LiveTree(tmp_path), NoPrograms())).pending_updates

    assert found == Unknown(
        "none of the package managers that this agent knows is in use: apt, zypper, dnf, pacman"
    )


def test_updates_are_asked_of_the_running_system_only(tmp_path):
    found = look_for_updates(Access(FilesBelow(tmp_path), Apt(ONE_UPDATE)))

    assert found.pending_updates == ANOTHER_ROOT


# ---- kept answers -----------------------------------------------------------------------------


@pytest.fixture
def quiet_system(tmp_path):
    """A system whose lists and packages last changed a day ago."""
    root = grow(tmp_path / "root", {"/var/lib/dpkg/status": "", "/var/lib/apt/lists/partial/x": ""})
    yesterday = (NOW - timedelta(days=1)).timestamp()
    for name in ("var/lib/dpkg/status", "var/lib/apt/lists/partial"):
        os.utime(root / name, (yesterday, yesterday))
    return root


def asked_again(root, kept_folder, later, between=lambda: None, **more):
    """How often apt is asked when a second look follows the first after `later`."""
    apt = Apt(ONE_UPDATE)
    first = access(root, apt, kept_folder=kept_folder)
    answer = look_for_updates(first)
    between()
    second = look_for_updates(replace(first, now=lambda: NOW + later, **more))
    assert second.pending_updates.names == answer.pending_updates.names
    return apt.asked == 2


@pytest.mark.parametrize(
    ("later", "again"),
    [
        (timedelta(minutes=1), False),
        (KEPT_FOR, False),
        (KEPT_FOR + timedelta(seconds=1), True),
        (timedelta(minutes=-1), True),  # a clock that was set back
    ],
)
def test_an_answer_is_kept_for_as_long_as_is_set(tmp_path, quiet_system, later, again):
    assert asked_again(quiet_system, tmp_path / "kept", later) is again


def test_how_long_an_answer_is_kept_can_be_set(tmp_path, quiet_system):
    hour = timedelta(hours=1)

    assert not asked_again(quiet_system, tmp_path / "kept", hour, kept_for=hour)
    assert asked_again(quiet_system, tmp_path / "other", hour, kept_for=hour / 2)


def test_a_kept_answer_keeps_its_own_time(tmp_path, quiet_system):
    kept = tmp_path / "kept"
    updates(quiet_system, Apt(ONE_UPDATE), kept_folder=kept)

    later = updates(quiet_system, Apt(), NOW + timedelta(hours=5), kept_folder=kept)

    assert later.seen_at == NOW


@pytest.mark.parametrize("changed", ["var/lib/dpkg/status", "var/lib/apt/lists/partial"])
def test_an_answer_is_not_kept_past_a_change(tmp_path, quiet_system, changed):
    soon = (NOW + timedelta(seconds=30)).timestamp()

    def change():
        os.utime(quiet_system / changed, (soon, soon))

    assert asked_again(quiet_system, tmp_path / "kept", timedelta(minutes=1), change)


def test_the_question_can_be_asked_anew(tmp_path, quiet_system):
    assert asked_again(quiet_system, tmp_path / "kept", timedelta(minutes=1), ask_anew=True)


@pytest.mark.parametrize("content", ["", "[]", '{"asked_at": "2026-05-04T10:00:00Z", "answer": 7}'])
def test_a_damaged_kept_answer_is_asked_for_again(tmp_path, quiet_system, content):
    kept = tmp_path / "kept"

    def damage():
        (kept / "pending-updates.json").write_text(content)

    assert asked_again(quiet_system, kept, timedelta(minutes=1), damage)


def test_a_folder_that_cannot_be_written_costs_only_the_keeping(tmp_path, quiet_system):
    nowhere = grow(tmp_path, {"/file": ""}) / "file" / "kept"

    assert asked_again(quiet_system, nowhere, timedelta(minutes=1))


# ---- real apt, made-up worlds -----------------------------------------------------------------

needs_apt = pytest.mark.skipif(shutil.which("apt-get") is None, reason="apt-get is not here")
DAY = 86_400


class World:
    """A made-up tree that apt takes for its system, with archives on disk."""

    def __init__(self, folder, monkeypatch):
        self.root = folder / "root"
        self._archives = folder / "archives"
        for name in ("etc/apt/apt.conf.d", "etc/apt/preferences.d", "var/lib/dpkg",
                     "var/lib/apt/lists/partial", "var/cache/apt/archives/partial"):  # fmt: skip
            (self.root / name).mkdir(parents=True)
        settings = grow(folder, {"/apt.conf": (
            f'Dir "{self.root}";\nDir::State::status "{self.root}/var/lib/dpkg/status";\n'
            'APT::Architecture "amd64";\nAPT::Architectures { "amd64"; };\n'
            'APT::Sandbox::User "root";\n'
        )})  # fmt: skip
        monkeypatch.setenv("APT_CONFIG", str(settings / "apt.conf"))
        self.installed()
        self.sources = ""

    def installed(self, *packages, held=()):
        stanzas = (
            f"Package: {name}\nStatus: {'hold' if name in held else 'install'} ok installed\n"
            f"Maintainer: nobody\nArchitecture: all\nVersion: {version}\nDescription: made up\n"
            for name, version in packages
        )
        grow(self.root, {"/var/lib/dpkg/status": "\n".join(stanzas)})

    def archive(self, name, *packages, label="Debian", suite="stable"):
        stanzas = (
            f"Package: {package}\nVersion: {version}\nArchitecture: all\nMaintainer: nobody\n"
            f"Filename: ./{package}.deb\nSize: 1\nSHA256: {'0' * 64}\n"
            + (f"Depends: {depends}\n" if depends else "")
            + "Description: made up\n"
            for package, version, depends in packages
        )
        grow(self._archives / name, {
            "/Packages": "\n".join(stanzas),
            "/Release": f"Label: {label}\nSuite: {suite}\nVersion: 12\nArchitectures: amd64\n",
        })  # fmt: skip
        self.sources += f"deb [trusted=yes] file:{self._archives / name} ./\n"
        grow(self.root, {"/etc/apt/sources.list": self.sources})

    def fetch_lists(self):
        subprocess.run(["apt-get", "update"], check=True, capture_output=True, timeout=30)

    def answer(self):
        return ask_apt(Access(LiveTree(self.root), Programs(RunningSystem())), 60.0)


@pytest.fixture
def world(tmp_path, monkeypatch):
    return World(tmp_path, monkeypatch)


@needs_apt
def test_apt_names_what_it_would_install(world):
    world.installed(("reader", "1"), ("shelf", "1"))
    world.archive("main", ("reader", "2", ""), ("shelf", "1", ""))
    world.fetch_lists()

    found = world.answer()

    assert (found.count, found.names, found.security_count) == (1, ("reader",), 0)


@needs_apt
def test_apt_tells_security_by_label_and_by_suite(world):
    world.installed(("reader", "1"), ("shelf", "1"), ("desk", "1"))
    world.archive("main", ("desk", "2", ""))
    world.archive("one", ("reader", "2", ""), label="Debian-Security", suite="oldstable-security")
    world.archive("two", ("shelf", "2", ""), label="Ubuntu", suite="jammy-security")
    world.fetch_lists()

    found = world.answer()

    assert (found.count, found.security_count) == (3, 2)


@needs_apt
def test_apt_counts_a_new_dependency(world):
    world.installed(("reader", "1"))
    world.archive("main", ("reader", "2", "lamp"), ("lamp", "1", ""))
    world.fetch_lists()

    assert sorted(world.answer().names) == ["lamp", "reader"]


@needs_apt
def test_apt_leaves_out_what_is_held(world):
    world.installed(("reader", "1"), ("shelf", "1"), held=["shelf"])
    world.archive("main", ("reader", "2", ""), ("shelf", "2", ""))
    world.fetch_lists()

    found = world.answer()

    assert (found.names, found.kept_back) == (("reader",), ("shelf",))


@needs_apt
def test_apt_tells_security_that_a_newer_version_hides(world):
    world.installed(("reader", "1"), ("shelf", "1"))
    world.archive("main", ("reader", "3", ""), ("shelf", "2", ""))
    world.archive("one", ("reader", "2", ""), label="Debian-Security", suite="stable-security")
    world.fetch_lists()

    found = world.answer()

    assert (found.count, found.security_count) == (2, 1)


@needs_apt
def test_apt_without_lists_is_not_up_to_date(world):
    world.installed(("reader", "1"))
    world.archive("main", ("reader", "2", ""))

    assert world.answer() == Unknown("apt has no package lists here: it cannot know of updates")


@needs_apt
def test_apt_with_broken_sources_is_not_up_to_date(world):
    world.installed(("reader", "1"))
    grow(world.root, {"/etc/apt/sources.list": "deb this is no source\nnor this\n"})

    found = world.answer()

    assert found.because.startswith("apt-get ended with status 100: E: ")


@needs_apt
def test_the_lists_age_with_their_folder(world):
    world.installed(("reader", "1"))
    world.archive("main", ("reader", "2", ""))
    world.fetch_lists()
    os.utime(world.root / "var/lib/apt/lists/partial", (DAY, DAY))

    assert world.answer().lists_at == datetime.fromtimestamp(DAY, UTC)
