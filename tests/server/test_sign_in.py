"""Signing in and out: sessions, the second factor, guessing held back, codes of the terminal."""

import pyotp
import pytest

from flashworthy_server.errors import (
    ConflictError,
    InvalidCodeError,
    InvalidInputError,
    SignInError,
    TooManyError,
)
from flashworthy_server.services import accounts, audit, passwords, sessions
from flashworthy_server.services.sessions import Attempt
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site
from flashworthy_server.web import cookies
from support.site import PASSWORD, WHO

HERE, ELSEWHERE = "192.0.2.10", "198.51.100.7"  # RFC 5737
NAME = "Ida Fenwick"


@pytest.fixture
def ida(site):
    """An administrator; her name. Somebody else can sign in as one too."""
    site.person(Role.ADMINISTRATOR, "Somebody Else")
    return site.person(Role.ADMINISTRATOR, NAME)


def attempt(name=NAME, password=PASSWORD, code="", address=HERE):
    return Attempt(name, password, code, address, "a browser")


def sign_in(site, **given):
    return sessions.sign_in(site.site, attempt(**given))


def is_signed_in(site, secret):
    try:
        sessions.visitor_of(site.site, secret, HERE)
    except Exception:  # noqa: BLE001 - whatever it is, nobody is let in
        return False
    return True


def account_of(site, name=NAME):
    return accounts.account_named(site.site, name)


def actions(site, action):
    return [audit.told_of(each) for each in audit.all_entries(site.site) if each.action == action]


def outcome(site, **given):
    try:
        sign_in(site, **given)
    except SignInError:
        return "refused"
    except TooManyError:
        return "held back"
    return "let in"


# ---- on the page ------------------------------------------------------------------------------


def test_whoever_gives_name_and_password_is_let_in_and_comes_where_they_wanted(site, ida):
    browser = site.browser()
    page = browser.open("/machines?text=desk")
    asked = browser.open(page.response.headers["Location"])

    there = browser.send(asked, "Sign in", name="ida  FENWICK", password=PASSWORD)

    assert there.response.request.full_path == "/machines?text=desk"
    assert "Ida Fenwick, administrator" in there.text


@pytest.mark.parametrize(
    ("name", "password"),
    [(NAME, "wrong"), ("Nobody Known", PASSWORD), (NAME, ""), ("", ""), (NAME, PASSWORD + " ")],
)
def test_which_of_them_was_wrong_is_not_told(site, ida, name, password):
    browser = site.browser()
    asked = browser.open("/sign-in")

    page = browser.send(asked, "Sign in", name=name, password=password)

    assert page.status == 403
    assert "name, password or code are not right" in page.text
    assert page.form("Sign in").fields["name"] == name  # what was typed stays
    assert page.form("Sign in").fields["password"] == ""  # but for what is secret


@pytest.mark.parametrize(
    "to", ["//elsewhere.example/", "https://elsewhere.example", "/\\elsewhere.example", "x", "/\n"]
)
def test_nobody_is_led_to_another_host(site, ida, to):
    browser = site.browser()
    asked = browser.open("/sign-in")

    page = browser.send(asked, "Sign in", name=NAME, password=PASSWORD, to=to)

    assert page.response.request.path == "/"


def test_the_cookie_is_for_this_host_over_tls_and_not_for_script(site, ida):
    site.settle(public_url="https://flashworthy.example")
    browser = site.browser()
    asked = browser.client.get("/sign-in", base_url="https://flashworthy.example")
    cookie = asked.headers["Set-Cookie"]
    asked.close()

    # RFC 6265bis §4.1.3.2: the prefix demands Secure, Path=/ and no Domain.
    assert cookie.startswith("__Host-flashworthy=")
    assert set(cookie.split("; ")[1:]) == {"Secure", "HttpOnly", "Path=/", "SameSite=Lax"}
    hsts = asked.headers["Strict-Transport-Security"]
    assert hsts == "max-age=31536000; includeSubDomains"  # ASVS V3.4.1: a year at least


def test_a_session_is_new_at_every_sign_in(site, ida):
    browser = site.browser()
    asked = browser.open("/sign-in")
    before = browser.client.get_cookie(cookies.NAME).value

    browser.send(asked, "Sign in", name=NAME, password=PASSWORD)
    first = browser.client.get_cookie(cookies.NAME).value
    again = browser.open("/sign-in")
    browser.send(again, "Sign in", name=NAME, password=PASSWORD)

    secrets = {before, first, browser.client.get_cookie(cookies.NAME).value}
    assert len(secrets) == 3
    assert {len(secret) for secret in secrets} == {43}  # base64 of 256 bits; ASVS V7.2.3


