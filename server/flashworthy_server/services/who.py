"""Who does something: a person, a program, a machine's agent, or whoever sits at the terminal.

Every use case that changes something is told, and says so in the audit trail.
"""

from dataclasses import dataclass
from enum import Enum


class Role(Enum):
    """What a person, a program or a machine may do; each person's role has all of the one before.

    Which role may use which route stands in `web.access`.
    """

    VIEWER = "viewer"  # reads
    TECHNICIAN = "technician"  # and records what was read, seen and done
    ADMINISTRATOR = "administrator"  # and says who may do what
    MACHINE = "machine"  # an agent: reports for its machine, and reads what is its own


PEOPLE = (Role.VIEWER, Role.TECHNICIAN, Role.ADMINISTRATOR)  # from the least to the most


class Kind(Enum):
    PERSON = "person"  # by an account
    PROGRAM = "program"  # by a token that is nobody's
    MACHINE = "machine"  # by its agent's token
    CODE = "code"  # whoever holds an enrolment code or a first code
    TERMINAL = "terminal"  # a user of the system that the server runs on
    STRANGER = "stranger"  # nobody who is known


@dataclass(frozen=True, slots=True)
class MachineAgent:
    """The agent of one machine."""

    machine_id: int
    agent_id: str
    rotate_token: bool = False  # it should ask for a new token
    token_digest: str = ""  # of the token that let it in


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Whoever does something.

    `name` is an account's, a token's, a user's, a number such as ``#12``, or empty; `role` is none
    where nobody is signed in; `address` is where the request came from, none at the terminal.
    """

    kind: Kind
    name: str = ""
    role: Role | None = None
    address: str | None = None
    account_id: int | None = None  # of a person
    machine: MachineAgent | None = None  # of an agent

    @property
    def known_as(self) -> str:
        """The name under what they state."""
        return self.name or self.kind.value

    def __str__(self) -> str:
        return f"{self.kind.value}: {self.name}" if self.name else self.kind.value


def stranger(address: str | None) -> Who:
    return Who(kind=Kind.STRANGER, address=address)


def at_the_terminal(user: str) -> Who:
    """Whoever may open the database by its file may do everything."""
    return Who(kind=Kind.TERMINAL, name=user, role=Role.ADMINISTRATOR)
