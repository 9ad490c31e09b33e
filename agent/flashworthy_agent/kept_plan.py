"""The plan that the server handed out last: what the look on the spot goes by without a network.

- It is kept as it came, on disk whole or not at all, for its owner only: it tells of people.
- The server names the plan's digest with every report that it takes. The same digest lets the
  plan count from then on; another one makes the agent fetch the plan anew.
- How old a plan is, the machine's own clock says: between two contacts nothing else is there.
- A plan that cannot be read is none, which is said; it is fetched again at the next contact.
"""

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flashworthy_agent.durable import make_private_folder, write_durably
from flashworthy_agent.errors import StateError
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.values import Maybe, Unknown, from_json, read_time, write_time

if TYPE_CHECKING:
    from flashworthy_common.plan import Plan

_CLOCK_UNKNOWN = Unknown("the server did not tell its time")


class KeptPlan:
    """The one file of one agent."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "plan.json"

    @property
    def digest(self) -> str | None:
        """Of the plan that is kept; none without one that can be read."""
        found = self._content().get("digest")
        return found if isinstance(found, str) else None

    @property
    def look_for(self) -> tuple[str, ...]:
        """Drivers and packages whose versions the plan asks for."""
        found = self._content().get("look_for")
        return tuple(filter(_is_text, found)) if isinstance(found, list) else ()

    def keep(self, answer: dict[str, Any], at: datetime, clock_ahead_seconds: float | None) -> None:
        """Keep what the server answered.

        Args:
            clock_ahead_seconds: of this machine's clock, before the server's.
        """
        contact = {"holds_from": write_time(at), "clock_ahead_seconds": clock_ahead_seconds}
        make_private_folder(self._file.parent)
        write_durably(self._file, json.dumps(answer | contact).encode())

    def renew(self, at: datetime, clock_ahead_seconds: float | None) -> None:
        """The server still stands by the plan that is kept."""
        self.keep(self._content(), at, clock_ahead_seconds)

    def load(self) -> "Plan":
        """The plan, as it counts since the last contact, by this machine's clock.

        Raises:
            StateError: there is none, or it cannot be read.
        """
        from flashworthy_common.plan import Plan  # late: only the look on the spot needs it

        content = self._content()
        if not content:
            raise StateError(f"{self._file}: no plan of the server is kept that could be read")
        try:
            plan = from_json(Plan, content.get("plan"))
            holds_from = read_time(content.get("holds_from"), "holds_from")
        except MalformedValueError as error:
            raise StateError(f"{self._file}: the kept plan is not understood: {error}") from error
        return replace(
            plan,
            issued_at=holds_from,
            expires_at=holds_from + (plan.expires_at - plan.issued_at),
            clock_difference_seconds=_clock_difference(content.get("clock_ahead_seconds")),
        )

    def _content(self) -> dict[str, Any]:
        try:
            found = json.loads(self._file.read_bytes())
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _clock_difference(ahead_seconds: object) -> Maybe[int]:
    """The server's clock minus the machine's, as it was at the last contact."""
    return -round(ahead_seconds) if isinstance(ahead_seconds, float | int) else _CLOCK_UNKNOWN
