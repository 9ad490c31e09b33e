"""dnf, zypper and pacman, by what they print; and the versions that somebody asks for.

The texts were printed by dnf 4.14, zypper 1.14.42 and pacman 6.0.2 on made-up archives. *From
memory:* that dnf 5 takes the same options, and where it keeps its cache.
"""

import os
import random
import shutil
import subprocess
from datetime import UTC, datetime

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.packages import manager_of
from flashworthy_agent.probes.linux.packages.apt import (
    ask_apt,
    hidden_security,
    parse_kept_back,
    parse_simulation,
    security_sources,
)
from flashworthy_agent.probes.linux.packages.dnf import ask_dnf, parse_names
from flashworthy_agent.probes.linux.packages.manager import parse_pairs
from flashworthy_agent.probes.linux.packages.pacman import ask_pacman, parse_upgrades
from flashworthy_agent.probes.linux.packages.updates import look_for_updates
from flashworthy_agent.probes.linux.packages.versions import look_for_versions
from flashworthy_agent.probes.linux.packages.zypper import ask_zypper, parse_updates
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.programs import Outcome, Programs
from flashworthy_common.report import InstalledVersion, PendingUpdates
from flashworthy_common.values import Unknown
from support.trees import LiveTree, NoPrograms, grow

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)
LISTS_AT = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)


class Says(Programs):
    """Says of each command what belongs to the first of `answers` that stands in it."""

    def __init__(self, answers):
        self.answers, self.asked = answers, []

    def run(self, arguments, timeout_seconds):
        assert 0 < timeout_seconds <= 60
        self.asked.append(arguments)
        line = " ".join(arguments)
        answer = next(answer for part, answer in self.answers.items() if part in line)
        return answer if isinstance(answer, Outcome | Unknown) else Outcome(0, answer, "")


def access(root, programs=None, lists=None, *, is_root=False, **more):
    if lists:
        os.utime(root / lists.lstrip("/"), (LISTS_AT.timestamp(), LISTS_AT.timestamp()))
    tree = LiveTree(root, {("is root",): is_root})
    return Access(tree, programs or NoPrograms(), now=lambda: NOW, **more)


# ---- which one --------------------------------------------------------------------------------

DPKG, YUM = {"/var/lib/dpkg/status": ""}, {"/etc/yum.repos.d/a.repo": ""}
ZYPP, PACMAN = {"/etc/zypp/repos.d/a.repo": ""}, {"/var/lib/pacman/local/ALPM_DB_VERSION": "9"}


@pytest.mark.parametrize(
    ("trees", "pending"),
    [
        ([DPKG], ask_apt),
        ([YUM], ask_dnf),
        ([ZYPP], ask_zypper),
        ([PACMAN], ask_pacman),
        # a Debian machine on which somebody installed the others
        ([DPKG, YUM, ZYPP, PACMAN], ask_apt),
        ([YUM, ZYPP], ask_zypper),
    ],
)
def test_the_package_manager_in_use_is_told_by_what_it_keeps(tmp_path, trees, pending):
    for tree in trees:
        grow(tmp_path, tree)

    assert manager_of(Files(LiveTree(tmp_path))).pending is pending


# ---- dnf --------------------------------------------------------------------------------------

DNF_LISTS = "/var/cache/dnf/archive-a7c2/repodata"
DNF_4 = "reader.noarch\n\nshelf.noarch\n\n"
DNF_5 = "reader.noarch\nshelf.noarch\n"


@pytest.mark.parametrize("listed", [DNF_4, DNF_5])
def test_dnf_lists_upgrades_from_its_cache_alone(tmp_path, listed):
    grow(tmp_path, YUM | {f"{DNF_LISTS}/repomd.xml": ""})
    programs = Says({"--security": "reader.noarch\n\n", "repoquery": listed})

    found = ask_dnf(access(tmp_path, programs, DNF_LISTS, is_root=True), 60)

    assert found == PendingUpdates(
        count=2,
        security_count=1,
        names=("reader.noarch", "shelf.noarch"),
        source="dnf repoquery --upgrades",
        seen_at=NOW,
        lists_at=LISTS_AT,
    )
    assert all("--cacheonly" in command for command in programs.asked)