def test_signing_out_ends_the_session_for_good(site, ida):
    browser = site.signed_in(ida)
    secret = browser.client.get_cookie(cookies.NAME).value

    browser.send(browser.open("/"), "Sign out")

    assert browser.client.get_cookie(cookies.NAME).value != secret
    assert not is_signed_in(site, secret)


def test_giving_the_password_again_makes_a_new_session_that_ends_when_the_old_one_would(site, ida):
    browser = site.signed_in(ida)
    old = browser.client.get_cookie(cookies.NAME).value
    site.clock.pass_by(minutes=20)
    asked = browser.open(browser.open("/people").response.headers["Location"])

    page = browser.send(asked, "Go on", password=PASSWORD)

    assert page.response.request.path == "/people"
    new = browser.client.get_cookie(cookies.NAME).value
    assert not is_signed_in(site, old)
    for _ in range(14):  # used all the time
        site.clock.pass_by(minutes=50)
        is_in = is_signed_in(site, new)
    assert not is_in


def test_a_wrong_password_proves_nothing(site, ida):
    browser = site.signed_in(ida)
    site.clock.pass_by(minutes=20)
    asked = browser.open("/prove?to=/people")

    page = browser.send(asked, "Go on", password="wrong")

    assert page.status == 403
    assert browser.open("/people").response.headers["Location"].startswith("/prove")


# ---- sessions ---------------------------------------------------------------------------------


def test_a_session_ends_when_it_is_not_used_for_a_while(site, ida):
    secret = sign_in(site)
    for _ in range(3):
        site.clock.pass_by(minutes=59)
        assert is_signed_in(site, secret)

    site.clock.pass_by(minutes=61)

    assert not is_signed_in(site, secret)


def test_a_session_ends_at_a_fixed_time_although_it_is_used(site, ida):
    secret = sign_in(site)
    for _ in range(23):
        site.clock.pass_by(minutes=30)
        assert is_signed_in(site, secret)

    site.clock.pass_by(minutes=30)

    assert not is_signed_in(site, secret)


def test_the_oldest_session_ends_when_there_are_too_many(site, ida):
    secrets = [sign_in(site) for _ in range(site.site.config.most_sessions + 1)]

    assert [is_signed_in(site, secret) for secret in secrets] == [False] + [True] * 10


def test_ones_sessions_are_listed_and_each_can_be_ended(site, ida):
    other = sign_in(site, address=ELSEWHERE)
    browser = site.signed_in(ida)
    page = browser.open("/account")
    assert ELSEWHERE in page.text

    browser.send(page, "End it")

    assert not is_signed_in(site, other)
    assert browser.open("/account").status == 200


def test_an_administrator_ends_anothers_session(site, ida):
    site.person(Role.VIEWER, "Tom Arrow")
    secret = sign_in(site, name="Tom Arrow")
    browser = site.signed_in(ida)
    number = account_of(site, "Tom Arrow").id

    browser.send(browser.open(f"/people/{number}"), "End it")

    assert not is_signed_in(site, secret)


def test_disabling_an_account_ends_its_sessions_and_tokens(site, ida):
    site.person(Role.VIEWER, "Tom Arrow")
    secret = sign_in(site, name="Tom Arrow")
    token = own_token(site, secret)
    assert site.get("/overview", token=token).status_code == 200

    accounts.disable(site.site, WHO, account_of(site, "Tom Arrow").id)

    assert not is_signed_in(site, secret)
    assert site.get("/overview", token=token).status_code == 401
    assert outcome(site, name="Tom Arrow") == "refused"


def own_token(site, secret):
    browser = site.browser()
    browser.client.set_cookie(cookies.NAME, secret)
    page = browser.send(browser.open("/account"), "Make a token", name="laptop", days="9")
    return next(word for word in page.text.split() if word.startswith("fwtoken_"))


def test_a_changed_password_ends_the_other_sessions(site, ida):
    other = sign_in(site)
    browser = site.signed_in(ida)

    page = browser.send(
        browser.open("/account"), "Change it", old_password=PASSWORD, password="quay windlass tar"
    )

    assert page.status == 200
    assert not is_signed_in(site, other)
    assert browser.open("/account").status == 200
    assert outcome(site) == "refused"
    assert outcome(site, password="quay windlass tar") == "let in"


