"""Places: paths of names from the outside in, such as ``Alder Lane / ground floor``.

Who says where a machine stands counts. A person's word of one machine stays, whatever is said
later; then comes the site's list of machines, then what an enrolment code says, then what an agent
says, which follows the machine about. The site's rules say it where nobody else does: what is said
of many counts less than what is said of one.
"""

from dataclasses import replace
from enum import Enum

from flashworthy_common.visits.place_rules import place_by_rules
from flashworthy_server.db import Connection
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import places as store
from flashworthy_server.store.machines import StoredMachine

SEPARATOR = " / "


class PlaceBy(Enum):
    """Who says it, from the weakest."""

    RULE = "rule"  # of the site, by hostname and address
    AGENT = "agent"  # or a carried report
    CODE = "code"  # of its enrolment
    LIST = "list"  # of the site, by hostname
    HAND = "hand"


_FROM_WEAKEST = (None, *(each.value for each in PlaceBy))


def note_place(
    connection: Connection, machine: StoredMachine, place: str | None, by: PlaceBy
) -> StoredMachine:
    """Take a place in, unless nothing is said, or someone who counts for more has said another.

    Returns:
        The machine as it is then.
    """
    if place is None or place == machine.place or not may_say(by, machine.place_by):
        return machine
    machine_store.save_place(connection, machine.id, place, by.value)
    return replace(machine, place=place, place_by=by.value)


def may_say(by: PlaceBy, instead_of: str | None) -> bool:
    """Whether one who says it counts for as much as whoever said it before."""
    return _FROM_WEAKEST.index(by.value) >= _FROM_WEAKEST.index(instead_of)


def follow_rules(
    connection: Connection, machine: StoredMachine, hostname: str, address: str | None
) -> StoredMachine:
    """Where the rules say that it stands; they are asked where what they go by is new.

    Returns:
        The machine as it is then.
    """
    known_by = (machine.name, machine.newest.address if machine.newest else None)
    if (hostname, address) == known_by or not may_say(PlaceBy.RULE, machine.place_by):
        return machine
    place = place_by_rules(store.load_rules(connection), hostname, address)
    if place == machine.place:
        return machine
    by = PlaceBy.RULE.value if place else None
    machine_store.save_place(connection, machine.id, place, by)
    return replace(machine, place=place, place_by=by)


def place_of_rules(connection: Connection, machine: StoredMachine) -> str | None:
    """Where the site's rules say that a machine stands; none: no rule fits."""
    address = machine.newest.address if machine.newest else None
    return place_by_rules(store.load_rules(connection), machine.name, address)


def canonical_place(text: str | None) -> str | None:
    """One spelling of a place; none for a text without a name in it.

    >>> canonical_place("Alder Lane/ ground  floor /")
    'Alder Lane / ground floor'
    """
    names = [" ".join(name.split()) for name in (text or "").split("/")]
    return SEPARATOR.join(filter(None, names)) or None


def places_around(place: str) -> list[str]:
    """A place and what it stands in, the outermost first.

    >>> places_around("Alder Lane / ground floor")
    ['Alder Lane', 'Alder Lane / ground floor']
    """
    names = place.split(SEPARATOR)
    return [SEPARATOR.join(names[: count + 1]) for count in range(len(names))]


def outermost(place: str) -> str:
    return place.split(SEPARATOR)[0]
