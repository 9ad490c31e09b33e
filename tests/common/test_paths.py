"""By which flashes the target is reached, why it may not be, and whether there is a way back."""

from dataclasses import replace
from itertools import pairwise

import networkx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashworthy_common.ordering import Ordering
from flashworthy_common.paths import NoPath, Path, WayBack, find_path, is_below_esrt_floor, way_back
from flashworthy_common.releases import Release, ReleaseState, Requirements
from flashworthy_common.report import EsrtEntry
from flashworthy_common.values import Unknown

ORDERING = Ordering(maker="Quillmark", model="Folio 14")


def release(version_text, least=None, *, state=ReleaseState.OFFERED, **facts):
    return Release(
        machine_maker="Quillmark",
        models=("Folio 14",),
        version_text=version_text,
        requires=Requirements(firmware=least),
        state=state,
        **facts,
    )


def withdrawn(version_text, least=None, reason=""):
    return release(version_text, least, state=ReleaseState.WITHDRAWN, state_reason=reason)


def path_of(running, *releases):
    """The version texts of the path to the last release, or why there is none."""
    found = find_path(running, releases[-1], releases, ORDERING)
    if isinstance(found, NoPath):
        return found
    return [step.version_text for step in found.steps]


# ---- forward ----------------------------------------------------------------------------------


def test_a_target_that_asks_for_nothing_is_one_flash_away():
    assert path_of("1.29", release("1.31"), release("1.34")) == ["1.34"]


def test_a_stepping_stone_is_flashed_first():
    assert path_of("1.29", release("1.31"), release("1.34", "1.31")) == ["1.31", "1.34"]


def test_a_stone_counts_from_the_version_that_is_asked_for_on():
    assert path_of("1.29", release("1.32"), release("1.34", "1.31")) == ["1.32", "1.34"]


def test_what_runs_already_needs_no_stone():
    assert path_of("1.31", release("1.31"), release("1.34", "1.31")) == ["1.34"]


def test_the_fewest_flashes_win_although_they_take_longer():
    releases = [
        release("1.30", minutes=1),
        release("1.31", "1.30", minutes=1),
        release("1.33", minutes=90),
        release("1.34", "1.31", minutes=1),
    ]

    assert path_of("1.29", *releases) == ["1.33", "1.34"]


def test_of_as_many_flashes_the_least_time_wins():
    releases = [
        release("1.31", minutes=30),
        release("1.32", minutes=20),
        release("1.33", minutes=25),
        release("1.34", "1.31", minutes=10),
    ]

    assert path_of("1.29", *releases) == ["1.32", "1.34"]


def test_a_time_that_is_not_known_yields_to_one_that_is():
    releases = [release("1.31"), release("1.32", minutes=90), release("1.34", "1.31", minutes=10)]

    assert path_of("1.29", *releases) == ["1.32", "1.34"]


def test_a_superseded_release_may_be_a_stone_and_a_withdrawn_one_may_not():
    superseded = release("1.31", state=ReleaseState.SUPERSEDED)

    assert path_of("1.29", superseded, release("1.34", "1.31")) == ["1.31", "1.34"]
    assert path_of("1.29", withdrawn("1.31"), release("1.32"), release("1.34", "1.31")) == [
        "1.32",
        "1.34",
    ]


def test_stones_may_need_stones():
    releases = [release("1.30"), release("1.32", "1.30"), release("1.34", "1.32")]

    assert path_of("1.29", *releases) == ["1.30", "1.32", "1.34"]


# ---- no path ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("releases", "because"),
    [
        (
            [release("1.34", "1.31")],
            "1.34 asks for 1.31 or newer first; no release that would serve is recorded",
        ),
        (
            [release("1.30"), release("1.34", "1.31")],
            "1.34 asks for 1.31 or newer first; no release that would serve is recorded",
        ),
        (
            [
                withdrawn("1.31", reason="lost settings"),
                withdrawn("1.32"),
                release("1.34", "1.31"),
            ],
            "1.34 asks for 1.31 or newer first;"
            " what would serve is withdrawn: 1.31 (lost settings), 1.32",
        ),
        (
            [release("1.32", "1.31"), release("1.34", "1.32")],
            "1.34 asks for 1.32 or newer first; 1.32 asks for 1.31 or newer first;"
            " no release that would serve is recorded",
        ),
        (
            [release("1.31", "1.34"), release("1.34", "1.31")],
            "1.34 asks for 1.31 or newer first; 1.31 asks for 1.34 or newer first;"
            " that is a circle",
        ),
        ([release("1.34", "1.34")], "1.34 asks for 1.34 or newer first; that is a circle"),
    ],
)
def test_why_there_is_no_path_is_said_in_words(releases, because):
    assert path_of("1.29", *releases) == NoPath(because=because)