def test_the_present_password_is_needed_to_change_it(site, ida):
    browser = site.signed_in(ida)

    page = browser.send(
        browser.open("/account"), "Change it", old_password="wrong", password="quay windlass tar"
    )

    assert (page.status, "this is not your password" in page.text) == (422, True)


# ---- guessing ---------------------------------------------------------------------------------


@pytest.fixture
def looked_at(monkeypatch):
    """The passwords that were compared."""
    found, compare = [], passwords.matches

    def counted(password, password_hash):
        found.append(password)
        return compare(password, password_hash)

    monkeypatch.setattr(passwords, "matches", counted)
    return found


@pytest.mark.tedious
def test_of_a_thousand_tries_at_one_account_from_one_address_ten_are_looked_at(
    site, ida, looked_at
):
    results = [outcome(site, password=f"guess {number}") for number in range(1000)]

    assert (results.count("refused"), results.count("held back")) == (10, 990)
    assert looked_at == [f"guess {number}" for number in range(10)]
    assert outcome(site) == "held back"  # though it is the right one


@pytest.mark.tedious
def test_of_a_thousand_tries_from_one_address_at_as_many_accounts_thirty_are_looked_at(
    site, ida, looked_at
):
    results = [outcome(site, name=f"name {number}") for number in range(1000)]

    assert (results.count("refused"), len(looked_at)) == (30, 30)


@pytest.mark.tedious
def test_of_a_thousand_tries_at_one_account_from_as_many_addresses_fifty_are_looked_at(
    site, ida, looked_at
):
    places = [f"2001:db8::{number:x}" for number in range(1000)]  # RFC 3849

    results = [outcome(site, password="guess", address=place) for place in places]

    assert (results.count("refused"), len(looked_at)) == (50, 50)


def test_whoever_guesses_from_elsewhere_does_not_shut_the_owner_out(site, ida):
    sign_in(site, address=HERE)  # is known here
    for number in range(60):
        outcome(site, password="guess", address=f"2001:db8::{number:x}")

    assert outcome(site, address=ELSEWHERE) == "held back"
    assert outcome(site, address=HERE) == "let in"


def test_it_holds_for_all_processes_together(site, ida):
    other = Site(site.site.database, site.site.config, site.clock)
    for number in range(5):
        outcome(site, password=f"guess {number}")
        with pytest.raises(SignInError):
            sessions.sign_in(other, attempt(password=f"other {number}"))

    with pytest.raises(TooManyError):
        sessions.sign_in(other, attempt())


def test_after_a_while_one_may_try_again_and_is_told_when(site, ida):
    for _ in range(11):
        outcome(site, password="guess")
    site.clock.pass_by(minutes=5)

    with pytest.raises(TooManyError) as held:
        sign_in(site)
    assert held.value.retry_after_seconds == 600
    assert str(held.value) == "too many tries: wait 10 minute(s), then try again"

    site.clock.pass_by(minutes=10)
    assert outcome(site) == "let in"


def test_the_page_tells_when_to_try_again(site, ida):
    browser = site.browser()
    for _ in range(11):
        page = browser.send(browser.open("/sign-in"), "Sign in", name=NAME, password="guess")

    assert page.status == 429
    assert page.response.headers["Retry-After"] == "900"  # RFC 6585 §4, RFC 9110 §10.2.3
    assert "too many tries: wait 15 minute(s)" in page.text


def test_those_who_mistype_now_and_then_are_not_held_back(site, ida):
    for _ in range(40):
        assert outcome(site, password="heron lantern brik") == "refused"
        assert outcome(site) == "let in"


# ---- the second factor ------------------------------------------------------------------------


@pytest.fixture
def authenticator(site, ida):
    """A browser with a second factor set up in it, and what shows the codes."""
    browser = site.signed_in(ida)
    page = browser.send(browser.open("/account"), "Set up a second factor")
    secret = account_of(site).totp_pending
    assert secret in page.text
    totp = pyotp.TOTP(secret)
    page = browser.send(page, "From now on, ask me for a code", code=totp.at(site.clock.now))
    site.clock.pass_by(minutes=1)
    browser.codes = [word for word in page.text.split() if word.count("-") == 3]
    browser.totp = totp
    return browser


def test_with_a_second_factor_the_password_alone_lets_nobody_in(site, authenticator):
    assert outcome(site) == "refused"
    assert outcome(site, code="000000") == "refused"
    assert outcome(site, code=authenticator.totp.at(site.clock.now)) == "let in"


