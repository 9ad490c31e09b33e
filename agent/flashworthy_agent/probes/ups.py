"""What a UPS server knows of a UPS: the reading half of RFC 9271.

- Read only: nothing but ``LIST UPS`` and ``LIST VAR`` is ever sent, and no name and password.
- An answer is bounded in time and bytes; whatever is wrong with it is a `UpsError`.
- ``ERR`` in place of a list is an answer too, and is told in words.
"""

import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from flashworthy_agent.errors import UpsAddressError, UpsError
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import Inputs
from flashworthy_common.report import PowerSection, Ups
from flashworthy_common.values import Maybe, Unknown

if TYPE_CHECKING:
    from flashworthy_agent.probes.access import Access

PORT = 3493  # RFC 9271 §7
ANSWER_SECONDS = 8.0  # for all of them together
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")  # RFC 9271 §4.4: a dot, no exponent
_MOST_LOAD_PERCENT = 1000
_LONGEST_RUNTIME_SECONDS = 2**40
MAX_ANSWER_BYTES = 1 << 18
_ADDRESS = re.compile(
    r"""(?P<name> [^\s@"\\]+ ) @
        (?P<host> \[[0-9A-Fa-f:.]+\] | [^\s:@\[\]]+ )
        (?: : (?P<port> [0-9]{1,5}) )?""",
    re.VERBOSE,
)
_WORD = re.compile(r'"(?P<quoted>(?:[^"\\]|\\.)*)"|(?P<plain>[^\s"]+)')
_ERRORS = {
    "DATA-STALE": "its driver no longer hears from the UPS",
    "DRIVER-NOT-CONNECTED": "the driver of the UPS does not run",
    "ACCESS-DENIED": "it does not answer this machine",
}


class UpsAddress(NamedTuple):
    """Which UPS of which server."""

    name: str
    host: str
    port: int = PORT

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.name}@{host}" + ("" if self.port == PORT else f":{self.port}")


def parse_address(text: str) -> UpsAddress:
    """``NAME@HOST`` or ``NAME@HOST:PORT``; an IPv6 address in brackets.

    Raises:
        UpsAddressError: anything else.
    """
    match = _ADDRESS.fullmatch(text.strip())
    port = int(match["port"] or PORT) if match else 0
    if match is None or not 0 < port < 1 << 16:
        raise UpsAddressError(f"expected NAME@HOST or NAME@HOST:PORT of a UPS, got {text!r}")
    return UpsAddress(match["name"], match["host"].strip("[]"), port)


def look_at_ups(
    access: "Access", shuts_this_down: Callable[[UpsAddress], Maybe[bool]]
) -> PowerSection:
    """The section with nothing but the configured UPSes: a server may know others of others.

    Args:
        shuts_this_down: whether this machine shuts down on a UPS's command.
    """
    if not access.ups:
        return PowerSection(ups=Unknown("no UPS is configured"))
    if not access.is_live:
        return PowerSection(ups=ANOTHER_ROOT)
    seconds = ANSWER_SECONDS / len(access.ups)
    return PowerSection(
        ups=tuple(_ask_ups(access.inputs, one, seconds, shuts_this_down(one)) for one in access.ups)
    )


def _ask_ups(inputs: Inputs, address: UpsAddress, seconds: float, obeyed: Maybe[bool]) -> Ups:
    """One UPS as its server tells it within so many seconds."""
    try:
        variables = read_variables(inputs, address, seconds)
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


def read_variables(inputs: Inputs, address: UpsAddress, timeout_seconds: float) -> dict[str, str]:
    """Every variable of a UPS, by name, as its server tells it.

    Raises:
        UpsError: no answer, or none that holds the variables.
    """
    try:
        lines = iter(inputs.ask("UPS", *address, seconds=timeout_seconds))
    except TimeoutError as error:
        raise UpsError(f"no whole answer within {timeout_seconds:g} seconds") from error
    except OSError as error:
        raise UpsError(f"the UPS server cannot be reached: {error.strerror or error}") from error
    require_known(lines, address.name)
    found = read_list(lines, f"VAR {address.name}")
    return {words[2]: words[3] for words in found if len(words) == 4}


def require_known(lines: Iterator[str], name: str) -> None:
    """Reads the list of UPSes.

    Raises:
        UpsError: there is no such list, or no UPS of that name in it.
    """
    known = [words[1] for words in read_list(lines, "UPS") if len(words) > 1]
    if name not in known:
        raise UpsError(f"the UPS server has no {name}, only: {', '.join(known)}")


def read_list(lines: Iterator[str], what: str) -> list[list[str]]:
    """The lines between ``BEGIN LIST what`` and ``END LIST what``, each as its words.

    Raises:
        UpsError: an ``ERR`` answer, or one that does not hold this list whole.
    """
    first = next(lines, "")
    if first.startswith("ERR "):
        raise UpsError(_refusal(first.split(" ")[1]))
    if first != f"BEGIN LIST {what}":
        raise UpsError(f"expected BEGIN LIST {what} from the UPS server, got {first[:80]!r}")
    items: list[list[str]] = []
    for line in lines:
        if line == f"END LIST {what}":
            return items
        items.append(split_words(line))
    raise UpsError(
        f"the UPS server's answer ends in the middle, or has more than {MAX_ANSWER_BYTES} bytes"
    )


def split_words(line: str) -> list[str]:
    """Words between blanks; quoted ones with ``\\`` before a quote or backslash. [§4.4]"""
    return [
        match["plain"] if match["quoted"] is None else re.sub(r"\\(.)", r"\1", match["quoted"])
        for match in _WORD.finditer(line)
    ]


def _refusal(code: str) -> str:
    told = f"the UPS server answers {code[:40]}"
    return f"{told}: {_ERRORS[code]}" if code in _ERRORS else told
