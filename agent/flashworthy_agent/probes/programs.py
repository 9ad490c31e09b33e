"""The operating system's own programs, each answer an outcome or the reason for none."""

from typing import NamedTuple

from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import Inputs
from flashworthy_common.values import Maybe, Unknown


class Outcome(NamedTuple):
    """How a program ended, and what it said."""

    status: int
    output: str
    complaint: str  # what it wrote to standard error

    def failure(self, program: str) -> Unknown:
        """Why there is no answer, in the program's own first words."""
        first = next(iter(self.complaint.strip().splitlines()), "nothing said")
        return Unknown(f"{program} ended with status {self.status}: {first[:200]}")


class Programs:
    """The programs of a system; one that does not run has none."""

    def __init__(self, inputs: Inputs) -> None:
        self._inputs = inputs

    def has(self, name: str) -> bool:
        try:
            return bool(self._inputs.ask("has program", name))
        except OSError:
            return False

    def said(self, arguments: list[str], timeout_seconds: float) -> Maybe[str]:
        """What a program that ends well says, or why there is nothing to go by."""
        outcome = self.run(arguments, timeout_seconds)
        if isinstance(outcome, Unknown):
            return outcome
        return outcome.output if outcome.status == 0 else outcome.failure(arguments[0])

    def run(self, arguments: list[str], timeout_seconds: float) -> Maybe[Outcome]:
        """The outcome of a program, or why there is none: not installed, or too slow."""
        if not self._inputs.is_live:
            return ANOTHER_ROOT
        try:
            status, output, complaint = self._inputs.ask(
                "program", *arguments, seconds=timeout_seconds
            )
        except OSError as error:
            return Unknown(f"{arguments[0]} cannot be run: {error.strerror}")
        if status is None:
            return Unknown(f"{arguments[0]} took longer than {timeout_seconds:.0f} seconds")
        return Outcome(
            status, output.decode("utf-8", "replace"), complaint.decode("utf-8", "replace")
        )
