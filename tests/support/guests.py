"""A machine that is really started: QEMU, Debian's kernel, and the agent as installed here.

The initial file system holds busybox, this Python with what the agent imports, and the kernel's
modules for the made-up hardware. Its first program runs a script and turns the machine off. The
guest reaches nothing but one server of this machine, whose loopback address it knows as its own.
"""

import functools
import lzma
import os
import py_compile
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import flashworthy_agent
import flashworthy_common

UNPACKED = Path(__file__).parents[2] / ".unpacked"  # by `tests/run.sh --with-system-tools`
FIRMWARE = Path("/usr/share/OVMF")
PROGRAMS = ("qemu-system-x86_64", "iasl", "busybox")
PATIENCE_SECONDS = 90.0
SERVER_PORT = 8470  # on the guest's own loopback
_XZ = b"\xfd7zXZ\0"  # how what xz packed begins
_GATE = "10.0.2.100"  # where QEMU lets the server through
_PYTHON = "/python"
_LIBRARY = f"{_PYTHON}/lib/python{sys.version_info.major}.{sys.version_info.minor}"

_MODULES = (
    *("e1000", "virtio_pci", "virtio_blk", "ahci", "sd_mod", "ac", "battery"),
    *("efivarfs", "vfat", "nls_cp437", "nls_ascii", "nls_iso8859-1"),
)

_INIT = """\
#!/bin/busybox sh
export PATH=/bin PYTHONHOME=/python PYTHONDONTWRITEBYTECODE=1 HOME=/
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs devtmpfs /dev
mount -t tmpfs tmpfs /run
while read module; do insmod /modules/$module 2>/dev/null; done < /modules/order
[ -d /sys/firmware/efi ] && mount -t efivarfs efivarfs /sys/firmware/efi/efivars
ip link set lo up
ip link set eth0 up
ip addr add 10.0.2.15/24 dev eth0
nc -ll -p {port} -e nc {gate} {port} &
python3 /script.py
poweroff -f
"""

# One process for all that the agent does: loading it takes an emulated processor seconds.
_SCRIPT = """\
import os, time
from flashworthy_agent.cli import main

def say(words):
    print("guest:", words, flush=True)

def agent(*arguments):
    say(f"{{arguments[0]}} ended with {{main([*arguments, '--state', '/run/agent'])}}")

def enrol(code):
    agent("enrol", "--server", "http://127.0.0.1:{port}", "--code", code)

def wait_until(path, text):
    while open(path).read().strip() != text:
        time.sleep(0.1)

{steps}
say("done")
"""


def why_not() -> str:
    """What is missing to start a guest; empty: nothing."""
    missing = [program for program in PROGRAMS if shutil.which(program) is None]
    if missing:
        return f"not here: {', '.join(missing)}"
    return "" if _kernels() else "no kernel is unpacked in .unpacked"


def _kernels() -> list[Path]:
    return sorted((UNPACKED / "boot").glob("vmlinuz-*"))


def find_kernel() -> Path:
    """Debian's kernel as it comes."""
    return _kernels()[-1]


# ---- the initial file system ------------------------------------------------------------------


def initial_files(folder: Path, steps: str) -> Path:
    """An archive (cpio, newc) for a kernel to start with; `steps` are Python, as in `_SCRIPT`."""
    archive = folder / "initial.cpio"
    init = _INIT.format(port=SERVER_PORT, gate=_GATE)
    entries = {
        **_common_files(),
        "init": (0o755, init.encode()),
        "script.py": (0o644, _SCRIPT.format(port=SERVER_PORT, steps=steps).encode()),
    }
    with open(archive, "wb") as file:
        file.writelines(_cpio(entries))
    return archive


def _cpio(entries: dict[str, tuple[int, bytes]]) -> Iterator[bytes]:
    """The format of the kernel's Documentation/driver-api/early-userspace/buffer-format.rst."""
    folders = {str(parent) for name in entries for parent in Path(name).parents} - {"."}
    for name in ("proc", "sys", "dev", "run", "tmp", "boot/efi", "boot", *folders):
        folders.add(name)
    for name in sorted(folders):
        yield _cpio_entry(name, 0o040755, b"")
    for name, (mode, content) in entries.items():
        kind = 0o120000 if mode == 0o777 else 0o100000
        yield _cpio_entry(name, kind | mode, content)
    yield _cpio_entry("TRAILER!!!", 0, b"")