@pytest.mark.parametrize(
    ("running", "target", "because"),
    [
        (
            "1.29",
            release("1.34", "spring build"),
            "1.34 asks for spring build or newer first; 1.29 and spring build cannot be ordered",
        ),
        ("1.34", release("1.29"), "1.29 is not known to be newer than 1.34"),
        ("1.34", release("1.29", "1.20"), "1.29 is not known to be newer than 1.34"),
        ("spring build", release("1.29"), "1.29 is not known to be newer than spring build"),
    ],
)
def test_what_cannot_be_ordered_is_another_answer_than_no_path(running, target, because):
    assert path_of(running, target) == NoPath(because=because, is_certain=False)


def test_a_long_chain_is_followed_to_where_it_breaks_off():
    releases = [release(f"1.{n}", f"1.{n - 1}") for n in range(101, 200)]

    found = path_of("1.50", *releases)

    assert found.because.startswith("1.199 asks for 1.198 or newer first; 1.198 asks for 1.197")
    assert found.because.endswith(
        "1.101 asks for 1.100 or newer first; no release that would serve is recorded"
    )


# ---- against a reference: NetworkX's shortest paths -----------------------------------------

MORE_THAN_ANY_TIME = 10_000  # minutes: a flash more outweighs any time


@st.composite
def releases_of_a_model(draw):
    numbers = draw(st.lists(st.integers(1, 12), min_size=1, max_size=10, unique=True))
    return [
        release(
            f"1.{number}",
            f"1.{least}" if (least := draw(st.none() | st.integers(0, 13))) is not None else None,
            minutes=draw(st.integers(0, 60)),
            state=draw(st.sampled_from(ReleaseState)),
        )
        for number in numbers
    ]


def number_of(version_text):
    return int(version_text.removeprefix("1."))


def graph_of(running, target, releases):
    """Every step that the notes allow, written down without the code under test."""
    graph = networkx.DiGraph()
    graph.add_nodes_from([running, number_of(target.version_text)])
    by_number = {number_of(each.version_text): each for each in releases}
    for number, each in by_number.items():
        if each.state is ReleaseState.WITHDRAWN and each is not target:
            continue
        least = number_of(each.requires.firmware) if each.requires.firmware else 0
        for at in [running, *by_number]:
            if least <= at < number:
                graph.add_edge(at, number, weight=MORE_THAN_ANY_TIME + each.minutes)
    return graph


@settings(max_examples=300)
@given(releases_of_a_model(), st.integers(0, 12), st.randoms())
def test_the_path_is_as_short_as_the_one_that_networkx_finds(releases, running, random):
    target = random.choice(releases)
    graph = graph_of(running, target, releases)
    random.shuffle(releases)

    found = find_path(f"1.{running}", target, releases, ORDERING)

    goal = number_of(target.version_text)
    if isinstance(found, NoPath):
        assert goal <= running or not networkx.has_path(graph, running, goal)
        return
    numbers = [running, *(number_of(step.version_text) for step in found.steps)]
    weights = [graph.edges[edge]["weight"] for edge in pairwise(numbers)]
    assert sum(weights) == networkx.shortest_path_length(graph, running, goal, weight="weight")


@given(releases_of_a_model(), st.integers(0, 12), st.randoms())
def test_the_order_in_which_releases_were_recorded_does_not_matter(releases, running, random):
    target = releases[0]
    shuffled = random.sample(releases, len(releases))

    assert find_path(f"1.{running}", target, releases, ORDERING) == (
        find_path(f"1.{running}", target, shuffled, ORDERING)
    )


