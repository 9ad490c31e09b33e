"""Names in a statement, exact or by a pattern, against what machines call themselves."""

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_common.patterns import (
    STAR,
    fold,
    lookup_of,
    matches,
    may_both_match,
    problem_of_name,
    start_of,
)


@pytest.mark.parametrize(
    ("stated", "name"),
    [
        ("Folio 14", "Folio 14"),
        ("folio  14", "FOLIO 14"),
        ("Folio 14*", "Folio 14"),
        ("Folio 14*", "Folio 14 G2"),
        ("Folio 1* G2", "Folio 14 G2"),
        ("Wren Gen 1 (*)", "Wren Gen 1 (20UD)"),
        ("QF14-*-A*", "QF14-7-A2"),
    ],
)
def test_a_name_or_pattern_means(stated, name):
    assert matches(stated, frozenset({fold(name)}))


@pytest.mark.parametrize(
    ("stated", "name"),
    [
        ("Folio 14", "Folio 14 G2"),  # an exact name is no beginning
        ("Folio 14*", "New Folio 14"),
        ("Folio 14.", "Folio 145"),  # nothing but the star is special
        ("Folio 1[45]*", "Folio 14"),
        ("Folio 14* G2", "Folio 14G2"),  # the blank is part of it
        ("Folio aba*ba", "Folio aba"),  # start and end do not overlap
        ("*", "Folio 14"),
        ("Fo*", "Folio 14"),
    ],
)
def test_a_name_or_pattern_does_not_mean(stated, name):
    assert not matches(stated, frozenset({fold(name)}))


@pytest.mark.parametrize(
    ("stated", "name"),
    [
        ("folio  14", "FOLIO 14"),
        ("Folio 14*", "Folio 14 G2"),
        ("X1 2*", "x1 25"),
        ("Wren Gen 1 (*)", "Wren Gen 1 (20UD)"),
        ("M7", "m7"),
    ],
)
def test_what_means_a_name_is_found_by_it(stated, name):
    start, key = lookup_of(stated)

    assert matches(stated, frozenset({fold(name)}))
    assert start == start_of(fold(name))
    assert key in (fold(name), STAR)


@pytest.mark.parametrize("stated", ["Folio 14", "Folio 14*", "QF1*", "20UD*", "X1 2*-*"])
def test_names_and_narrow_patterns_may_be_stated(stated):
    assert problem_of_name(stated) == ""


@pytest.mark.parametrize(
    ("stated", "says"),
    [
        ("", "expected a name, got ''"),
        ("To Be Filled By O.E.M.", "expected a name, got 'To Be Filled By O.E.M.'"),
        ("Default string*", "expected a name, got the placeholder 'Default string*'"),
        ("*", "3 letters or digits before the first '*'"),
        ("* *", "3 letters or digits before the first '*'"),
        ("F*", "3 letters or digits before the first '*'"),
        ("- F - 1 -*", "3 letters or digits before the first '*'"),
        ("*14", "3 letters or digits before the first '*'"),
    ],
)
def test_what_names_nothing_or_nearly_everything_is_refused(stated, says):
    assert says in problem_of_name(stated)


def test_a_hostile_pattern_takes_no_longer_than_others():
    pattern, name = "aaa" + "*a" * 60 + "b", "a" * 200

    started = time.perf_counter()
    assert not matches(pattern, frozenset({name}))
    assert time.perf_counter() - started < 0.5  # backtracking would take years


@pytest.mark.parametrize(
    ("a", "b", "may"),
    [
        ("Folio 14", "folio 14", True),
        ("Folio 14", "Folio 15", False),
        ("Folio 14", "Folio 1*", True),
        ("Folio 1*", "Folio 14", True),
        ("Folio 2*", "Folio 14", False),
        ("Folio 1*", "Folio*", True),
        ("Folio 1*", "Desk 1*", False),
        ("Folio 1*4", "Folio 1*5", True),  # in doubt, yes
    ],
)
def test_two_names_that_could_mean_one_machine(a, b, may):
    assert may_both_match(a, b) is may


@given(st.text("abc *", max_size=8), st.text("abc ", max_size=8))
def test_a_pattern_means_what_the_same_regular_expression_means(rest, name):
    stated, folded = f"abc{rest}*", fold(f"abc{name}")
    expression = ".*".join(map(re.escape, fold(stated).split("*")))

    assert matches(stated, frozenset({folded})) == bool(re.fullmatch(expression, folded))
