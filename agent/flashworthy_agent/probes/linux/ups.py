"""The UPS that feeds this machine, and whether this machine shuts down on its command.

- Only the configured ones are asked: a server may know others that feed other machines.
- The program that obeys a UPS here is `upsmon`. Of its configuration only the lines that say which
  UPS it obeys are kept, without the name and password in them.
"""

import re

from flashworthy_agent.errors import UpsAddressError, UpsError
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.ups import UpsAddress, parse_address, read_variables
from flashworthy_common.report import Ups
from flashworthy_common.values import Maybe, Unknown

_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")  # RFC 9271 §4.4: a dot, no exponent
_MOST_LOAD_PERCENT = 1000
_LONGEST_RUNTIME_SECONDS = 2**40

_MONITOR_PIDS = ("/run/nut/upsmon.pid", "/run/upsmon.pid")
MONITOR_FILES = ("/etc/nut/upsmon.conf", "/etc/ups/upsmon.conf")
_THIS_MACHINE = ("localhost", "127.0.0.1", "::1")


def ask_ups(access: Access, address: UpsAddress, seconds: float) -> Ups:
    """One UPS as its server tells it within so many seconds."""
    obeyed = shuts_this_down(access.files, address)
    try:
        variables = read_variables(access.inputs, address, seconds)
    except UpsError as error:
        no = Unknown(str(error))
        return Ups(
            name=str(address),
            status_text=no,
            charge_percent=no,
            runtime_seconds=no,
            load_percent=no,
            shuts_this_down=obeyed,
        )
    runtime = _number(variables, "battery.runtime", _LONGEST_RUNTIME_SECONDS)
    return Ups(
        name=str(address),
        status_text=variables.get("ups.status", "").strip() or _untold("ups.status"),
        charge_percent=_number(variables, "battery.charge", 100),
        runtime_seconds=runtime if isinstance(runtime, Unknown) else int(runtime),
        load_percent=_number(variables, "ups.load", _MOST_LOAD_PERCENT),
        shuts_this_down=obeyed,
    )


def _number(variables: dict[str, str], name: str, greatest: float) -> Maybe[float]:
    text = variables.get(name, "").strip()
    if not text:
        return _untold(name)
    if not _NUMBER.fullmatch(text) or float(text) > greatest:
        return Unknown(f"expected a number from 0 to {greatest:g} for {name}, got {text[:40]!r}")
    return float(text)


def _untold(name: str) -> Unknown:
    return Unknown(f"the UPS does not tell {name}")


# ---- who obeys it -----------------------------------------------------------------------------


def shuts_this_down(files: Files, address: UpsAddress) -> Maybe[bool]:
    """Whether the `upsmon` that runs here obeys this UPS."""
    pids = [files.text(path) for path in _MONITOR_PIDS]
    if not any(files.text(f"/proc/{pid}/comm") == "upsmon" for pid in pids if isinstance(pid, str)):
        return Unknown("no upsmon runs here; whether another program obeys it cannot be seen")
    contents = [files.content(path) for path in MONITOR_FILES]
    content = next((one for one in contents if isinstance(one, bytes)), contents[0])
    if isinstance(content, Unknown):
        return content
    obeyed = _obeyed(content.decode("utf-8", "replace"))
    if any(_is_same(one, address) for one in obeyed):
        return True
    if any(one.name == address.name for one in obeyed):
        return Unknown(f"upsmon obeys {', '.join(map(str, obeyed))}: the same under another name?")
    return False


def _obeyed(configuration: str) -> list[UpsAddress]:
    """Of ``MONITOR SYSTEM VALUE USER PASSWORD TYPE`` (upsmon.conf(5)); value 0 only watches."""
    lines = [line.split() for line in configuration.splitlines()]
    systems = [line[1] for line in lines if line[:1] == ["MONITOR"] and line[2:3] != ["0"]]
    obeyed = []
    for system in systems:
        try:
            obeyed.append(parse_address(system if "@" in system else f"{system}@localhost"))
        except UpsAddressError:
            continue
    return obeyed


def _is_same(one: UpsAddress, other: UpsAddress) -> bool:
    hosts = {one.host.lower(), other.host.lower()}
    is_one_host = len(hosts) == 1 or hosts <= set(_THIS_MACHINE)
    return is_one_host and (one.name, one.port) == (other.name, other.port)
