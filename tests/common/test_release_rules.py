"""What a release must fulfil to be recorded, and which releases contradict each other."""

from dataclasses import replace

import pytest

from flashworthy_common.makers import Combination, combination_of
from flashworthy_common.reasons import ReasonKind, StatedReason
from flashworthy_common.release_rules import Contradiction, check_release, contradictions
from flashworthy_common.releases import (
    LeastVersion,
    Release,
    ReleaseState,
    Requirements,
    Way,
    is_for_order,
    speaks_for,
)
from flashworthy_common.values import Unknown, from_json, to_json
from support.machines import FOLIO

LEAST = Release(machine_maker="Quillmark", models=("Folio 14",), version_text="1.34")
FAULT = StatedReason(
    kind=ReasonKind.FAULT,
    says="stops the fan from humming",
    source="https://quillmark.example/folio-14/notes",
    symptoms=("fan hums after sleep",),
)
FULL = replace(
    LEAST,
    models=("Folio 14", "Folio 14 G*", "QF14"),
    skus=("QF14-EU*",),
    board_versions=("A", "B"),
    state=ReleaseState.WITHDRAWN,
    state_reason="some machines no longer slept",
    notes_url="https://quillmark.example/folio-14/notes",
    reasons=(FAULT,),
    requires=Requirements(
        firmware="1.20",
        os_builds=(LeastVersion(name="Alderleaf", version_text="12.11"),),
        installed=(LeastVersion(name="quillmark-bridge", version_text="4.2"),),
        mains=True,
        charge_percent=40,
        free_bytes=2_000_000_000,
        os_updates=True,
    ),
    ways=(Way.INSIDE_OS, Way.BOOT_MEDIA),
    minutes=25,
    restarts=2,
    resets_settings=True,
    can_go_back=True,
    back_to="1.31",
    esrt_class="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801",
    esrt_version=66_050,
    recovery="hold both volume keys while plugging in",
)


# ---- one release ------------------------------------------------------------------------------


@pytest.mark.parametrize("release", [LEAST, FULL])
def test_what_is_complete_and_what_names_only_the_necessary_may_be_recorded(release):
    assert check_release(release) == ()


@pytest.mark.parametrize("release", [LEAST, FULL])
def test_a_release_survives_json(release):
    assert from_json(Release, to_json(release)) == release


@pytest.mark.parametrize(
    ("changed", "field", "says"),
    [
        ({"machine_maker": "Default string"}, "machine_maker", "expected a maker's name"),
        ({"models": ()}, "models", "expected the name of one model or more, got none"),
        ({"models": ("Folio 14", " ")}, "models[1]", "expected a name, got ' '"),
        ({"models": ("*",)}, "models[0]", "it would match too much otherwise, got '*'"),
        ({"models": ("Fo*",)}, "models[0]", "it would match too much otherwise, got 'Fo*'"),
        ({"skus": ("Q*",)}, "skus[0]", "it would match too much"),
        ({"board_versions": ("",)}, "board_versions[0]", "expected a name"),
        ({"version_text": "  "}, "version_text", "expected a version, got nothing"),
        (
            {"version_text": "spring build"},
            "version_text",
            "expected a version in a known way of numbering releases, got 'spring build'",
        ),
        ({"state": ReleaseState.WITHDRAWN}, "state_reason", "expected why it was withdrawn"),
        (
            {"notes_url": "javascript:alert(1)"},
            "notes_url",
            "expected a link that begins with https://, got 'javascript:alert(1)'",
        ),
        ({"reasons": (replace(FAULT, says=" "),)}, "reasons[0].says", "expected what it is for"),
        (
            {"reasons": (replace(FAULT, symptoms=("fan hums", "fan")),)},
            "reasons[0].symptoms[1]",
            "expected 2 words that say something, or more, got 'fan'",
        ),
        (
            {"requires": Requirements(firmware="01.34")},
            "requires.firmware",
            "expected a version before 1.34, which asks for it, got '01.34'",
        ),
        ({"requires": Requirements(firmware="1.35")}, "requires.firmware", "before 1.34"),
        ({"requires": Requirements(firmware="soon")}, "requires.firmware", "in a known way"),
        (
            {"requires": Requirements(installed=(LeastVersion(name=" ", version_text="4.2"),))},
            "requires.installed[0].name",
            "expected a name, got ' '",
        ),
        (
            {"requires": Requirements(os_builds=(LeastVersion(name="X", version_text=""),))},
            "requires.os_builds[0].version_text",
            "expected a version, got ''",
        ),
        ({"back_to": "1.20", "can_go_back": False}, "back_to", "since one cannot go back"),
        ({"back_to": "1.35"}, "back_to", "expected 1.34 or an older version, got '1.35'"),
        ({"back_to": "the first"}, "back_to", "in a known way of numbering"),
        ({"esrt_class": "7b0c", "esrt_version": 1}, "esrt_class", "expected a GUID, got '7b0c'"),
        ({"esrt_version": 1}, "esrt_class", "or neither: one alone says nothing"),
        ({"esrt_class": FULL.esrt_class}, "esrt_version", "or neither: one alone says nothing"),
    ],
)
def test_a_release_that_says_what_cannot_be_is_refused_by_field(changed, field, says):
    (problem,) = check_release(replace(LEAST, **changed))

    assert problem.field == field
    assert says in problem.says


