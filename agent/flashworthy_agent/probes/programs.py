"""Asking the operating system's own programs, each answer an outcome or the reason for none.

Programs run without a shell, in the C locale, with nothing on standard input, and are ended with
everything that they started once their time is over.
"""

import os
import shutil
import signal
import subprocess
from typing import NamedTuple

from flashworthy_agent.probes.files import ANOTHER_ROOT
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
    """The programs of the running system."""

    def has(self, name: str) -> bool:
        return shutil.which(name) is not None

    def said(self, arguments: list[str], timeout_seconds: float) -> Maybe[str]:
        """What a program that ends well says, or why there is nothing to go by."""
        outcome = self.run(arguments, timeout_seconds)
        if isinstance(outcome, Unknown):
            return outcome
        return outcome.output if outcome.status == 0 else outcome.failure(arguments[0])

    def run(self, arguments: list[str], timeout_seconds: float) -> Maybe[Outcome]:
        """The outcome of a program, or why there is none: not installed, or too slow."""
        try:
            process = subprocess.Popen(
                arguments,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=os.environ | {"LC_ALL": "C"},
                start_new_session=True,
            )
        except OSError as error:
            return Unknown(f"{arguments[0]} cannot be run: {error.strerror}")
        with process:
            try:
                output, complaint = process.communicate(timeout=timeout_seconds)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                return Unknown(f"{arguments[0]} took longer than {timeout_seconds:.0f} seconds")
        return Outcome(
            process.returncode,
            output.decode("utf-8", "replace"),
            complaint.decode("utf-8", "replace"),
        )


class NoPrograms(Programs):
    """Stands for the programs of a system that does not run."""

    def has(self, name: str) -> bool:
        return False

    def run(self, arguments: list[str], timeout_seconds: float) -> Maybe[Outcome]:
        return ANOTHER_ROOT
