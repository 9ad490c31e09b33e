"""Which passwords are taken, how they are kept, and codes of a second factor."""

import time
from datetime import UTC, datetime

import pyotp
import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY

from flashworthy_server.errors import InvalidInputError
from flashworthy_server.services import passwords, second_factor

# RFC 6238 appendix B, the rows of SHA-1: seconds since 1970 and the code of eight digits. The
# shared secret is the ASCII text "12345678901234567890".
RFC_6238 = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]
SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # the same in base32 (RFC 4648 §6)


def at(seconds):
    return datetime.fromtimestamp(seconds, UTC)


@pytest.mark.parametrize(
    ("password", "says"),
    [
        ("a b3x!7", "at least 8 characters"),  # ASVS 5.0.0, V6.2.1
        ("password1", "many people use it"),  # V6.2.4, of the 3,000 most used
        ("PassWord1", "many people use it"),
        ("iloveyou1", "many people use it"),
        ("11111111", "repeats the same few characters"),
        ("flashworthy1", "words that are tried first here"),  # V6.2.11
        ("firmware-2026", "words that are tried first here"),
        ("Ida.Fenwick1", "words that are tried first here"),  # the account's own name
        ("x" * 1025, "at most 1024 characters"),
    ],
)
def test_a_password_that_is_easy_to_guess_is_refused_with_what_to_do(password, says):
    with pytest.raises(InvalidInputError, match=says):
        passwords.check_new(password, names=("Ida Fenwick",))


@pytest.mark.parametrize(
    "password",
    [
        "qzvtrwkm",  # eight characters of one kind: no rule of composition, V6.2.5
        "heron lantern brick",  # spaces
        "żółw na drabinie",  # letters beyond ASCII
        "x7" * 32 + "quay",  # 64 and more, V6.2.9
        "the firmware is left alone unless it must",
        "\U0001f427\U0001f6f6\U0001f33b\U0001f9f6 row",
    ],
)
def test_a_password_of_any_composition_is_taken(password):
    passwords.check_new(password, names=("Ida Fenwick",))


def test_the_words_that_are_refused_are_documented(readme):
    assert [word for word in passwords.CONTEXT_WORDS if f"`{word}`" not in readme] == []
    assert "made of a person's name" in readme


def test_more_than_3000_common_passwords_of_enough_length_are_known():
    known = [each for each in passwords._common() if len(each) >= passwords.SHORTEST]

    assert len(known) >= 3000  # V6.2.4


def test_passwords_are_hashed_by_argon2id_as_rfc_9106_recommends():
    made = PasswordHasher().hash("heron lantern brick")

    assert made.startswith("$argon2id$")
    assert extract_parameters(made) == RFC_9106_LOW_MEMORY
    assert RFC_9106_LOW_MEMORY.memory_cost == 64 * 1024  # KiB; RFC 9106 §4, second option
    assert RFC_9106_LOW_MEMORY.time_cost == 3
    assert RFC_9106_LOW_MEMORY.parallelism == 4


def test_a_password_is_compared_exactly_as_it_was_given():
    kept = passwords.hash_of("Heron lantern  brick ")

    assert passwords.matches("Heron lantern  brick ", kept)
    for other in ("heron lantern  brick ", "Heron lantern brick ", "Heron lantern  brick", ""):
        assert not passwords.matches(other, kept)


def test_nobody_has_the_password_of_an_account_without_one():
    assert not passwords.matches("nobody's password", None)
    assert not passwords.matches("", "no hash at all")


def test_an_account_that_is_not_there_takes_as_long(monkeypatch):
    monkeypatch.setattr(passwords, "hasher", PasswordHasher(time_cost=2, memory_cost=8192))
    passwords._nobodys.cache_clear()
    kept = passwords.hash_of("heron lantern brick")
    passwords.matches("warm up", None)

    def seconds(password_hash):
        began = time.perf_counter()
        for _ in range(5):
            passwords.matches("wrong", password_hash)
        return time.perf_counter() - began

    assert 0.3 < seconds(None) / seconds(kept) < 3
    passwords._nobodys.cache_clear()


# ---- the second factor ------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "code"), RFC_6238)
def test_codes_are_those_of_rfc_6238(seconds, code):
    step = second_factor.step_of(SECRET, code[-6:], at(seconds), after=None)

    assert pyotp.TOTP(SECRET, digits=8).at(seconds) == code
    assert step == seconds // 30  # RFC 6238 §4.2: T = (now - T0) / X


def test_a_code_of_the_step_before_or_after_is_taken_and_no_other():
    now = 1111111111  # the first second of its step but one
    codes = {off: pyotp.TOTP(SECRET).at(now + 30 * off) for off in range(-3, 4)}

    taken = [
        off
        for off, code in codes.items()
        if second_factor.step_of(SECRET, code, at(now), after=None) is not None
    ]

    assert taken == [-1, 0, 1]  # RFC 6238 §5.2: at most one step for the delay of transmission


def test_a_code_is_taken_once():
    step = second_factor.step_of(SECRET, "005924", at(1234567890), after=None)

    assert second_factor.step_of(SECRET, "005924", at(1234567890), after=step) is None


@pytest.mark.parametrize("code", ["", "00592", "0059240", "abcdef", "\u0660" * 6, "\ud800"])
def test_what_is_no_code_is_not_taken(code):
    assert second_factor.step_of(SECRET, code, at(1234567890), after=None) is None


def test_a_code_may_be_typed_with_spaces():
    assert second_factor.step_of(SECRET, "005 924", at(1234567890), after=None) is not None


def test_secrets_are_as_long_as_rfc_4226_recommends():
    made = {second_factor.new_secret() for _ in range(20)}

    assert len(made) == 20
    assert {len(secret) * 5 for secret in made} == {160}  # bits; RFC 4226 §4, R6


def test_recovery_codes_hold_112_bits_and_more():
    codes = second_factor.new_recovery_codes()

    assert len(set(codes)) == second_factor.RECOVERY_CODES
    assert {len(code.replace("-", "")) * 5 for code in codes} == {120}  # bits; ASVS V6.5.2
