"""How far a sending of reports came."""

from typing import NamedTuple


class Delivery(NamedTuple):
    """What became of the reports that were tried."""

    acknowledged: int = 0  # reports that the server has
    set_aside: tuple[str, ...] = ()  # why, one per report
    notes: tuple[str, ...] = ()  # what else people should know
    stopped: str | None = None  # why the rest was not tried; None: all was
    may_settle_soon: bool = False  # what stopped it may pass by itself
    retry_after_seconds: float | None = None  # what the server asked for

    def then(self, later: "Delivery") -> "Delivery":
        """Both together; what counts is how the later one ended."""
        return Delivery(
            self.acknowledged + later.acknowledged,
            self.set_aside + later.set_aside,
            tuple(dict.fromkeys(self.notes + later.notes)),
            later.stopped,
            later.may_settle_soon,
            later.retry_after_seconds,
        )
