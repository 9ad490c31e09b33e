"""Firmware versions of one combination's model, each read once, each pair ordered once."""

from functools import lru_cache

from flashworthy_common.makers import Combination
from flashworthy_common.versions import (
    FirmwareVersion,
    Order,
    describe,
    is_release,
    parse_version,
    sort_key,
)
from flashworthy_common.versions.order import relation

MOST_REMEMBERED = 64  # models: the combinations of one are worked out one after the other

_THE_OTHER_WAY_ROUND = {
    Order.OLDER: Order.NEWER,
    Order.NEWER: Order.OLDER,
    Order.SAME: Order.SAME,
    Order.UNKNOWN: Order.UNKNOWN,
}


class Ordering:
    """Answers like `flashworthy_common.versions.compare`, for one maker and model."""

    def __init__(self, *, maker: str, model: str) -> None:
        self._maker, self._model = maker, model
        self._known: dict[str, FirmwareVersion] = {}
        self._orders: dict[tuple[str, str], Order] = {}

    @classmethod
    def of(cls, combination: Combination) -> "Ordering":
        """The one of its model, shared with the model's other combinations."""
        maker, model, *_ = combination.key
        return _of_model(maker, model)

    @classmethod
    def of_maker(cls, maker: str) -> "Ordering":
        """Of versions whose model does not matter."""
        return _of_model(maker, "")

    def compare(self, a_text: str, b_text: str) -> Order:
        """How ``a_text`` stands to ``b_text``."""
        known = self._orders.get((a_text, b_text))
        if known is not None:
            return known
        order, _ = relation(self._read(a_text), self._read(b_text), model=self._model)
        self._orders[a_text, b_text] = order
        self._orders[b_text, a_text] = _THE_OTHER_WAY_ROUND[order]
        return order

    def is_newer(self, a_text: str, b_text: str) -> bool:
        return self.compare(a_text, b_text) is Order.NEWER

    def reaches(self, text: str, least: str) -> bool:
        """Whether ``text`` is ``least`` or newer; not so where they cannot be ordered."""
        order = self.compare(text, least)
        return order is Order.NEWER or order is Order.SAME

    def is_readable(self, text: str) -> bool:
        return is_release(self._read(text), model=self._model)

    def why_unreadable(self, text: str) -> str:
        """Why a text that is not readable tells no release."""
        version = self._read(text)
        return f"{text!r} only repeats the model's name" if version.key else describe(version)

    def place(self, text: str) -> tuple[str, str]:
        """Sorts older before newer where that is known, and is the same on every run."""
        return sort_key(self._read(text)), text

    def spelling(self, text: str) -> tuple[str, str]:
        """The same for two texts of the same version, and for no others."""
        version = self._read(text)
        return (version.key, version.tail) if version.key else ("", text.strip())

    def _read(self, text: str) -> FirmwareVersion:
        if text not in self._known:
            self._known[text] = parse_version(text, maker=self._maker)
        return self._known[text]


def forget_orders() -> None:
    """Forget every order that `Ordering.of` remembers; answers stay the same."""
    _of_model.cache_clear()


@lru_cache(maxsize=MOST_REMEMBERED)
def _of_model(maker: str, model: str) -> Ordering:
    return Ordering(maker=maker, model=model)
