"""Windows' raw answers as values, or as the reasons why there are none."""

from typing import Any

from flashworthy_agent.probes.inputs import Answer, Inputs
from flashworthy_common.values import MAX_TEXT_CHARACTERS, Maybe, Unknown

CURRENT_CONTROL = r"SYSTEM\CurrentControlSet\Control"
# "Registry Value Types"
REG_SZ, REG_EXPAND_SZ, REG_BINARY, REG_DWORD, REG_MULTI_SZ, REG_QWORD = 1, 2, 3, 4, 7, 11


class System:
    """Whatever answers as Windows does."""

    def __init__(self, inputs: Inputs) -> None:
        self._inputs = inputs

    def answer(self, kind: str, *about: str) -> Answer:
        """The raw answer to a question, or an `Unknown`."""
        try:
            return self._inputs.ask(kind, *about)
        except OSError as error:
            return Unknown(_reason(" ".join((kind, *about)), error))

    def text(self, key: str, name: str) -> Maybe[str]:
        """A value of the registry that is text; blank is unknown."""
        value = self._value(key, name, str, REG_SZ, REG_EXPAND_SZ)
        if isinstance(value, Unknown):
            return value
        text = str(value).strip(" \0")
        if not text:
            return Unknown(f"blank: {key}: {name}")
        return text if len(text) <= MAX_TEXT_CHARACTERS else Unknown(f"too long: {key}: {name}")

    def number(self, key: str, name: str) -> Maybe[int]:
        """A value of the registry that is a number."""
        number: Maybe[int] = self._value(key, name, int, REG_DWORD, REG_QWORD)
        return number

    def octets(self, key: str, name: str) -> Maybe[bytes]:
        octets: Maybe[bytes] = self._value(key, name, bytes, REG_BINARY)
        return octets

    def texts(self, key: str, name: str) -> Maybe[list[str]]:
        """A value of the registry that is a list of texts."""
        value = self._value(key, name, list, REG_MULTI_SZ)
        return value if isinstance(value, Unknown) else [one for one in value if one]

    def keys(self, key: str) -> Maybe[list[str]]:
        """The names of the keys below one of the registry."""
        keys: Maybe[list[str]] = self.answer("registry keys", key)
        return keys

    def free_bytes(self, folder: str) -> Maybe[int]:
        room: Maybe[int] = self.answer("free bytes", folder)
        return room

    def has_key(self, key: str) -> Maybe[bool]:
        try:
            self._inputs.ask("registry keys", key)
        except FileNotFoundError:
            return False
        except OSError as error:
            return Unknown(_reason(key, error))
        return True

    def has_value(self, key: str, name: str) -> Maybe[bool]:
        try:
            self._inputs.ask("registry value", key, name)
        except FileNotFoundError:
            return False
        except OSError as error:
            return Unknown(_reason(f"{key}: {name}", error))
        return True

    def _value(self, key: str, name: str, kind: type, *types: int) -> Any:
        try:
            type_number, value = self._inputs.ask("registry value", key, name)
        except OSError as error:
            return Unknown(_reason(f"{key}: {name}", error))
        if type_number not in types or not isinstance(value, kind):
            return Unknown(f"expected another type of value in {key}: {name}, got {value!r:.60}")
        return value


def _reason(what: str, error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return f"not there: {what}"
    if isinstance(error, PermissionError):
        return f"permission denied: {what}; run as administrator"
    return f"cannot be read: {what}: {error.strerror}"
