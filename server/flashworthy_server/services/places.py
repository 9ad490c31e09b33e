"""Places: paths of names from the outside in, such as ``Alder Lane / ground floor``.

Who says where a machine stands counts: a person's word stays, whatever an agent says later; so
does what an enrolment code says; what an agent says follows the machine about.
"""

from enum import Enum

from flashworthy_server.db import Connection
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.machines import StoredMachine

SEPARATOR = " / "


class PlaceBy(Enum):
    AGENT = "agent"  # or a carried report
    CODE = "code"  # of its enrolment
    HAND = "hand"


_FROM_WEAKEST = (None, PlaceBy.AGENT.value, PlaceBy.CODE.value, PlaceBy.HAND.value)


def note_place(
    connection: Connection, machine: StoredMachine, place: str | None, by: PlaceBy
) -> None:
    """Take a place in, unless nothing is said, or someone who counts for more has said another."""
    is_weaker = _FROM_WEAKEST.index(by.value) < _FROM_WEAKEST.index(machine.place_by)
    if place is not None and place != machine.place and not is_weaker:
        machine_store.save_place(connection, machine.id, place, by.value)


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
