"""The limits in force: what is nearest to a machine holds.

Its place, else what is around it, else the site as a whole, else the default.
"""

import json
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from flashworthy_common.policy import Policy, policy_of
from flashworthy_server.db import Connection
from flashworthy_server.services.places import places_around
from flashworthy_server.store.policies import limits_in_force


class Limits:
    """What places set otherwise, read once; none stands for the site as a whole."""

    def __init__(self, by_place: Mapping[str | None, str]) -> None:
        """
        Args:
            by_place: canonical JSON of each.
        """
        self._by_place = dict(by_place)
        self._found: dict[str | None, Policy] = {}

    def policy_at(self, place: str | None) -> Policy:
        """The policy that holds at a place; with none, for the site as a whole."""
        if place not in self._found:
            self._found[place] = self._policy_at(place)
        return self._found[place]

    def _policy_at(self, place: str | None) -> Policy:
        is_all_alike = not self._by_place.keys() - {None}
        around = (None,) if is_all_alike or not place else (None, *places_around(place))
        return _policy(tuple(self._by_place[each] for each in around if each in self._by_place))

    def set_at(self, place: str | None) -> dict[str, Any]:
        """What one place itself sets."""
        limits: dict[str, Any] = json.loads(self._by_place.get(place, "{}"))
        return limits

    def with_limits(self, place: str | None, limits: str) -> "Limits":
        """The same, if a place set these."""
        return Limits(self._by_place | {place: limits})


def load_limits(connection: Connection) -> Limits:
    return Limits({row.place: row.limits for row in limits_in_force(connection)})


@lru_cache(maxsize=256)  # places that set something otherwise; one policy serves all its machines
def _policy(layers: tuple[str, ...]) -> Policy:
    return policy_of(map(json.loads, layers))
