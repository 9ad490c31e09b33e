"""dnf, zypper and pacman for real, each on a made-up system with a made-up archive on disk."""

import shutil
import subprocess
import tarfile
from io import BytesIO
from pathlib import Path

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.packages.dnf import ask_dnf
from flashworthy_agent.probes.linux.packages.pacman import ask_pacman
from flashworthy_agent.probes.linux.packages.versions import look_for_versions
from flashworthy_agent.probes.linux.packages.zypper import ask_zypper
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.programs import Programs
from flashworthy_common.values import Unknown
from support.trees import LiveTree, grow

pytestmark = pytest.mark.system

OLD = {"reader": "1", "shelf": "1", "desk": "1"}
NEW = {"reader": "2", "shelf": "3", "desk": "1"}


def need(*programs):
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        pytest.skip(f"not here: {', '.join(missing)}")


def run(*command):
    subprocess.run(list(map(str, command)), check=True, capture_output=True, timeout=120)


class Elsewhere(Programs):
    """Runs package managers with the options that make them look after another root."""

    def __init__(self, options):
        super().__init__(RunningSystem())
        self.options = options

    def run(self, arguments, timeout_seconds):
        name, *rest = arguments
        return super().run([name, *map(str, self.options[name]), *rest], timeout_seconds)


class World:
    """A made-up system below `root`."""

    def __init__(self, root, options):
        self.root, self.programs = root, Elsewhere(options)

    def access(self, **more):
        return Access(LiveTree(self.root, {("is root",): True}), self.programs, **more)

    def versions(self, *names):
        found = look_for_versions(self.access(look_for=names)).installed
        return {one.name: one.version_text for one in found}


NOT_THERE = Unknown("there is neither a package nor a loaded driver of that name")


# ---- dnf and zypper ---------------------------------------------------------------------------

UPDATE_INFORMATION = """<?xml version="1.0"?>
<updates><update from="x" status="final" type="security" version="1"><id>AL-2026-1</id>
<title>t</title><severity>Important</severity><issued date="2026-01-01 00:00:00"/>
<description>d</description><pkglist><collection short="x"><name>x</name>
<package name="reader" version="2" release="1" epoch="0" arch="noarch" src="reader-2-1.src.rpm">
<filename>reader-2-1.noarch.rpm</filename></package></collection></pkglist></update></updates>
"""


@pytest.fixture(scope="module")
def rpms(tmp_path_factory):
    """An archive with the new packages, and the old ones beside it."""
    need("rpmbuild", "createrepo_c", "modifyrepo_c", "rpm")
    folder = tmp_path_factory.mktemp("rpms")
    for kind, packages in (("old", OLD), ("archive", NEW)):
        for name, version in packages.items():
            specification = folder / f"{name}-{version}.spec"
            specification.write_text(
                f"Name: {name}\nVersion: {version}\nRelease: 1\nSummary: made up\n"
                "License: none\nBuildArch: noarch\n%description\nmade up\n%files\n"
            )
            run("rpmbuild", "-bb", "--define", f"_topdir {folder}/build",
                "--define", f"_rpmdir {folder}/{kind}", specification)  # fmt: skip
    grow(folder, {"/updateinfo.xml": UPDATE_INFORMATION})
    run("createrepo_c", "-q", folder / "archive")
    run("modifyrepo_c", folder / "updateinfo.xml", folder / "archive" / "repodata")
    return folder


@pytest.fixture
def rpm_root(rpms, tmp_path):
    """A system with the old packages."""
    root = tmp_path / "root"
    root.mkdir()
    run("rpm", "--root", root, "--initdb")
    run("rpm", "--root", root, "-i", "--nodeps", "--nosignature", *(rpms / "old").rglob("*.rpm"))
    return root


@pytest.fixture
def dnf_world(rpms, rpm_root):
    need("dnf")
    repositories = rpm_root / "etc/yum.repos.d"
    grow(rpm_root, {"/etc/yum.repos.d/archive.repo":
                    f"[archive]\nname=a\nbaseurl=file://{rpms}/archive\ngpgcheck=0\n"})  # fmt: skip
    options = (f"--installroot={rpm_root}", "--releasever=1", f"--setopt=reposdir={repositories}",
               f"--setopt=cachedir={rpm_root}/var/cache/dnf",
               "--setopt=module_platform_id=x")  # fmt: skip
    return World(rpm_root, {"dnf": options, "rpm": ("--root", rpm_root)})