def test_every_problem_is_told_at_once():
    release = replace(LEAST, models=("*",), version_text="", notes_url="ftp://quillmark.example")

    fields = [problem.field for problem in check_release(release)]

    assert fields == ["models[0]", "version_text", "notes_url"]


# ---- two of one version -----------------------------------------------------------------------

LONGER = replace(LEAST, minutes=40)


@pytest.mark.parametrize(
    "other",
    [
        LONGER,
        replace(LONGER, version_text="01.34"),  # another spelling of the version
        replace(LONGER, machine_maker="QUILLMARK Ltd."),
        replace(LONGER, models=("Folio 15", "folio 14")),
        replace(LONGER, models=("Folio 1*",)),
        replace(LONGER, board_versions=("A",)),  # the first speaks of all of them
    ],
)
def test_two_releases_of_one_version_that_differ_contradict_each_other(other):
    assert contradictions([LEAST, other]) == (Contradiction(0, 1, ("minutes",)),)
    assert contradictions([other, LEAST]) == (Contradiction(0, 1, ("minutes",)),)


@pytest.mark.parametrize(
    "releases",
    [
        [LEAST, LEAST],  # said twice
        [LEAST, replace(LEAST, models=("Folio 14", "Folio 15"))],
        [LEAST, replace(LONGER, version_text="1.35")],
        [LEAST, replace(LONGER, models=("Folio 15",))],
        [LEAST, replace(LONGER, machine_maker="Tarnbrook")],
        [replace(LEAST, skus=("QF-EU",)), replace(LONGER, skus=("QF-US",))],
        [replace(LEAST, board_versions=("A",)), replace(LONGER, board_versions=("B",))],
    ],
)
def test_releases_that_say_the_same_or_speak_of_others_do_not(releases):
    assert contradictions(releases) == ()


def test_each_pair_is_told_once():
    patterned = replace(LEAST, models=("Folio 14", "Folio 14*"), restarts=3)

    found = contradictions([LEAST, LONGER, patterned])

    assert [(each.first, each.second) for each in found] == [(0, 1), (0, 2), (1, 2)]


# ---- whom a release speaks for ----------------------------------------------------------------


def a_wren(product="20UDS17S00", version="Wren Gen 1", board="20UDS17S00") -> Combination:
    return combination_of(
        maker="Quillmark",
        product=product,
        product_version=version,
        board_maker="Quillmark",
        board=board,
        board_version="A",
        version_text="1.29",
    )


@pytest.mark.parametrize("model", ["Wren Gen 1 (20UD)", "20UD", "20ud", "Wren Gen*", "Wren * (20*"])
def test_a_machine_answers_to_its_name_with_its_type_and_to_its_type_alone(model):
    for wren in (a_wren(), a_wren(board="WB-1")):
        assert speaks_for(replace(LEAST, models=(model,)), wren)


def test_a_name_that_covers_types_with_different_firmware_is_not_enough():
    assert not speaks_for(replace(LEAST, models=("Wren Gen 1",)), a_wren())
    assert not speaks_for(replace(LEAST, models=("20UE",)), a_wren())


def test_a_code_that_covers_boards_with_different_firmware_is_not_enough():
    kestrel = a_wren("KX-70", "1.0", "KESTREL MAX (KX-70)")

    assert speaks_for(replace(LEAST, models=("Kestrel Max (KX-70)",)), kestrel)
    assert not speaks_for(replace(LEAST, models=("KX-70",)), kestrel)


def test_a_stated_board_version_leaves_out_the_others_and_the_unknown():
    of_a_and_b = replace(LEAST, board_versions=("A", "B1*"))
    unknown = Unknown("no name is given")

    assert speaks_for(of_a_and_b, FOLIO)
    assert not speaks_for(of_a_and_b, replace(FOLIO, board_version="B2"))
    assert not speaks_for(of_a_and_b, replace(FOLIO, board_version=unknown))
    assert speaks_for(LEAST, replace(FOLIO, board_version=unknown))


def test_a_stated_sku_is_held_against_the_machines_sku_or_product_code():
    release = replace(LEAST, skus=("QF14-EU*", "20UDS17S00"))
    no_sku = Unknown("not reported")

    assert is_for_order(release, sku="qf14-eu-7", product="Folio 14") is True
    assert is_for_order(release, sku="other", product="20UDS17S00") is True
    assert is_for_order(release, sku="QF14-US-7", product="Folio 14") is False
    assert is_for_order(release, sku=no_sku, product="Folio 14") == Unknown(
        "its SKU is unknown: not reported"
    )
    assert is_for_order(LEAST, sku=no_sku, product=no_sku) is True
