"""Imports point in one direction, and what is light stays light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
PACKAGES = {
    "flashworthy_common": TOP / "common",
    "flashworthy_agent": TOP / "agent",
    "flashworthy_server": TOP / "server",
}

# Who may import whom; a layer may always import itself and what has no row.
FORBIDDEN = {
    "flashworthy_common": ("flashworthy_agent", "flashworthy_server"),
    "flashworthy_agent": ("flashworthy_server",),
    "flashworthy_server": ("flashworthy_agent",),
    "flashworthy_agent.probes": (
        "flashworthy_agent.cli",
        "flashworthy_agent.collect",
        "flashworthy_agent.spool",
        "flashworthy_agent.transport",
    ),
    "flashworthy_agent.spool": ("flashworthy_agent.cli", "flashworthy_agent.probes"),
    "flashworthy_agent.transport": ("flashworthy_agent.cli", "flashworthy_agent.probes"),
    "flashworthy_server.api": (
        "sqlalchemy",
        "flashworthy_server.store",
        "flashworthy_server.cli",
        "flashworthy_server.pages",
    ),
    "flashworthy_server.pages": (
        "sqlalchemy",
        "flashworthy_server.store",
        "flashworthy_server.cli",
        "flashworthy_server.api",
    ),
    "flashworthy_server.web": (
        "sqlalchemy",
        "flashworthy_server.store",
        "flashworthy_server.cli",
        "flashworthy_server.api",
        "flashworthy_server.pages",
    ),
    "flashworthy_server.services": (
        "flask",
        "sqlalchemy",
        "flashworthy_server.api",
        "flashworthy_server.cli",
        "flashworthy_server.pages",
        "flashworthy_server.web",
        "flashworthy_server.tables",
    ),
    "flashworthy_server.store": (
        "flask",
        "flashworthy_server.api",
        "flashworthy_server.cli",
        "flashworthy_server.services",
    ),
    "flashworthy_server.tables": ("flask", "flashworthy_server.store"),
}

# The meaning is pure: no files, sockets, clock, environment or logging.
IMPURE = {
    *("asyncio", "glob", "http", "io", "logging", "os", "pathlib", "random", "secrets", "shutil"),
    *("socket", "sqlite3", "subprocess", "sys", "tempfile", "threading", "time", "urllib"),
    *("flask", "marshmallow", "psutil", "requests", "sqlalchemy"),
}


def modules():
    for package, folder in PACKAGES.items():
        for path in (folder / package).rglob("*.py"):
            parts = path.relative_to(folder).with_suffix("").parts
            yield ".".join(parts).removesuffix(".__init__"), path


def imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute here"
            yield node.module or ""
            yield from (f"{node.module}.{name.name}" for name in node.names)


def is_within(module, layer):
    return module == layer or module.startswith(layer + ".")


@pytest.mark.parametrize(("layer", "forbidden"), FORBIDDEN.items())
def test_imports_point_in_one_direction(layer, forbidden):
    breaches = {
        f"{module} imports {name}"
        for module, path in modules()
        if is_within(module, layer)
        for name in imported(path)
        if any(is_within(name, target) for target in forbidden)
    }

    assert breaches == set()


def test_the_common_package_is_pure():
    breaches = {
        f"{module} imports {name}"
        for module, path in modules()
        if is_within(module, "flashworthy_common")
        for name in imported(path)
        if name.partition(".")[0] in IMPURE
    }

    assert breaches == set()


# What only one kind of system has of Python's library: "Availability: Unix", or Windows.
ONE_PLATFORMS = {
    *("_winapi", "crypt", "fcntl", "grp", "msvcrt", "nis", "posix", "pty", "pwd", "resource"),
    *("spwd", "syslog", "termios", "tty", "winreg", "winsound"),
}
# The one module of a platform that may load what only it has when it is itself loaded.
LIVE = {"flashworthy_agent.probes.linux.live", "flashworthy_agent.probes.windows.live"}


def loaded_at_once(path):
    """The modules that are imported when a module is, and not only by a function of it."""
    waiting, found = [ast.parse(path.read_text(encoding="utf-8"))], []
    while waiting:
        for node in ast.iter_child_nodes(waiting.pop()):
            if isinstance(node, ast.Import):
                found += [name.name for name in node.names]
            elif isinstance(node, ast.ImportFrom):
                found.append(node.module or "")
            elif not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
                waiting.append(node)
    return found


def test_only_its_live_module_loads_what_one_platform_alone_has():
    breaches = {
        f"{module} imports {name}"
        for module, path in modules()
        if not is_within(module, "flashworthy_server") and module not in LIVE
        for name in loaded_at_once(path)
        if name.partition(".")[0] in ONE_PLATFORMS or name in LIVE
    }

    assert breaches == set()


def test_every_layer_that_has_a_rule_exists():
    known = {module for module, _ in modules()}

    assert {layer for layer in FORBIDDEN if layer not in known} == set()


def test_the_agent_starts_without_the_servers_libraries():
    heavy = "{'flask', 'marshmallow', 'sqlalchemy', 'flashworthy_server'}"
    program = f"import sys, flashworthy_agent.cli; print(sorted({heavy} & set(sys.modules)))"

    found = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )

    assert found.stdout == "[]\n"