# ---- the way back -----------------------------------------------------------------------------


def way_back_of(running, *releases, stones=()):
    path = Path(steps=(*stones, releases[-1]))
    return way_back(running, path, releases, ORDERING)


@pytest.mark.parametrize(
    ("facts", "allowed", "says", "floor"),
    [
        ({"can_go_back": True}, True, "the maker allows going back", None),
        ({"back_to": "1.20"}, True, "the maker allows going back to 1.20 and later", "1.20"),
        ({"back_to": "1.29"}, True, "the maker allows going back to 1.29 and later", "1.29"),
        (
            {"can_go_back": True, "back_to": "1.31"},
            False,
            "once 1.34 ran, nothing older than 1.31 can be put back",
            "1.31",
        ),
        (
            {"can_go_back": False},
            False,
            "nothing older than 1.34 can be put back once it ran",
            "1.34",
        ),
    ],
)
def test_the_floor_of_the_target_decides_about_the_way_back(facts, allowed, says, floor):
    assert way_back_of("1.29", release("1.34", **facts)) == WayBack(
        allowed=allowed, says=says, floor=floor, package_of="1.29"
    )


def test_notes_that_are_silent_leave_the_way_back_unknown():
    because = "the notes of 1.34 do not say whether one can go back"

    assert way_back_of("1.29", release("1.34")) == WayBack(
        allowed=Unknown(because), says=because, package_of="1.29"
    )


def test_a_floor_that_cannot_be_ordered_leaves_the_way_back_unknown():
    answer = way_back_of("1.29", release("1.34", back_to="spring build"))

    assert answer.allowed == Unknown("'1.29' and the floor 'spring build' cannot be ordered")


def test_a_stone_that_is_flashed_binds_whatever_the_target_says():
    stone = release("1.31", can_go_back=False)

    answer = way_back_of("1.29", stone, release("1.34", can_go_back=True), stones=(stone,))

    assert (answer.allowed, answer.floor) == (False, "1.31")


def test_where_the_target_is_silent_what_lies_between_binds():
    locked = release("1.31", can_go_back=False)

    assert way_back_of("1.29", locked, release("1.34")).allowed is False
    assert way_back_of("1.29", locked, release("1.34", can_go_back=True)).allowed is True
    assert way_back_of("1.32", locked, release("1.34", can_go_back=True)).allowed is True


def test_the_highest_floor_is_told():
    releases = [release("1.30", back_to="1.20"), release("1.32", back_to="1.30")]

    assert way_back_of("1.29", *releases, release("1.34")).floor == "1.30"


def test_todays_floor_does_not_count():
    running = release("1.29", can_go_back=False)

    assert way_back_of("1.29", running, release("1.34", can_go_back=True)).allowed is True


# ---- floors in numbers of the ESRT --------------------------------------------------------------

GUID = "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801"
STATED = release("1.34", esrt_class=GUID, esrt_version=134)
ENTRY = EsrtEntry(
    firmware_class=GUID.upper(), firmware_type=1, version=129, lowest_supported_version=130
)


@pytest.mark.parametrize(
    ("target", "entries", "answer"),
    [
        (STATED, (ENTRY,), False),
        (replace(STATED, esrt_version=130), (ENTRY,), False),  # the lowest itself is supported
        (replace(STATED, esrt_version=129), (ENTRY,), True),
        (
            release("1.34"),
            (ENTRY,),
            Unknown("the notes of 1.34 state no ESRT class and version"),
        ),
        (STATED, Unknown("a legacy boot has none"), Unknown("a legacy boot has none")),
        (
            STATED,
            (replace(ENTRY, firmware_type=2),),  # a device's firmware, not the system's
            Unknown(f"the machine has no system firmware of ESRT class {GUID}"),
        ),
        (
            STATED,
            (replace(ENTRY, lowest_supported_version=Unknown("not readable")),),
            Unknown("not readable"),
        ),
    ],
)
def test_an_esrt_floor_is_compared_only_where_class_and_version_are_stated(target, entries, answer):
    assert is_below_esrt_floor(target, entries) == answer