def test_a_code_lets_in_once(site, authenticator):
    code = authenticator.totp.at(site.clock.now)

    assert [outcome(site, code=code) for _ in range(2)] == ["let in", "refused"]


def test_a_recovery_code_lets_in_once_and_is_told(site, authenticator):
    assert len(authenticator.codes) == 10
    code = authenticator.codes[3].upper().replace("-", " ")

    assert [outcome(site, code=code) for _ in range(2)] == ["let in", "refused"]
    assert len(actions(site, "recovery-code.use")) == 1
    assert "9 recovery codes are left" in authenticator.open("/account").text


def test_new_recovery_codes_make_the_old_ones_worthless(site, authenticator):
    page = authenticator.send(authenticator.open("/account"), "Make new recovery codes")
    new = [word for word in page.text.split() if word.count("-") == 3]

    assert outcome(site, code=authenticator.codes[0]) == "refused"
    assert outcome(site, code=new[0]) == "let in"


def test_a_code_that_is_not_right_sets_nothing_up(site, ida):
    browser = site.signed_in(ida)
    page = browser.send(browser.open("/account"), "Set up a second factor")

    page = browser.send(page, "From now on, ask me for a code", code="123")

    assert page.status == 422
    assert account_of(site).totp_secret is None


def test_the_picture_of_the_key_is_there_until_it_is_confirmed(site, ida):
    browser = site.signed_in(ida)
    browser.send(browser.open("/account"), "Set up a second factor")
    picture = browser.client.get("/account/second-factor.svg")
    assert picture.content_type == "image/svg+xml"
    assert b"<svg" in picture.data
    assert picture.headers["Cache-Control"] == "no-store"

    code = pyotp.TOTP(account_of(site).totp_pending).at(site.clock.now)
    page = browser.open("/account")
    browser.send(page, "From now on, ask me for a code", code=code)

    assert browser.open("/account/second-factor.svg").status == 404


def test_the_second_factor_is_asked_for_to_change_what_lets_in(site, authenticator):
    site.clock.pass_by(minutes=20)
    asked = authenticator.open("/prove?to=/account")

    refused = authenticator.send(asked, "Go on", password=PASSWORD, code="")
    code = authenticator.totp.at(site.clock.now)
    there = authenticator.send(asked, "Go on", password=PASSWORD, code=code)

    assert refused.status == 403
    assert there.response.request.path == "/account"


def test_a_forgotten_password_leaves_the_second_factor_as_it_is(site, authenticator):
    made = accounts.reset(site.site, WHO, account_of(site).id)
    accounts.set_up(site.site, HERE, NAME, made.code, "quay windlass tar")

    assert outcome(site, password="quay windlass tar") == "refused"
    site.clock.pass_by(minutes=1)
    code = authenticator.totp.at(site.clock.now)
    assert outcome(site, password="quay windlass tar", code=code) == "let in"


def test_a_lost_second_factor_is_dropped_by_itself_and_told(site, authenticator):
    made = accounts.reset(site.site, WHO, account_of(site).id, drop_second_factor=True)
    accounts.set_up(site.site, HERE, NAME, made.code, "quay windlass tar")

    assert outcome(site, password="quay windlass tar") == "let in"
    assert actions(site, "account.reset")[-1]["before"]["second_factor"] is True


def test_a_site_may_ask_everyone_for_a_second_factor(site, ida):
    site.settle(second_factor_required=True)
    browser = site.signed_in(ida)

    assert browser.open("/machines").status == 403
    assert "asks for a second factor" in browser.open("/").text
    assert browser.open("/account").status == 200


# ---- codes that let a password be set ---------------------------------------------------------


def test_a_new_account_has_no_password_and_its_code_sets_one_once(site):
    made = accounts.add(site.site, WHO, NAME, Role.VIEWER)
    assert made.code.startswith("fwsetup-")
    assert outcome(site, password="") == "refused"
    browser = site.browser()
    asked = browser.open("/set-up")

    page = browser.send(asked, "Set it", name=NAME, code=made.code.lower(), password=PASSWORD)

    assert page.response.request.path == "/sign-in"
    assert outcome(site) == "let in"
    again = browser.send(browser.open("/set-up"), "Set it", name=NAME, code=made.code, password="x")
    assert again.status == 403


