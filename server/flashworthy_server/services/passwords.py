"""Passwords: which are refused, and how they are kept.

The rules are those of OWASP ASVS 5.0.0, V6.2: at least 8 characters, 15 advised; any characters;
none of the passwords that are common or leaked; none that is made of words which an attacker of
this site would try first. Nothing is cut off or folded, and nothing expires.
"""

import re
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from flashworthy_server.errors import InvalidInputError

SHORTEST = 8  # characters; ASVS 5.0.0, V6.2.1
ADVISED = 15  # characters; ASVS 5.0.0, V6.2.1
LONGEST = 1024  # characters; V6.2.9 asks for 64 at least, and a bound keeps hashing cheap

# Words of this program and its trade; the names of account and site are added (V6.1.2, V6.2.11).
CONTEXT_WORDS = frozenset(
    {"flashworthy", "firmware", "bios", "uefi", "technician", "administrator"}
)
_LETTERS_LEFT = 4  # a password must have this many beside context words

# argon2id with 64 MiB, 3 passes, 4 lanes: RFC 9106 §4, second recommended option.
hasher = PasswordHasher()


def check_new(password: str, *, names: tuple[str, ...] = ()) -> None:
    """Refuse a password that is too easy to guess.

    Args:
        names: of the account and the site.

    Raises:
        InvalidInputError: with what to do.
    """
    if len(password) < SHORTEST:
        raise _refusal(f"expected at least {SHORTEST} characters, better {ADVISED}")
    if len(password) > LONGEST:
        raise _refusal(f"expected at most {LONGEST} characters, got {len(password)}")
    if len(set(password)) < _LETTERS_LEFT:
        raise _refusal("it repeats the same few characters; choose another")
    if password.casefold() in _common():
        raise _refusal("many people use it, and it is tried first; choose another")
    if _is_mostly(password.casefold(), CONTEXT_WORDS | _words_of(names)):
        raise _refusal("it is made of words that are tried first here; choose another")


def hash_of(password: str) -> str:
    return hasher.hash(password)


def matches(password: str, password_hash: str | None) -> bool:
    """Whether it is the password; takes as long where there is no hash to compare with."""
    try:
        return hasher.verify(password_hash or _nobodys(), password) and password_hash is not None
    except (VerificationError, InvalidHashError):
        return False


@cache
def _nobodys() -> str:
    return hasher.hash("nobody's password")


@cache
def _common() -> frozenset[str]:
    """The 30,000 most used passwords of leaks, as the zxcvbn library has them."""
    from zxcvbn.frequency_lists import FREQUENCY_LISTS  # here: it is long, and seldom needed

    return frozenset(FREQUENCY_LISTS["passwords"])


def _is_mostly(text: str, words: frozenset[str]) -> bool:
    """Whether hardly anything but digits and signs is left of a text without some words."""
    left = text
    for word in sorted(words, key=len, reverse=True):
        left = left.replace(word, "")
    letters = re.sub(r"[\W\d_]", "", left)
    return left != text and len(letters) < _LETTERS_LEFT and len(left) < ADVISED


def _words_of(names: tuple[str, ...]) -> frozenset[str]:
    words = {word for name in names for word in re.split(r"\W+", name.casefold())}
    return frozenset(word for word in words if len(word) > 2)


def _refusal(message: str) -> InvalidInputError:
    return InvalidInputError("password", message)
