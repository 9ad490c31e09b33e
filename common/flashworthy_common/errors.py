"""Every failure that the domain knows, on a page.

All of them derive from `FlashworthyError`; a message says what was expected, what came, and,
where a person can mend it, what to do.
"""


class FlashworthyError(Exception):
    """Base of all; never raised itself."""


class MalformedValueError(FlashworthyError):
    """A JSON value is not what its field asks for; the message begins with the field's path."""

    def __init__(self, path: str, expected: str, got: object) -> None:
        self.path = path
        shown = repr(got)
        shown = shown if len(shown) <= 80 else shown[:77] + "..."
        super().__init__(f"{path}: expected {expected}, got {shown}")


class SmbiosError(FlashworthyError):
    """The bytes hold no SMBIOS table or entry point at all."""