def test_dnf_tells_updates_and_security_once_it_has_lists(dnf_world):
    before = ask_dnf(dnf_world.access(), 60)
    run("dnf", *dnf_world.programs.options["dnf"], "-q", "makecache")

    found = ask_dnf(dnf_world.access(), 60)

    assert before == Unknown("dnf has no package lists here: it cannot know of updates")
    assert (found.count, found.names) == (2, ("reader.noarch", "shelf.noarch"))
    assert found.security_count == 1
    assert dnf_world.versions("desk", "lamp") == {"desk": "1-1", "lamp": NOT_THERE}


@pytest.fixture
def zypper_world(rpms, rpm_root):
    need("zypper")
    (rpm_root / "etc/zypp/repos.d").mkdir(parents=True)
    options = ("--root", rpm_root, "--no-gpg-checks")
    return World(rpm_root, {"zypper": options, "rpm": ("--root", rpm_root)})


def test_zypper_tells_updates_and_security_once_it_has_lists(zypper_world, rpms):
    options = zypper_world.programs.options["zypper"]
    before = ask_zypper(zypper_world.access(), 60)
    run("zypper", *options, "--non-interactive", "addrepo", "-G", f"file://{rpms}/archive", "a")
    run("zypper", *options, "--non-interactive", "refresh")

    found = ask_zypper(zypper_world.access(), 60)

    assert before == Unknown("zypper has no package lists here: it cannot know of updates")
    assert (found.count, found.names, found.security_count) == (2, ("reader", "shelf"), 1)
    assert zypper_world.versions("desk") == {"desk": "1-1"}


# ---- pacman -----------------------------------------------------------------------------------


def packed(folder, name, files):
    """A gzipped tar file of texts by name."""
    path = folder / name
    with tarfile.open(path, "w:gz") as archive:
        for member, text in files.items():
            described = tarfile.TarInfo(member)
            described.size = len(text.encode())
            archive.addfile(described, BytesIO(text.encode()))
    return path


@pytest.fixture
def pacman_world(tmp_path):
    need("pacman")
    root, archive = tmp_path / "root", tmp_path / "archive"
    for folder in (archive, root / "var/lib/pacman", root / "var/cache"):
        folder.mkdir(parents=True)
    settings = tmp_path / "pacman.conf"
    settings.write_text(
        "[options]\nArchitecture = auto\nSigLevel = Never\nIgnorePkg = shelf\n"
        f"RootDir = {root}\nDBPath = {root}/var/lib/pacman\nCacheDir = {root}/var/cache\n"
        f"LogFile = {root}/log\n[main]\nServer = file://{archive}\n"
    )
    packages = [
        packed(tmp_path, f"{name}-{version}-1-any.pkg.tar.gz", {".PKGINFO":
               f"pkgname = {name}\npkgver = {version}-1\npkgdesc = made up\nbuilddate = 1\n"
               "packager = nobody\nsize = 1\narch = any\n"})
        for name, version in OLD.items()
    ]  # fmt: skip
    packed(archive, "main.db", {
        f"{name}-{version}-1/desc": f"%FILENAME%\n{name}.pkg.tar.gz\n\n%NAME%\n{name}\n\n"
        f"%VERSION%\n{version}-1\n\n%CSIZE%\n1\n\n%ISIZE%\n1\n\n%ARCH%\nany\n\n"
        for name, version in NEW.items()
    })  # fmt: skip
    run("pacman", "--config", settings, "--noconfirm", "-U", *packages)
    return World(root, {"pacman": ("--config", settings)})


def test_pacman_tells_updates_and_what_it_leaves_once_it_has_lists(pacman_world):
    options = pacman_world.programs.options["pacman"]
    before = ask_pacman(pacman_world.access(), 60)
    run("pacman", *options, "--noconfirm", "-Sy")

    found = ask_pacman(pacman_world.access(), 60)

    assert before == Unknown("pacman has no package lists here: it cannot know of updates")
    assert (found.names, found.kept_back) == (("reader",), ("shelf",))
    assert pacman_world.versions("desk", "lamp") == {"desk": "1-1", "lamp": NOT_THERE}


def test_pacman_without_updates_says_so(pacman_world):
    run("pacman", *pacman_world.programs.options["pacman"], "--noconfirm", "-Sy")
    for name in ("reader", "shelf"):
        (installed,) = Path(pacman_world.root, "var/lib/pacman/local").glob(f"{name}-*")
        shutil.rmtree(installed)

    found = ask_pacman(pacman_world.access(), 60)

    assert (found.count, found.kept_back) == (0, ())