def _cpio_entry(name: str, mode: int, content: bytes) -> bytes:
    encoded = name.encode() + b"\0"
    numbers = (0, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(encoded), 0)
    head = b"070701" + b"".join(b"%08X" % number for number in numbers) + encoded
    return _padded(head) + _padded(content)


def _padded(octets: bytes) -> bytes:
    return octets + bytes(-len(octets) % 4)


@functools.cache
def _common_files() -> dict[str, tuple[int, bytes]]:
    files = {"bin/busybox": (0o755, Path(shutil.which("busybox") or "").read_bytes()),
             "bin/sh": (0o777, b"busybox")}  # fmt: skip
    files |= _python_files()
    files |= _module_files()
    return files


def _python_files() -> dict[str, tuple[int, bytes]]:
    """The interpreter, every module that the agent may load, and the libraries they need."""
    interpreter = Path(sys.base_prefix, "bin", f"python3.{sys.version_info.minor}")
    found = {"bin/python3": (0o755, interpreter.read_bytes())}
    modules = [Path(path) for path in _loaded_modules()]
    for module in modules:
        place = _place_of(module)
        if module.suffix == ".py":  # compiled, since an emulated processor is slow
            found[f"{place}c"] = (0o644, _compiled(module))
        else:
            found[place] = (0o644, module.read_bytes())
    native = [interpreter, *(module for module in modules if module.suffix == ".so")]
    for library in _libraries_of(native):
        found[str(library).lstrip("/")] = (0o755, _stripped(library))
    return found


def _stripped(library: Path) -> bytes:
    """Without what only a debugger reads, where there is a program for that."""
    if not shutil.which("strip"):
        return library.read_bytes()
    with _scratch() as scratch:
        subprocess.run(["strip", "--strip-debug", "-o", scratch / "library", library], check=True)
        return (scratch / "library").read_bytes()


def _compiled(module: Path) -> bytes:
    with _scratch() as scratch:
        compiled = py_compile.compile(
            str(module), str(scratch / "module.pyc"), doraise=True,
            invalidation_mode=py_compile.PycInvalidationMode.UNCHECKED_HASH,
        )  # fmt: skip
        return Path(compiled or "").read_bytes()


def _loaded_modules() -> list[str]:
    """Files of all modules once those of the agent are loaded, and it has tried to send."""
    program = (
        "import pkgutil, importlib, sys, ctypes\n"  # ctypes: for the scripts
        "import encodings.idna, encodings.ascii, encodings.latin_1\n"
        "import flashworthy_agent, flashworthy_common\n"
        "for package in (flashworthy_agent, flashworthy_common):\n"
        "    for one in pkgutil.walk_packages(package.__path__, package.__name__ + '.'):\n"
        "        if not one.name.endswith('.windows.live'):\n"  # what only Windows has
        "            importlib.import_module(one.name)\n"
        "flashworthy_agent.cli.main(['enrol', '--server', 'http://127.0.0.1:9', '--code', 'X',"
        " '--state', sys.argv[1]])\n"
        "files = [getattr(module, '__file__', None) for module in sys.modules.values()]\n"
        "print(*filter(None, files), sep='\\n')"
    )
    with _scratch() as scratch:
        done = subprocess.run([sys.executable, "-c", program, str(scratch / "state")],
                              capture_output=True, text=True, check=True, timeout=120)  # fmt: skip
    return [line for line in done.stdout.splitlines() if line.startswith("/")]


@contextmanager
def _scratch() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


def _place_of(module: Path) -> str:
    """Where a module's file lies in the guest."""
    tops = (
        Path(flashworthy_agent.__file__).parents[1],
        Path(flashworthy_common.__file__).parents[1],
    )
    for top in tops:
        if module.is_relative_to(top):
            return f"{_LIBRARY.lstrip('/')}/{module.relative_to(top)}"
    parts = module.parts
    anchor = "site-packages" if "site-packages" in parts else f"python3.{sys.version_info.minor}"
    return str(Path(_LIBRARY.lstrip("/"), *parts[parts.index(anchor) + 1 :]))


