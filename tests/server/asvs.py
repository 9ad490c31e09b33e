"""Where each requirement of OWASP ASVS 5.0.0 is met, and which test shows it.

The rows of chapters V3 (browser), V6 (authentication), V7 (sessions), V8 (access), V9 (tokens) and
V16 (logging), levels 1 and 2. A test is named by its file below `tests/` and its own name.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Met:
    """It is met there, and these tests show it."""

    where: str  # modules of the server, or a section of README.md
    tests: tuple[str, ...]


@dataclass(frozen=True)
class NotMet:
    """It does not apply, or is left to whoever runs the server: why."""

    because: str


def met(where: str, *tests: str) -> Met:
    return Met(where, tests)


_SIGN_IN, _PAGES, _PASSWORDS = (
    "server/test_sign_in.py",
    "server/test_pages.py",
    "server/test_passwords.py",
)
_ACCESS, _TOKENS, _LIMITS = (
    "server/test_access.py",
    "server/test_tokens.py",
    "server/test_limits.py",
)
_AUDIT, _PROBLEMS = "server/test_audit.py", "server/test_problems.py"
_NO_IDENTITY_PROVIDER = "people sign in here only: there is no identity provider and no federation"
_NO_SELF_CONTAINED = (
    "tokens are random references, looked up in the database; none is self-contained"
)
_NO_OUT_OF_BAND = "nothing is sent out of band: no mail, no SMS, no push"

ROWS: dict[str, Met | NotMet] = {
    # V3 browser
    "V3.2.1": met(
        "web/headers.py",
        f"{_PAGES}::test_only_own_script_runs_and_no_page_is_framed_or_kept",
        f"{_PROBLEMS}::test_answers_are_not_kept_by_caches",
    ),
    "V3.2.2": met(
        "pages/templates",
        f"{_PAGES}::test_what_machines_say_of_themselves_is_text_and_nothing_else",
    ),
    "V3.3.1": met(
        "web/cookies.py",
        f"{_SIGN_IN}::test_the_cookie_is_for_this_host_over_tls_and_not_for_script",
        f"{_PAGES}::test_passwords_are_not_asked_for_over_a_line_that_others_can_read",
    ),
    "V3.3.2": met(
        "web/cookies.py",
        f"{_SIGN_IN}::test_the_cookie_is_for_this_host_over_tls_and_not_for_script",
    ),
    "V3.3.3": met(
        "web/cookies.py",
        f"{_SIGN_IN}::test_the_cookie_is_for_this_host_over_tls_and_not_for_script",
    ),
    "V3.3.4": met(
        "web/cookies.py",
        f"{_SIGN_IN}::test_the_cookie_is_for_this_host_over_tls_and_not_for_script",
        f"{_PAGES}::test_no_page_shows_the_secret_of_its_session",
    ),
    "V3.4.1": met(
        "web/headers.py",
        f"{_SIGN_IN}::test_the_cookie_is_for_this_host_over_tls_and_not_for_script",
    ),
    "V3.4.2": met(
        "web/headers.py", f"{_PAGES}::test_only_own_script_runs_and_no_page_is_framed_or_kept"
    ),
    "V3.4.3": met(
        "web/headers.py",
        f"{_PAGES}::test_only_own_script_runs_and_no_page_is_framed_or_kept",
        f"{_PAGES}::test_nothing_on_a_page_would_be_refused_by_its_own_policy",
    ),
    "V3.4.4": met(
        "web/headers.py", f"{_PAGES}::test_only_own_script_runs_and_no_page_is_framed_or_kept"
    ),
    "V3.4.5": met(
        "web/headers.py", f"{_PAGES}::test_only_own_script_runs_and_no_page_is_framed_or_kept"
    ),
    "V3.4.6": met(
        "web/headers.py", f"{_PAGES}::test_only_own_script_runs_and_no_page_is_framed_or_kept"
    ),
    "V3.5.1": met(
        "web/origin.py",
        f"{_PAGES}::test_every_change_is_refused_without_the_forms_own_token",
        f"{_PAGES}::test_a_form_of_another_browser_is_refused",
        f"{_PAGES}::test_a_form_that_a_browser_says_comes_from_elsewhere_is_refused",
    ),
    "V3.5.2": met(
        "web/access.py", f"{_ACCESS}::test_a_session_is_no_token_and_a_token_is_no_session"
    ),
    "V3.5.3": met("pages", f"{_PAGES}::test_to_read_a_page_changes_nothing"),
    "V3.5.4": NotMet(
        "one application on one host name of its own; README says how it is put there"
    ),
    "V3.5.5": NotMet("the one script of the pages receives no messages"),
    "V3.7.1": met(
        "pages/templates",
        f"{_PAGES}::test_nothing_on_a_page_would_be_refused_by_its_own_policy",
    ),
    "V3.7.2": met("pages/forms.py", f"{_SIGN_IN}::test_nobody_is_led_to_another_host"),
    # V6 authentication
    "V6.1.1": met("README.md", f"{_LIMITS}::test_every_limit_stands_in_the_documentation"),
    "V6.1.2": met("README.md", f"{_PASSWORDS}::test_the_words_that_are_refused_are_documented"),
    "V6.1.3": met("README.md", f"{_SIGN_IN}::test_the_ways_in_are_documented"),
    "V6.2.1": met(
        "services/passwords.py",
        f"{_PASSWORDS}::test_a_password_that_is_easy_to_guess_is_refused_with_what_to_do",
    ),
    "V6.2.2": met(
        "services/accounts.py", f"{_SIGN_IN}::test_a_changed_password_ends_the_other_sessions"
    ),
    "V6.2.3": met(
        "services/accounts.py", f"{_SIGN_IN}::test_the_present_password_is_needed_to_change_it"
    ),
    "V6.2.4": met(
        "services/passwords.py",
        f"{_PASSWORDS}::test_a_password_that_is_easy_to_guess_is_refused_with_what_to_do",
        f"{_PASSWORDS}::test_more_than_3000_common_passwords_of_enough_length_are_known",
    ),
    "V6.2.5": met(
        "services/passwords.py", f"{_PASSWORDS}::test_a_password_of_any_composition_is_taken"
    ),
    "V6.2.6": met(
        "pages/templates", f"{_PAGES}::test_passwords_are_masked_and_managers_are_helped"
    ),
    "V6.2.7": met(
        "pages/templates", f"{_PAGES}::test_passwords_are_masked_and_managers_are_helped"
    ),
    "V6.2.8": met(
        "services/passwords.py",
        f"{_PASSWORDS}::test_a_password_is_compared_exactly_as_it_was_given",
    ),
    "V6.2.9": met(
        "services/passwords.py", f"{_PASSWORDS}::test_a_password_of_any_composition_is_taken"
    ),
    "V6.2.10": met(
        "services/accounts.py", f"{_SIGN_IN}::test_a_password_stays_good_for_as_long_as_it_is_kept"
    ),
    "V6.2.11": met(
        "services/passwords.py",
        f"{_PASSWORDS}::test_a_password_that_is_easy_to_guess_is_refused_with_what_to_do",
    ),
    "V6.2.12": met(
        "services/passwords.py",  # the list is made from published leaks
        f"{_PASSWORDS}::test_more_than_3000_common_passwords_of_enough_length_are_known",
    ),
    "V6.3.1": met(
        "services/throttle.py",
        f"{_SIGN_IN}::test_of_a_thousand_tries_at_one_account_from_one_address_ten_are_looked_at",
        f"{_SIGN_IN}::test_of_a_thousand_tries_from_one_address_at_as_many_accounts_thirty_are_looked_at",
        f"{_SIGN_IN}::test_of_a_thousand_tries_at_one_account_from_as_many_addresses_fifty_are_looked_at",
        f"{_SIGN_IN}::test_it_holds_for_all_processes_together",
    ),
    "V6.3.2": met("services/accounts.py", f"{_SIGN_IN}::test_there_is_no_account_by_default"),
    "V6.3.3": met(
        "web/access.py",  # where the site says so: second_factor_required
        f"{_SIGN_IN}::test_a_site_may_ask_everyone_for_a_second_factor",
        f"{_SIGN_IN}::test_with_a_second_factor_the_password_alone_lets_nobody_in",
    ),
    "V6.3.4": met(
        "web/access.py",
        f"{_ACCESS}::test_every_route_says_who_may_use_it",
        f"{_ACCESS}::test_a_session_is_no_token_and_a_token_is_no_session",
    ),
    "V6.4.1": met(
        "services/accounts.py",
        f"{_SIGN_IN}::test_a_new_account_has_no_password_and_its_code_sets_one_once",
        f"{_SIGN_IN}::test_a_code_that_sets_a_password_expires",
    ),
    "V6.4.2": met("pages/templates", f"{_PAGES}::test_no_page_gives_hints_of_a_password"),
    "V6.4.3": met(
        "services/accounts.py",
        f"{_SIGN_IN}::test_a_forgotten_password_leaves_the_second_factor_as_it_is",
    ),
    "V6.4.4": met(
        "services/accounts.py",  # in person, by whoever made the account; README
        f"{_SIGN_IN}::test_a_lost_second_factor_is_dropped_by_itself_and_told",
    ),
    "V6.5.1": met(
        "services/sessions.py",
        f"{_SIGN_IN}::test_a_code_lets_in_once",
        f"{_SIGN_IN}::test_a_recovery_code_lets_in_once_and_is_told",
        f"{_PASSWORDS}::test_a_code_is_taken_once",
    ),
    "V6.5.2": met(
        "services/second_factor.py", f"{_PASSWORDS}::test_recovery_codes_hold_112_bits_and_more"
    ),
    "V6.5.3": met(
        "services/second_factor.py",
        f"{_PASSWORDS}::test_secrets_are_as_long_as_rfc_4226_recommends",
        f"{_PASSWORDS}::test_recovery_codes_hold_112_bits_and_more",
    ),
    "V6.5.4": met(
        "services/second_factor.py", f"{_PASSWORDS}::test_recovery_codes_hold_112_bits_and_more"
    ),
    "V6.5.5": met(
        "services/second_factor.py",  # 30 s; and one step more on each side for clocks that differ
        f"{_PASSWORDS}::test_codes_are_those_of_rfc_6238",
        f"{_PASSWORDS}::test_a_code_of_the_step_before_or_after_is_taken_and_no_other",
    ),
    "V6.6.1": NotMet(_NO_OUT_OF_BAND),
    "V6.6.2": NotMet(_NO_OUT_OF_BAND),
    "V6.6.3": NotMet(_NO_OUT_OF_BAND),
    "V6.8.1": NotMet(_NO_IDENTITY_PROVIDER),
    "V6.8.2": NotMet(_NO_IDENTITY_PROVIDER),
    "V6.8.3": NotMet(_NO_IDENTITY_PROVIDER),
    "V6.8.4": NotMet(_NO_IDENTITY_PROVIDER),
    # V7 sessions
    "V7.1.1": met("README.md", f"{_LIMITS}::test_every_limit_stands_in_the_documentation"),
    "V7.1.2": met(
        "README.md",
        f"{_LIMITS}::test_every_limit_stands_in_the_documentation",
        f"{_SIGN_IN}::test_the_oldest_session_ends_when_there_are_too_many",
    ),
    "V7.1.3": NotMet(_NO_IDENTITY_PROVIDER),
    "V7.2.1": met(
        "services/sessions.py", f"{_ACCESS}::test_without_a_session_a_page_asks_to_sign_in"
    ),
    "V7.2.2": met(
        "web/access.py", f"{_ACCESS}::test_a_session_is_no_token_and_a_token_is_no_session"
    ),
    "V7.2.3": met("services/sessions.py", f"{_SIGN_IN}::test_a_session_is_new_at_every_sign_in"),
    "V7.2.4": met(
        "services/sessions.py",
        f"{_SIGN_IN}::test_a_session_is_new_at_every_sign_in",
        f"{_SIGN_IN}::test_giving_the_password_again_makes_a_new_session_that_ends_when_the_old_one_would",
    ),
    "V7.3.1": met(
        "services/sessions.py", f"{_SIGN_IN}::test_a_session_ends_when_it_is_not_used_for_a_while"
    ),
    "V7.3.2": met(
        "services/sessions.py",
        f"{_SIGN_IN}::test_a_session_ends_at_a_fixed_time_although_it_is_used",
    ),
    "V7.4.1": met(
        "services/sessions.py", f"{_SIGN_IN}::test_signing_out_ends_the_session_for_good"
    ),
    "V7.4.2": met(
        "services/accounts.py",
        f"{_SIGN_IN}::test_disabling_an_account_ends_its_sessions_and_tokens",
    ),
    "V7.4.3": met(
        "services/accounts.py", f"{_SIGN_IN}::test_a_changed_password_ends_the_other_sessions"
    ),
    "V7.4.4": met("pages/templates", f"{_PAGES}::test_every_page_has_a_way_to_sign_out"),
    "V7.4.5": met("pages/people.py", f"{_SIGN_IN}::test_an_administrator_ends_anothers_session"),
    "V7.5.1": met(
        "web/access.py",
        f"{_ACCESS}::test_what_changes_who_can_sign_in_asks_for_a_fresh_password",
        f"{_SIGN_IN}::test_the_second_factor_is_asked_for_to_change_what_lets_in",
        f"{_SIGN_IN}::test_a_wrong_password_proves_nothing",
    ),
    "V7.5.2": met(
        "pages/account.py",
        f"{_SIGN_IN}::test_ones_sessions_are_listed_and_each_can_be_ended",
        f"{_ACCESS}::test_what_changes_who_can_sign_in_asks_for_a_fresh_password",
    ),
    "V7.6.1": NotMet(_NO_IDENTITY_PROVIDER),
    "V7.6.2": met(
        "services/sessions.py", f"{_ACCESS}::test_without_a_session_a_page_asks_to_sign_in"
    ),
    # V8 access
    "V8.1.1": met("web/access.py", f"{_ACCESS}::test_every_route_says_who_may_use_it"),
    "V8.1.2": met(
        "README.md",  # the table of roles; what a role may not change is a route of its own
        f"{_PAGES}::test_pages_of_people_tell_no_role_what_it_may_not_know",
    ),
    "V8.2.1": met(
        "web/access.py",
        f"{_ACCESS}::test_a_token_reaches_what_the_table_says_and_nothing_else",
        f"{_ACCESS}::test_a_session_reaches_the_pages_of_its_role_and_no_others",
    ),
    "V8.2.2": met(
        "web/access.py",
        f"{_TOKENS}::test_a_stolen_machine_token_reads_and_changes_nothing_but_its_own_machine",
        f"{_TOKENS}::test_a_machine_cannot_report_as_another_one",
        f"{_TOKENS}::test_nobody_revokes_anothers_token_but_an_administrator",
    ),
    "V8.2.3": met(
        "pages/templates",
        f"{_PAGES}::test_pages_of_people_tell_no_role_what_it_may_not_know",
        f"{_TOKENS}::test_a_person_makes_a_token_of_no_more_than_their_own_role",
    ),
    "V8.3.1": met(
        "web/access.py",
        f"{_ACCESS}::test_a_session_reaches_the_pages_of_its_role_and_no_others",
        f"{_PAGES}::test_a_role_that_is_changed_holds_at_once",
    ),
    "V8.4.1": NotMet("one database serves one site: there are no tenants"),
    # V9 self-contained tokens
    "V9.1.1": NotMet(_NO_SELF_CONTAINED),
    "V9.1.2": NotMet(_NO_SELF_CONTAINED),
    "V9.1.3": NotMet(_NO_SELF_CONTAINED),
    "V9.2.1": met("services/credentials.py", f"{_TOKENS}::test_a_token_expires"),
    "V9.2.2": met(
        "services/credentials.py",
        f"{_TOKENS}::test_what_is_no_token_lets_nobody_in",
        f"{_TOKENS}::test_a_machines_token_opens_no_page",
    ),
    "V9.2.3": NotMet(_NO_SELF_CONTAINED),
    "V9.2.4": NotMet(_NO_SELF_CONTAINED),
    # V16 logging
    "V16.1.1": met("README.md", f"{_AUDIT}::test_what_is_logged_where_is_documented"),
    "V16.2.1": met(
        "services/audit.py",
        f"{_AUDIT}::test_an_entry_tells_who_what_when_from_where_before_and_after",
    ),
    "V16.2.2": met(
        "services/audit.py",  # in UTC; the clock of the system is its administrator's
        f"{_AUDIT}::test_an_entry_tells_who_what_when_from_where_before_and_after",
    ),
    "V16.2.3": met("README.md", f"{_AUDIT}::test_what_is_logged_where_is_documented"),
    "V16.2.4": met("services/audit.py", f"{_AUDIT}::test_a_stranger_with_the_export_can_verify_it"),
    "V16.2.5": met(
        "services/sessions.py",
        f"{_SIGN_IN}::test_no_secret_stands_in_database_log_or_audit_trail",
        f"{_PROBLEMS}::test_no_token_or_code_reaches_the_log",
    ),
    "V16.3.1": met(
        "services/sessions.py",
        f"{_SIGN_IN}::test_every_sign_in_and_every_refusal_is_told_with_where_from",
    ),
    "V16.3.2": met("web/failures.py", f"{_AUDIT}::test_what_was_refused_is_logged_and_counted"),
    "V16.3.3": met("web/failures.py", f"{_AUDIT}::test_what_was_refused_is_logged_and_counted"),
    "V16.3.4": met("web/failures.py", f"{_AUDIT}::test_an_error_of_the_servers_own_is_logged"),
    "V16.4.1": met(
        "services/audit.py", f"{_AUDIT}::test_nobody_writes_a_line_of_the_log_of_their_own"
    ),
    "V16.4.2": met(
        "services/audit.py",
        f"{_AUDIT}::test_the_database_refuses_to_change_what_was_written",
        f"{_AUDIT}::test_an_entry_that_was_changed_or_removed_breaks_the_chain",
        f"{_ACCESS}::test_a_token_reaches_what_the_table_says_and_nothing_else",
    ),
    "V16.4.3": met(
        "api/audit.py",  # fetched from elsewhere, over TLS
        f"{_AUDIT}::test_programs_fetch_the_trail_as_lines_or_pages",
    ),
    "V16.5.1": met(
        "web/failures.py",
        f"{_PROBLEMS}::test_an_error_of_the_servers_own_is_a_problem_without_details",
        f"{_PAGES}::test_an_error_of_the_servers_own_is_a_page_without_details",
    ),
    "V16.5.2": met("db.py", f"{_PROBLEMS}::test_a_busy_database_asks_to_try_again"),
    "V16.5.3": met(
        "web/access.py",
        f"{_ACCESS}::test_when_looking_up_a_session_or_token_fails_nobody_is_let_in",
        f"{_AUDIT}::test_a_change_that_fails_leaves_no_entry_and_an_entry_that_fails_leaves_no_change",
    ),
}
