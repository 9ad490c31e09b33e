"""The operating system, whether it waits for a restart, and the room on its disks."""

import re
import shlex

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.linux.mounts import esp_folder
from flashworthy_common.report import SoftwareSection
from flashworthy_common.values import NOT_REPORTED, Maybe, Unknown

_OS_RELEASE = ("/etc/os-release", "/usr/lib/os-release")  # os-release(5): in this order
# Debian's, twice, and that of SUSE; the latter *from memory*
_RESTART_MARKERS = ("/run/reboot-required", "/var/run/reboot-required", "/run/reboot-needed")
_KERNEL_RELEASE = re.compile(r"[0-9]+\.[0-9]")  # how one begins
_KERNEL_FILE = "vmlinuz-"


def look_at_software(access: Access) -> SoftwareSection:
    files = access.files
    described = _os_release(files)
    return SoftwareSection(
        seen_at=access.now(),
        source="/etc/os-release, /proc, /boot, /run",
        os_name=_described(described, "NAME"),
        os_version=_described(described, "VERSION_ID"),
        os_build=_described(described, "BUILD_ID"),
        kernel=files.text("/proc/sys/kernel/osrelease"),
        pending_updates=NOT_REPORTED,  # `updates` asks
        restart_pending=_restart_pending(files),
        system_free_bytes=files.free_bytes("/"),
        esp_free_bytes=_esp_free_bytes(files),
    )


def uptime_seconds(files: Files) -> Maybe[int]:
    text = files.text("/proc/uptime")
    if isinstance(text, Unknown):
        return text
    try:
        return int(float(text.split()[0]))
    except ValueError:
        return Unknown(f"expected seconds in /proc/uptime, got {text[:40]!r}")


def _os_release(files: Files) -> Maybe[dict[str, str]]:
    contents = [files.content(path) for path in _OS_RELEASE]
    content = next((found for found in contents if isinstance(found, bytes)), contents[0])
    if isinstance(content, Unknown):
        return content
    pairs = (line.split("=", 1) for line in content.decode("utf-8", "replace").splitlines())
    return {pair[0].strip(): _unquoted(pair[1]) for pair in pairs if len(pair) == 2}


def _unquoted(value: str) -> str:
    """A value of os-release(5), which quotes as a shell does."""
    try:
        return "".join(shlex.split(value))
    except ValueError:
        return value.strip()


def _described(described: Maybe[dict[str, str]], name: str) -> Maybe[str]:
    if isinstance(described, Unknown):
        return described
    return described.get(name) or Unknown(f"/etc/os-release names no {name}")


# ---- restart ----------------------------------------------------------------------------------


def _restart_pending(files: Files) -> Maybe[tuple[str, ...]]:
    """Why a restart is pending; empty only where running and installed kernels were compared.

    A marker that is missing proves nothing: not every package manager leaves one.
    """
    asked = _asked_by_packages(files)
    newer = _newer_kernel(files)
    reasons = [reason for reason in (asked, newer) if isinstance(reason, str)]
    if not reasons and isinstance(newer, Unknown):
        return newer
    return tuple(reasons)


def _asked_by_packages(files: Files) -> str | None:
    marker = next((path for path in _RESTART_MARKERS if files.is_there(path)), None)
    if marker is None:
        return None
    packages = files.text(f"{marker}.pkgs")
    names = [] if isinstance(packages, Unknown) else sorted(set(packages.split()))
    return f"asked for by packages: {', '.join(names[:10]) or 'not named'}"


def _newer_kernel(files: Files) -> Maybe[str | None]:
    """What says that a newer kernel than the running one is installed; None where none is."""
    running = files.text("/proc/sys/kernel/osrelease")
    if isinstance(running, Unknown):
        return running
    flavour = _flavour(running)
    installed = [name for name in _installed_kernels(files) if _flavour(name) == flavour]
    if not installed:
        return Unknown(
            f"no marker, and no installed kernel is shown to compare with the running {running}"
        )
    newest = max(installed, key=_kernel_order)
    if _kernel_order(newest) <= _kernel_order(running):
        return None
    return f"kernel {newest} is installed, {running} is running"


def _installed_kernels(files: Files) -> list[str]:
    """Releases of the kernels in /boot; where it names none, those that have modules."""
    boot, modules = files.names("/boot"), files.names("/lib/modules")
    images = [] if isinstance(boot, Unknown) else boot
    named = [name.removeprefix(_KERNEL_FILE) for name in images if name.startswith(_KERNEL_FILE)]
    kernels = [name for name in named if _KERNEL_RELEASE.match(name)]
    return kernels or ([] if isinstance(modules, Unknown) else list(modules))


def _flavour(release: str) -> list[str]:
    """What tells a kernel for one purpose from that for another: the words, not the numbers."""
    return re.findall("[A-Za-z]+", release)


def _kernel_order(release: str) -> list[int]:
    """Comparable among kernels of one flavour."""
    return [int(number) for number in re.findall("[0-9]+", release)]


# ---- room -------------------------------------------------------------------------------------


def _esp_free_bytes(files: Files) -> Maybe[int]:
    """Of the EFI system partition, where it is mounted at one of its usual places."""
    if not files.is_live:
        return ANOTHER_ROOT
    folder = esp_folder(files)
    return folder if isinstance(folder, Unknown) else files.free_bytes(folder)
