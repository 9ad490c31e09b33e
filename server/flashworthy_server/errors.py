"""Every failure that the server knows, on a page.

Services raise these; what HTTP status each means stands in `api.problems`, and the command line
prints the message as one line.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from flashworthy_common.errors import FlashworthyError


class ServerError(FlashworthyError):
    """Base of all; never raised itself."""


class ConfigurationError(ServerError):
    """A setting is unknown or has no sensible value."""


class DatabaseError(ServerError):
    """The database cannot be opened, or is not of the version that this program needs."""


class BusyError(ServerError):
    """Another process keeps the database from being written; to be tried again later."""


class InvalidTokenError(ServerError):
    """A bearer token is missing, unknown, expired or revoked."""


class ForbiddenError(ServerError):
    """Whoever asks is known, and may not do this."""


class SignedOutError(ServerError):
    """Nobody is signed in, or the session has ended."""


class SignInError(ServerError):
    """Name, password or code are not right; which of them is not told."""


class ProofNeededError(ServerError):
    """The password was last given too long ago for what is asked."""


class TooManyError(ServerError):
    """Too many requests or tries; `retry_after_seconds` says when the next may succeed."""

    def __init__(self, message: str, retry_after_seconds: int) -> None:
        self.retry_after_seconds = retry_after_seconds
        super().__init__(message)


class InvalidInputError(ServerError):
    """What a person typed cannot be taken; `field` names the field of the form."""

    def __init__(self, field: str, message: str) -> None:
        self.field = field
        super().__init__(message)


class InvalidCodeError(ServerError):
    """A code is unknown, used up or expired."""


class NotFoundError(ServerError):
    """Nothing is stored under this name or number."""


class ConflictError(ServerError):
    """What is asked for contradicts what is stored."""


class AmbiguousNameError(ConflictError):
    """Several machines have the name; the message lists their numbers."""


class UnreadableBodyError(ServerError):
    """A body is not JSON, or not compressed as it says."""


class TooLargeError(ServerError):
    """A body is larger than its limit, as it came or after decompression."""


class UnsupportedBodyError(ServerError):
    """A body is of a type or coding that is not read here."""


class InvalidReportError(ServerError):
    """The envelope of a report is wrong; `fields` says of each field what is wrong with it."""

    def __init__(self, fields: dict[str, list[str]]) -> None:
        self.fields = fields
        super().__init__("; ".join(f"{name}: {' '.join(texts)}" for name, texts in fields.items()))


class MailError(ServerError):
    """The site's mail server cannot be reached, or does not take a message."""


class AuditError(ServerError):
    """The audit trail is not what was written; the message says where it breaks."""


class NoSpaceError(ServerError):
    """The disk has no room for what is to be kept; nothing of it was kept."""


class DigestError(ServerError):
    """What arrived is not what its digest says; nothing of it was kept."""


class DamagedPackageError(ServerError):
    """The file of a kept package is no longer what it was."""


class FileError(ServerError):
    """A file cannot be read, or is not what it should be."""


class CarriedReportsError(ServerError):
    """Some report of the files cannot be accepted; nothing of them was kept."""


@dataclass(frozen=True, slots=True)
class BadRow:
    """One thing that is wrong with a row of a document, or with a form."""

    position: str  # such as "releases[3]", counted from 0; empty: the one row that was sent
    reason: str
    field: str = ""  # within the row, such as "models[0]"; empty: the row as a whole
    line: int | None = None  # of the file, counted from 1; none: not known

    @property
    def where(self) -> str:
        """Position and field, such as "releases[3].models[0]"."""
        return f"{self.position}.{self.field}".strip(".")


class BadRowsError(ServerError):
    """Something has bad rows or fields; nothing of it was kept."""

    def __init__(self, rows: Iterable[BadRow]) -> None:
        self.rows = tuple(rows)
        positions = {row.position for row in self.rows}
        count, what = len(positions), "row"
        if positions == {""}:
            count, what = len({row.field for row in self.rows}), "field"
        super().__init__(f"{count} bad {what}{'s' if count > 1 else ''}; nothing was recorded")
