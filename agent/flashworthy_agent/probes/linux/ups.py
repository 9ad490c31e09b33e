"""Whether this machine shuts down on a UPS's command.

The program that obeys a UPS here is `upsmon`. Of its configuration only the lines that say which
UPS it obeys are kept, without the name and password in them.
"""

from flashworthy_agent.errors import UpsAddressError
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.ups import UpsAddress, parse_address
from flashworthy_common.values import Maybe, Unknown

_MONITOR_PIDS = ("/run/nut/upsmon.pid", "/run/upsmon.pid")
MONITOR_FILES = ("/etc/nut/upsmon.conf", "/etc/ups/upsmon.conf")
_THIS_MACHINE = ("localhost", "127.0.0.1", "::1")


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
    monitors = [line for line in lines if line[:1] == ["MONITOR"] and len(line) > 1]
    systems = [line[1] for line in monitors if line[2:3] != ["0"]]
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