def _libraries_of(programs: Iterable[Path]) -> set[Path]:
    listed = subprocess.run(["ldd", *map(str, programs)], capture_output=True, text=True).stdout
    return {Path(path) for path in re.findall(r"(?:=> |^\t)(/\S+) \(0x", listed, re.MULTILINE)}


def _module_files() -> dict[str, tuple[int, bytes]]:
    """The kernel's modules and those they depend on, in an order in which they can be loaded."""
    by_name = {path.stem.replace("-", "_"): path
               for path in (UNPACKED / "lib/modules").rglob("*.ko")}  # fmt: skip
    order: list[Path] = []

    def add(name: str) -> None:
        path = by_name.get(name.replace("-", "_"))
        if path is None or path in order:
            return
        (depends,) = re.findall(rb"\0depends=([^\0]*)\0", b"\0" + path.read_bytes()) or [b""]
        for needed in filter(None, depends.decode().split(",")):
            add(needed)
        order.append(path)

    for name in _MODULES:
        add(name)
    files = {f"modules/{path.name}": (0o644, path.read_bytes()) for path in order}
    names = "".join(f"{path.name}\n" for path in order)
    return files | {"modules/order": (0o644, names.encode())}


# ---- the machine ------------------------------------------------------------------------------


@dataclass
class Guest:
    """A running machine: what it says on its serial line, and its monitor."""

    process: "subprocess.Popen[bytes]"
    monitor: socket.socket
    said: str = ""
    _lines: Iterator[str] = field(init=False, repr=False)

    def wait_for(self, line: str) -> None:
        """Until the script says `line`."""
        deadline = time.monotonic() + PATIENCE_SECONDS
        assert self.process.stdout is not None
        os.set_blocking(self.process.stdout.fileno(), False)
        while f"guest: {line}" not in self.said:
            piece = self.process.stdout.read()
            if piece:
                self.said += piece.decode("utf-8", "replace")
                continue
            assert self.process.poll() is None, f"it ended: {self.said[-3000:]}"
            assert time.monotonic() < deadline, f"it does not say {line!r}: {self.said[-3000:]}"
            time.sleep(0.05)

    def put(self, port: int, value: int) -> None:
        """Write a byte to a port of the machine's hardware."""
        self.monitor.sendall(f"o /b {port:#x} {value}\n".encode())


@contextmanager
def started(folder: Path, server_port: int, *more: str) -> Iterator[Guest]:
    """A machine with the hardware of `more`, which must name the kernel or a disk to start from."""
    ours, theirs = socket.socketpair()
    command = [
        "qemu-system-x86_64", "-machine", "q35,accel=tcg", "-cpu", "qemu64", "-smp", "2",
        "-m", "512", "-display", "none", "-nodefaults", "-no-reboot",
        "-serial", "stdio", "-serial", "null",
        "-chardev", f"socket,id=mon,fd={theirs.fileno()}", "-mon", "chardev=mon",
        "-netdev", f"user,id=net,restrict=on,guestfwd=tcp:{_GATE}:{SERVER_PORT}"
                   f"-cmd:busybox nc 127.0.0.1 {server_port}",
        "-device", "e1000,netdev=net", *more,
    ]  # fmt: skip
    with open(folder / "qemu.log", "wb") as log:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                   stderr=log, pass_fds=[theirs.fileno()])  # fmt: skip
    theirs.close()
    try:
        yield Guest(process, ours)
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        ours.close()


OPTIONS = "console=ttyS0 quiet panic=-1"  # of the kernel


def kernel_options(kernel: Path, initial: Path) -> list[str]:
    """What to start where no disk has it."""
    return ["-kernel", str(kernel), "-initrd", str(initial), "-append", OPTIONS]


def unpacked_kernel(folder: Path) -> Path:
    """The kernel without its packing, which an emulated processor takes seconds to undo.

    Firmware of the old kind can start it so; UEFI needs the program around it.
    """
    packed = find_kernel().read_bytes()
    kernel = folder / "vmlinux"
    kernel.write_bytes(lzma.LZMADecompressor().decompress(packed[packed.index(_XZ) :]))
    return kernel