def test_a_code_that_sets_a_password_expires(site):
    made = accounts.add(site.site, WHO, NAME, Role.VIEWER)
    site.clock.pass_by(hours=site.site.config.setup_code_hours)

    with pytest.raises(InvalidCodeError):
        accounts.set_up(site.site, HERE, NAME, made.code, PASSWORD)


def test_a_code_sets_the_password_of_its_account_only(site):
    made = accounts.add(site.site, WHO, NAME, Role.VIEWER)
    accounts.add(site.site, WHO, "Tom Arrow", Role.ADMINISTRATOR)

    for name, code in (("Tom Arrow", made.code), (NAME, ""), ("nobody", made.code), (NAME, "x")):
        with pytest.raises(InvalidCodeError):
            accounts.set_up(site.site, HERE, name, code, PASSWORD)


def test_a_password_that_cannot_be_taken_leaves_the_code_good(site):
    made = accounts.add(site.site, WHO, NAME, Role.VIEWER)

    with pytest.raises(InvalidInputError, match="made of words that are tried first here"):
        accounts.set_up(site.site, HERE, NAME, made.code, "ida fenwick")
    accounts.set_up(site.site, HERE, NAME, made.code, PASSWORD)


def test_a_reset_ends_password_and_sessions_at_once(site, ida):
    secret = sign_in(site)

    accounts.reset(site.site, WHO, account_of(site).id)

    assert not is_signed_in(site, secret)
    assert outcome(site) == "refused"


def test_there_is_no_account_by_default(site):
    assert accounts.all_accounts(site.site) == []


def test_names_that_look_alike_are_one_account(site, ida):
    for name in ("ida fenwick", " IDA  Fenwick ", "Ｉda Fenwick"):
        with pytest.raises(ConflictError):
            accounts.add(site.site, WHO, name, Role.VIEWER)


@pytest.mark.parametrize("name", ["", "  ", "x" * 81, "a\x00b", "a\u202eb", "a\ud800"])
def test_a_name_that_cannot_be_seen_whole_is_refused(site, name):
    with pytest.raises(InvalidInputError, match="1 to 80 visible characters"):
        accounts.add(site.site, WHO, name, Role.VIEWER)


def test_the_last_administrator_cannot_be_shut_out_by_a_page(site):
    site.person(Role.ADMINISTRATOR, NAME)
    browser = site.signed_in(NAME)
    page = browser.open(f"/people/{account_of(site).id}")

    for label, typed in (
        ("Disable the account", {}),
        ("Make a code", {}),
        ("Change it", {"role": "viewer"}),
    ):
        refused = browser.send(page, label, **typed)
        assert refused.status == 409
        assert "this is the last administrator who can sign in" in refused.text


# ---- what is told, and what is not ------------------------------------------------------------


def test_every_sign_in_and_every_refusal_is_told_with_where_from(site, ida):
    outcome(site, password="wrong")
    outcome(site, name="my password typed into the wrong field")
    sign_in(site)

    refused = actions(site, "session.refuse")
    assert [entry["subject"] for entry in refused] == [
        "account Ida Fenwick",
        "an account that is not there",
    ]
    (begun,) = actions(site, "session.begin")
    assert (begun["who"], begun["address"]) == ("person: Ida Fenwick", HERE)
    assert begun["after"]["by"] == ["password"]


def test_no_secret_stands_in_database_log_or_audit_trail(site, authenticator, caplog):
    caplog.set_level("DEBUG")
    secret = sign_in(site, code=authenticator.codes[0])
    outcome(site, name=PASSWORD, password="a wrong password")
    made = accounts.reset(site.site, WHO, account_of(site).id)
    browser = site.browser()
    browser.send(browser.open("/sign-in"), "Sign in", name="x", password="a wrong password")

    everything = str(site.rows()) + caplog.text

    plain = "".join(filter(str.isalnum, everything.casefold()))
    secrets = (PASSWORD, "a wrong password", secret, made.code, *authenticator.codes)
    assert [each for each in secrets if each in everything] == []
    codes = (made.code, *authenticator.codes)
    assert [each for each in codes if "".join(filter(str.isalnum, each.casefold())) in plain] == []


def test_a_password_stays_good_for_as_long_as_it_is_kept(site, ida):
    site.clock.pass_by(days=3650)

    assert outcome(site) == "let in"


def test_the_ways_in_are_documented(readme):
    for way in ("password, with a second factor", "a code that sets a password", "tokens, for"):
        assert way in readme