@pytest.mark.parametrize(
    ("tree", "answers", "is_root", "expected"),
    [
        # it says nothing and ends well where it has no repositories or no cache
        (YUM, {"repoquery": ""}, True,
         Unknown("dnf has no package lists here: it cannot know of updates")),
        (YUM | {"/var/cache/dnf/expired_repos.json": "[]"}, {"repoquery": ""}, True,
         Unknown("dnf has no package lists here: it cannot know of updates")),
        (YUM | {f"{DNF_LISTS}/repomd.xml": ""}, {"repoquery": ""}, False,
         Unknown("dnf shows an ordinary user another cache than its own; run as root")),
        (YUM | {f"{DNF_LISTS}/repomd.xml": ""},
         {"repoquery": Outcome(1, "", "Error: broken\n")}, True,
         Unknown("dnf ended with status 1: Error: broken")),
    ],
)  # fmt: skip
def test_dnf_that_cannot_know_is_not_up_to_date(tmp_path, tree, answers, is_root, expected):
    grow(tmp_path, tree)

    assert ask_dnf(access(tmp_path, Says(answers), is_root=is_root), 60) == expected


def test_dnf_without_upgrades_says_so(tmp_path):
    grow(tmp_path, YUM | {"/var/cache/libdnf5/archive-a7c2/repodata/repomd.xml": ""})

    found = ask_dnf(access(tmp_path, Says({"repoquery": ""}), is_root=True), 60)

    assert (found.count, found.security_count) == (0, 0)


# ---- zypper -----------------------------------------------------------------------------------

ZYPP_LISTS = "/var/cache/zypp/raw/archive"
ZYPP_UPDATES = """<?xml version='1.0'?>
<stream>
<message type="info">Loading repository data...</message>
<message type="info">Reading installed packages...</message>
<update-status version="0.6">
<update-list>
<update kind="package" name="reader" edition="2-1" arch="noarch" edition-old="1-1"><summary>made \
up</summary><description>made up</description><license/><source url="file:/repo" alias="archive"/>\
</update><update kind="package" name="shelf" edition="3-1" arch="noarch" edition-old="1-1">\
<summary>made up</summary></update></update-list>
</update-status>
</stream>
"""
ZYPP_PATCHES = """<?xml version='1.0'?>
<stream>
<update-status version="0.6">
<update-list>
<update kind="patch" name="AL-2026-1" edition="1" arch="noarch" status="needed" \
category="security" severity="important"><summary>t</summary></update></update-list>
</update-status>
</stream>
"""
ZYPP_NONE = (
    '<?xml version="1.0"?><stream><update-status version="0.6"><update-list>\n'
    "</update-list></update-status></stream>"
)


def test_zypper_lists_updates_as_xml_without_fetching(tmp_path):
    grow(tmp_path, ZYPP | {f"{ZYPP_LISTS}/repodata/repomd.xml": ""})
    programs = Says({"list-patches": ZYPP_PATCHES, "list-updates": ZYPP_UPDATES})

    found = ask_zypper(access(tmp_path, programs, ZYPP_LISTS), 60)

    assert found == PendingUpdates(
        count=2,
        security_count=1,
        names=("reader", "shelf"),
        source="zypper list-updates; security: needed patches",
        seen_at=NOW,
        lists_at=LISTS_AT,
    )
    assert all("--no-refresh" in command for command in programs.asked)


@pytest.mark.parametrize(
    ("tree", "said", "because"),
    [
        (ZYPP, ZYPP_NONE, "zypper has no package lists here: it cannot know of updates"),
        (ZYPP | {f"{ZYPP_LISTS}/x": ""}, "<stream>", "expected zypper's XML, got '<stream>'"),
        (ZYPP | {f"{ZYPP_LISTS}/x": ""}, "<stream/>",
         "expected a list of updates from zypper, got '<stream/>'"),
        # zypper(8): 7, another one holds the lock
        (ZYPP | {f"{ZYPP_LISTS}/x": ""}, Outcome(7, "", "System management is locked\n"),
         "zypper ended with status 7: System management is locked"),
    ],
)  # fmt: skip
def test_zypper_that_cannot_know_is_not_up_to_date(tmp_path, tree, said, because):
    grow(tmp_path, tree)

    assert ask_zypper(access(tmp_path, Says({"list-": said})), 60).because.startswith(because)


# ---- pacman -----------------------------------------------------------------------------------

PACMAN_LISTS = {"/var/lib/pacman/sync/main.db": ""}


def test_pacman_lists_upgrades_and_what_it_leaves(tmp_path):
    grow(tmp_path, PACMAN | PACMAN_LISTS)
    programs = Says({"-Qu": "reader 1-1 -> 2-1\nshelf 1-1 -> 2-1 [ignored]\n"})

    found = ask_pacman(access(tmp_path, programs, "/var/lib/pacman/sync"), 60)

    assert found == PendingUpdates(
        count=1,
        security_count=Unknown("pacman does not tell which are for security"),
        names=("reader",),
        kept_back=("shelf",),
        source="pacman -Qu",
        seen_at=NOW,
        lists_at=LISTS_AT,
    )


@pytest.mark.parametrize(
    ("tree", "outcome", "expected"),
    [
        # status 1 stands for none and for an error
        (PACMAN_LISTS, Outcome(1, "", ""), 0),
        (PACMAN_LISTS, Outcome(1, "", "warning: database file for 'main' does not exist\n"),
         Unknown("pacman ended with status 1: warning: database file for 'main' does not exist")),
        (PACMAN_LISTS, Outcome(-9, "", ""), Unknown("pacman ended with status -9: nothing said")),
        ({"/var/lib/pacman/sync/x": ""}, Outcome(1, "", ""),
         Unknown("pacman has no package lists here: it cannot know of updates")),
        ({}, Outcome(1, "", ""),
         Unknown("pacman has no package lists here: it cannot know of updates")),
    ],
)  # fmt: skip
def test_pacman_that_cannot_know_is_not_up_to_date(tmp_path, tree, outcome, expected):
    grow(tmp_path, PACMAN | tree)

    found = ask_pacman(access(tmp_path, Says({"-Qu": outcome})), 60)

    assert (found if isinstance(found, Unknown) else found.count) == expected


# ---- kept answers -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tree", "changed", "answers"),
    [
        (PACMAN | PACMAN_LISTS, "var/lib/pacman/sync", {"-Qu": ""}),
        (PACMAN | PACMAN_LISTS, "var/lib/pacman/local", {"-Qu": ""}),
        (ZYPP | {f"{ZYPP_LISTS}/x": "", "/usr/lib/sysimage/rpm/Packages.db": ""},
         "usr/lib/sysimage/rpm/Packages.db", {"list-": ZYPP_NONE}),
    ],
)  # fmt: skip
def test_every_package_manager_is_asked_once_until_something_changes(
    tmp_path, tree, changed, answers
):
    root = grow(tmp_path / "root", tree)
    for path in (root, *root.rglob("*")):
        os.utime(path, (LISTS_AT.timestamp(), LISTS_AT.timestamp()))
    look = access(root, programs := Says(answers), kept_folder=tmp_path / "kept")

    first, second = look_for_updates(look), look_for_updates(look)
    asked = len(programs.asked)
    os.utime(root / changed, (NOW.timestamp() + 1, NOW.timestamp() + 1))
    look_for_updates(look)

    assert first == second
    assert asked in (1, 2)  # one question, or one more for security
    assert len(programs.asked) == 2 * asked


# ---- versions that somebody asks for ----------------------------------------------------------


def versions(root, *names, **more):
    found = look_for_versions(access(root, look_for=names, **more)).installed
    return {one.name: one.version_text for one in found}


NEITHER = Unknown("there is neither a package nor a loaded driver of that name")


@pytest.mark.parametrize(
    ("tree", "said"),
    [
        # dpkg-query(1) complains of the unknown and ends with 1; what is only configured is gone
        (DPKG, Outcome(1, "installed reader 2-1\nconfig-files lamp 1\n", "no packages found\n")),
        (YUM, Outcome(1, "reader 2-1\npackage lamp is not installed\n", "")),
        (ZYPP, Outcome(1, "reader 2-1\npackage lamp is not installed\n", "")),
        (PACMAN, Outcome(1, "reader 2-1\n", "error: package 'lamp' was not found\n")),
    ],
)
def test_a_package_is_told_by_its_package_manager(tmp_path, tree, said):
    grow(tmp_path, tree)

    found = versions(tmp_path, "reader", "lamp", programs=Says({"reader lamp": said}))

    assert found == {"reader": "2-1", "lamp": NEITHER}


def test_a_driver_is_told_by_the_kernel(tmp_path):
    grow(tmp_path, {"/sys/module/net_x/version": "1.4.2\n", "/sys/module/plain/refcnt": "0"})

    assert versions(tmp_path, "net-x", "plain") == {
        "net-x": "1.4.2",
        "plain": Unknown("the driver is loaded, but tells no version"),
    }


@pytest.mark.parametrize("name", ["--root=/x", "*", "a b", "../etc", "-e", ""])
def test_a_name_that_no_package_has_is_not_asked_for(tmp_path, name):
    grow(tmp_path, DPKG)
    programs = Says({})

    assert versions(tmp_path, name, programs=programs) == {name: NEITHER}
    assert programs.asked == []


def test_nothing_is_asked_for_where_nobody_asks(tmp_path):
    assert look_for_versions(access(grow(tmp_path, DPKG), Says({}))).installed == ()


@pytest.mark.skipif(shutil.which("dpkg-query") is None, reason="dpkg-query is not here")
def test_the_real_dpkg_is_asked():
    shown = subprocess.run(["dpkg-query", "--show", "dpkg"], capture_output=True, text=True,
                           check=True).stdout  # fmt: skip

    found = look_for_versions(
        Access(RunningSystem(), Programs(RunningSystem()), look_for=("dpkg", "no-such-package"))
    )

    assert found.installed == (
        InstalledVersion(name="dpkg", version_text=shown.split()[1]),
        InstalledVersion(name="no-such-package", version_text=NEITHER),
    )


# ---- whatever they print ----------------------------------------------------------------------

APT_TEXT = (
    "The following packages have been kept back:\n  shelf\n"
    "Inst openssl [3.0.15-1] (3.0.16-1 Debian-Security:12/stable-security [amd64])\n"
    "Package files:\n 500 http://x y/main amd64 Packages\n     release l=Debian-Security,a=b\n"
    "reader:\n  Installed: 1\n  Candidate: 2\n  Version table:\n     2 500\n"
    "        500 http://x y/main amd64 Packages\n *** 1 100\n        100 /var/lib/dpkg/status\n"
)
TEXTS = (APT_TEXT, DNF_4, ZYPP_UPDATES, "reader 1-1 -> 2-1\nshelf 1-1 -> 2-1 [ignored]\n")
PARSERS = (parse_simulation, parse_kept_back, security_sources, parse_names, parse_updates,
           parse_upgrades, parse_pairs, lambda text: hidden_security(text, {"x"}))  # fmt: skip


def mutated(chance, text):
    for _ in range(chance.randint(1, 6)):
        place, length = chance.randrange(len(text) + 1), chance.randint(0, 12)
        put = chance.choice(["", "\n", " ", ":", "<", "(", "]", "\0", "\u00e9", text[:length]])
        text = text[:place] + put + text[place + length :]
    return text


def read_mutated_outputs(count):
    chance = random.Random(3493)
    for _ in range(count):
        text = mutated(chance, chance.choice(TEXTS))
        for parse in PARSERS:
            parse(text)


def test_a_mutated_output_never_raises():
    read_mutated_outputs(1_000)


@pytest.mark.long
def test_a_hundred_thousand_mutated_outputs_never_raise():
    read_mutated_outputs(100_000)
