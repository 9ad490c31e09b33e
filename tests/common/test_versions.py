"""The order of firmware versions, and the silence where nobody can know.

Which version came out before which was read from the release dates of real machines (open
collection linuxhw/DMI, CC BY 4.0); the sorted lists below hold versions of one model each, or of
one scheme where a list says so.
"""

import itertools
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flashworthy_common.versions import (
    Meaning,
    Order,
    compare,
    describe,
    explain,
    parse_version,
    sort_key,
)
from flashworthy_common.versions.parse import LONGEST_TEXT
from flashworthy_common.versions.schemes import HAND_OVERS, SCHEMES

OPPOSITE = {
    Order.OLDER: Order.NEWER,
    Order.NEWER: Order.OLDER,
    Order.SAME: Order.SAME,
    Order.UNKNOWN: Order.UNKNOWN,
}


def order(a_text, b_text, maker="", model=""):
    return compare(a_text, b_text, maker=maker, model=model)


# Each list must be in the correct sorting order, old to new: (maker, versions).
IN_ORDER = [
    ("lenovo", "N2HET21W (1.04 )|N2HET39P (1.22 )|N2HET72P (1.55 )|N2HET78W (1.61 )"),
    ("lenovo", "GLET64WW (2.18 )|GLET99WW (2.53 )|GLETA0WW (2.54 )|GLETA2WW (2.56 )"),
    ("lenovo", "FBKT71AUS|FBKT96AUS|FBKTB2AUS|FBKTE0AUS"),
    ("lenovo", "S07KT08A|S07KT1FA|S07KT45A|S07KT47A"),
    ("lenovo", "A1CN20WW(V1.08)|A1CN28WW(V1.16)|A1CN33WW(V2.01)|A1CN34WW(V2.02)"),
    ("lenovo", "4HCN07WW|4HCN09CND|4HCN10WW|4HCN14WW"),
    ("hp", "N02 Ver. 02.05|N02 Ver. 02.16|N02 Ver. 02.36|N02 Ver. 02.60"),
    ("hp", "T70 Ver. 01.06.03|T70 Ver. 01.06.04|T70 Ver. 01.08.20|T70 Ver. 01.17.01"),
    ("hp", "K01 v02.05|K01 v02.90|K01 v03.02|K01 vA.03.04|K01 v03.06"),
    ("hp", "68CCU Ver. F.0B|68CCU Ver. F.0E|68CCU Ver. F.11|68CCU Ver. F.60"),
    ("hp", "F.0C|F.0E|F.18|F.19|F.1B"),
    ("hp", "5.15|5.17"),  # desktops of 2009: no core number there
    ("asus", "0408|0807|1005|1405|2802|4021|5020"),
    ("asus", "X555UB.204|X555UB.206|X555UB.300|X555UB.304"),
    ("asus", "201|205T01|207|208T00|216"),
    ("asus", "1012.002|1013.008|1018.001"),
    ("asus", "ASUS M2N-E ACPI BIOS Revision 0307|ASUS M2N-E ACPI BIOS Revision 1703"),
    ("gigabyte", "F1|F2|F3a|F30|F42|F43c RB|F50a|F50|F51c|F51"),
    ("gigabyte", "F8|F8 RH|F9"),
    ("gigabyte", "FA|FB|FDj|FDk|FD"),
    ("gigabyte", "FB04|FB09|FB0A|FB10"),
    ("msi", "1.40|1.51|1.50|1.90|1.A0|1.F0"),
    ("msi", "A.00|A.52|A.50|A.93|A.A0|A.D2|A.D0"),
    ("msi", "V2.3|V2.9|V2.10|V2.13"),
    ("msi", "V9.5|V9.6B5|V9.9"),
    ("msi", "1.A10|1.A15|1.A1A|1.A1G"),
    ("msi", "E1681IMS VER.105|E1681IMS VER.108|E1681IMS VER.10A|E1681IMS VER.10C"),
    ("msi", "E158KAMS.105|E158KAMS.10A|E158KAMS.10F|E158KAMS.110|E158KAMS.116"),
    ("acer", "V1.08|V1.09|V1.21|V2.21"),
    ("acer", "V1.07J|V1.08J"),
    ("acer", "P01-A3|P01-A3L|P01-B1|P02-A2"),
    ("asrock", "P1.20|P1.90|L1.92|P2.10|P10.08|P10.31"),
    ("asrock", "1.07|1.11.AS03|1.28|1.30.AS02|2.02|19.03"),
    ("apple", "MBP81.88Z.0047.B27.1201241646|MBP81.88Z.0047.B2A.1506082203|87.0.0.0.0|425.0.0.0.0"),
    (
        "apple",
        "2022.100.22.0.0 (iBridge: 21.16.4222.0.0,0)|2022.100.22.0.0 (iBridge: 21.16.5077.0.0,0)",
    ),
    ("intel", "FYBYT10H.86A.0034.2014.0513.1413|FYBYT10H.86A.0072.2020.0609.0913"),
    ("fujitsu", "V4.6.5.4 R1.9.0 for D3220-A1x|V4.6.5.4 R1.25.0 for D3220-A1x"),
    ("fujitsu", "Version 1.05|Version 1.11|Version 2.10|Version 6.40"),
    ("fujitsu", "1.03 - 041 - 1471|1.05 - 043 - 1566|1.06 - 046 - 1566"),
    ("samsung", "01LC.M015.20090528.Jay|02LC.M021.20090803.Jay|04LC.M027.20100105.Jay"),
    ("samsung", "P05CFB.031.210303.HQ|P08CFB.034.210609.HQ|P21CFB.051.240224.HQ"),
    ("sony", "R0200Y8|R0230Y8|R0300Y8"),
    ("xiaomi", "RMALC4B0P0909|RMALC4B0P0C0C|RMALC4B0P1212"),
    ("supermicro", "2.0|2.0a|2.0c|2.1|3.1"),
    ("clevo", "1.07.03|1.07.05LWL|1.07.06|1.07.10RTR1"),
    ("google", "MrChromebox-4.9|MrChromebox-4.18.2|MrChromebox-4.22.2-5-g822782a1001"),
    ("microsoft", "8.5.140|8.123.140|17.102.140|20.105.140"),
    ("valve", "F7A0105|F7A0121|F7A0131"),
    ("quanta", "DR192|QS142|DU181|QU272"),
    ("benq", "1.09|1.10..."),
    ("a large vendor", "A00|A09|A10|A29|1.0.1|1.2.3|1.10.0"),  # from memory
    ("a maker nobody knows", "X09|X10"),
    ("a maker nobody knows", "1.2.9|1.2.10|1.10.0|2.0.0"),
]


@pytest.mark.parametrize(("maker", "versions"), IN_ORDER)
def test_every_pair_of_a_sorted_list_stands_as_in_the_list(maker, versions):
    texts = versions.split("|")
    for (i, a), (j, b) in itertools.product(enumerate(texts), repeat=2):
        expected = Order.OLDER if i < j else Order.NEWER if i > j else Order.SAME
        assert order(a, b, maker) is expected, (a, b)


@pytest.mark.parametrize(("maker", "versions"), IN_ORDER)
def test_sort_keys_of_one_line_sort_like_the_list(maker, versions):
    keys = [sort_key(parse_version(text, maker=maker)) for text in versions.split("|")]
    for prefix, group in itertools.groupby(keys, key=lambda key: key.rpartition("|")[0]):
        same_line = list(group)
        assert same_line == sorted(same_line), prefix
        assert all(key.isascii() for key in same_line)


# What the trade knows no answer to: (maker, a, b).
REFUSED = [
    # two line codes
    ("lenovo", "N34ET56W (1.56 )", "N3WET17W (1.07 )"),
    ("hp", "M73 Ver. 01.15", "M74 Ver. 01.16"),
    ("apple", "MBP81.88Z.0047.B27.1201241646", "MBP91.88Z.00D3.B0B.1506081214"),
    ("hp", "F.20", "A.25"),
    # a number against a letter of other board revisions
    ("gigabyte", "F4", "FB"),
    # trial majors against normal ones
    ("asus", "9027", "4001"),
    ("asus", "ASUS M2N-E ACPI BIOS Revision 3001", "ASUS M2N-E ACPI BIOS Revision 1703"),
    ("hp", "P01 Ver. 78.45", "P01 Ver. 02.49"),
    ("lenovo", "5DCN89WW(V8.00)", "5DCN40WW(V2.07)"),
    ("", "0.56", "3.01"),
    ("", "99.1.0", "1.4.0"),
    ("a large vendor", "X12", "A00"),
    ("a large vendor", "X12", "1.2.3"),
    ("a large vendor", "A14", "89.2.3"),
    # parallel majors whose numbers disagree
    ("acer", "V2.03", "V1.13"),
    ("acer", "P11-B1", "P21-A3"),
    ("microsoft", "239.786.768", "235.3261.768"),
    ("msi", "E1758IMS.20A", "E1758IMS.10E"),
    # majors or letters of other variants of the board
    ("msi", "V1.6", "V3.4"),
    ("msi", "V2.2", "V1.2"),
    ("acer", "V1.08", "V1.07J"),
    # another way to count in the same places
    ("msi", "V1.63", "V1.9"),
    ("msi", "V11.13B2", "V11.7"),
    # a customer's branch
    ("msi", "A.Q1", "A.20"),
    # anything against a core number, also itself: it stays while releases change
    ("", "4.6.5", "1.02"),
    ("", "080015", "080016"),
    ("", "5.12", "5.13"),
    ("", "6.00 PG", "6.00 PG"),
    # different schemes
    ("asus", "42.19", "2603"),
    ("", "7.006", "1.07.15"),
    ("", "F14", "1.2.3"),
    ("lenovo", "7UET94WW (3.24 )", "CBET4000 4.13-646-gd011f6f900"),
    # a mark without order
    ("lenovo", "N20ET61W (1.46 )", "N20ET61P (1.46 )"),
    ("clevo", "1.07.03", "1.07.03N"),
    # a maker unknown: its letters may be digits, trials or customers
    ("a maker nobody knows", "1.A0", "1.B0"),
]


@pytest.mark.parametrize(("maker", "a", "b"), REFUSED)
def test_what_nobody_can_know_is_unknown_both_ways_round(maker, a, b):
    assert order(a, b, maker) is Order.UNKNOWN
    assert order(b, a, maker) is Order.UNKNOWN


@pytest.mark.parametrize(
    ("maker", "a", "b"),
    [
        ("", "V1.08", " v1.8 "),
        ("", "Version 1.10", "1.10"),
        ("", "'V2.00 '", "2.0"),
        ("lenovo", "GQCN20WW(V1.06)", "GQCN20WW"),
        ("gigabyte", "F9", "F09"),
    ],
)
def test_two_spellings_of_one_version_are_the_same(maker, a, b):
    assert order(a, b, maker) is Order.SAME


def test_a_text_that_fits_no_scheme_is_the_same_as_itself_and_no_more():
    assert order("Visionbook_14Wr_Plus", "Visionbook_14Wr_Plus") is Order.SAME
    assert order("Visionbook_14Wr_Plus", "Visionbook_14Wr_Minus") is Order.UNKNOWN


def test_a_text_that_repeats_the_model_or_board_is_no_release():
    assert order("Folio P1", "Folio P2", model="") is Order.OLDER
    assert order("Folio P1", "Folio P2", model="folio p1 / fp1") is Order.UNKNOWN


def test_the_makers_own_spelling_is_read_like_its_canonical_name():
    for maker in ("msi", "MSI", "Micro-Star International Co., Ltd."):
        assert order("1.51", "1.50", maker) is Order.OLDER, maker
    assert order("1.51", "1.50", "a maker nobody knows") is Order.NEWER


NOT_A_RELEASE = {
    Meaning.CORE_NUMBER: ["080015", "090006", "4.6.5", "4.6.5.4", "5.6.5", "5.12", "6.00 PG"],
    Meaning.PLACEHOLDER: [
        "",
        "   ",
        "To Be Filled By O.E.M.",
        "Default string",
        "$(DEFAULT_STRING)",
        "System Version",
        "Not Specified",
        "INVALID",
        "x.x",
        "-",
    ],
    Meaning.VIRTUAL_MACHINE: ["VirtualBox", "rel-1.16.2-0-gea1b7a073390-prebuilt.qemu.org"],
    Meaning.BOARD_NAME: ["MS-7519", "CALPELLACRB.86C.0000.X.0000000000"],
    Meaning.UNKNOWN: ["V", "Modified by somebody", "1.A0"],
}


@pytest.mark.parametrize(
    ("meaning", "text"), [(m, text) for m, texts in NOT_A_RELEASE.items() for text in texts]
)
def test_what_is_no_release_is_called_by_its_name_and_has_no_key(meaning, text):
    version = parse_version(text, maker="")

    assert version.scheme.meaning is meaning
    assert version.text == text
    assert sort_key(version) == ""


def test_a_letter_and_two_digits_is_a_family_of_boards_with_one_maker_and_a_release_elsewhere():
    assert parse_version("P89", maker="HP").scheme.meaning is Meaning.BOARD_NAME
    assert parse_version("A14", maker="").scheme.meaning is Meaning.RELEASE


def test_parts_trials_marks_and_build_times_are_told():
    version = parse_version("N20ET61P (1.46 )", maker="lenovo")
    assert version.parts == {"line_code": "N20ET", "b36_revision": "61", "tail_mark": "P"}
    assert (version.line, version.tail, version.is_trial) == ("N20ET", "P", False)

    assert parse_version("F14e", maker="gigabyte").is_trial
    assert not parse_version("F14", maker="gigabyte").is_trial
    assert parse_version("X12", maker="").on_trial_line
    assert not parse_version("A12", maker="").on_trial_line

    built = parse_version("FYBYT10H.86A.0034.2014.0513.1413", maker="intel").built
    assert built == "2014.0513.1413"


# ---- in words -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("maker", "a", "b", "sentence"),
    [
        (
            "hp",
            "F.1B",
            "F.19",
            "revision 1B is after 19: letters count as digits in this scheme",
        ),
        ("asus", "0801", "1203", "release 0801 is before 1203: the larger is later"),
        ("", "1.10", "1.9", "version 1.10 is after 1.9: what stands between dots is a number"),
        (
            "gigabyte",
            "F14e",
            "F14",
            "'F14e' is before 'F14': letter e marks a trial before the one without it",
        ),
        (
            "supermicro",
            "2.0b",
            "2.0",
            "'2.0b' is after '2.0': letter b marks a later build than the one without it",
        ),
        (
            "acer",
            "V2.21",
            "V1.13",
            "major 2 is after 1: branches run side by side, and nothing behind goes back",
        ),
        (
            "acer",
            "V2.03",
            "V1.13",
            "'V2.03' and 'V1.13' are of branches that run side by side, and the later branch has "
            "the earlier number",
        ),
        ("", "4.6.5", "1.02", "'4.6.5' is a core number, not a release"),
        ("", "1.02", "Default string", "'Default string' is a placeholder, not a release"),
        ("", "Folio P1", "1.02", "'Folio P1' is a board name, not a release"),
        ("", "abc", "1.02", "'abc' fits no known scheme"),
        ("", "abc", "abc", "'abc' and 'abc' are one text, though it fits no known scheme"),
        (
            "lenovo",
            "N34ET21W",
            "N3WET17W",
            "'N34ET21W' and 'N3WET17W' belong to different lines, 'N34ET' and 'N3WET'",
        ),
        (
            "lenovo",
            "N20ET61P",
            "N20ET61W",
            "'N20ET61P' and 'N20ET61W' differ only in marks that have no order",
        ),
        ("", "v1.08", "V1.08", "'v1.08' and 'V1.08' are both 1.08"),
        (
            "asus",
            "42.19",
            "2603",
            "'42.19' and '2603' are numbered by different schemes, 'two numbers' and "
            "'four digits', and nobody knows which came first",
        ),
        (
            "apple",
            "MBP81.88Z.0047.B27.1201241646",
            "87.0.0.0.0",
            "'board, hexadecimal, build, build time' always came before 'five numbers': the maker "
            "changed all its machines from board codes to five numbers, once",
        ),
    ],
)
def test_the_reason_is_one_sentence(maker, a, b, sentence):
    assert explain(a, b, maker=maker, model="Folio P1 / FP1") == sentence


@pytest.mark.parametrize(
    ("maker", "text", "sentence"),
    [
        ("hp", "F.1B", "read as letter.revision: letter F, revision 1B"),
        (
            "lenovo",
            "N1MET50W (1.35 )",
            "read as line, revision: code N1MET, revision 50, mark W",
        ),
        ("", "080015", "'080015' is a core number, not a release"),
        ("", "abc", "'abc' fits no known scheme"),
    ],
)
def test_one_version_is_described_by_its_parts(maker, text, sentence):
    assert describe(parse_version(text, maker=maker)) == sentence


# ---- any text at all ----------------------------------------------------------------------------

HOSTILE = [
    "",
    " " * 10_000,
    "1." * 5_000,
    "9" * 5_000,
    "A" * 10_000,
    "(" * 64,
    "." * 64,
    "-" * 64,
    "0" * 64,
    "a_" * 32,
    "F" + "1" * 63,
    "N1MET50W (1.35 )\x00",
    "1.2\n3",
    "1.2\n",
    "\x1b[31m1.2",
    "\u202e21.1V",  # right-to-left override
    "\u05d0\u05d1 1.2",  # Hebrew
    "١.٢",  # Arabic-Indic digits
    "１.２",  # full-width digits
    "²",
    "\ud800",  # half a surrogate pair, as undecodable bytes may become
    "1.2|3|4|5",
    "{line_code}",
]


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
@pytest.mark.parametrize("maker", ["", "msi", "\u202e", "x" * 10_000])
def test_no_text_and_no_maker_raises_anything(text, maker):
    version = parse_version(text, maker=maker)

    assert version.text == text
    assert sort_key(version).isascii()
    assert isinstance(version.canonical, str)
    assert order(text, "1.2", maker) is OPPOSITE[order("1.2", text, maker)]
    assert describe(version)
    assert explain(text, "1.2", maker=maker, model=text)


def test_digits_of_other_scripts_are_no_numbers():
    assert order("١.٢", "١.٣") is Order.UNKNOWN
    assert order("１.２", "１.３") is Order.UNKNOWN


def test_a_longer_text_than_any_release_is_kept_but_not_read():
    text = "1." + "0" * LONGEST_TEXT
    assert parse_version(text, maker="").scheme.meaning is Meaning.UNKNOWN
    assert parse_version(text, maker="").text == text


FROM_THE_TABLE = st.sampled_from(SCHEMES).flatmap(
    lambda scheme: st.from_regex(re.compile(scheme.pattern, re.X | re.A), fullmatch=True)
)
OF_ONE_SCHEME = st.sampled_from(SCHEMES).flatmap(
    lambda scheme: st.lists(
        st.from_regex(re.compile(scheme.pattern, re.X | re.A), fullmatch=True),
        min_size=3,
        max_size=3,
    )
)
MAKERS = st.sampled_from(["", "hp", "msi", "acer"])


@given(FROM_THE_TABLE | st.text(), FROM_THE_TABLE | st.text(), MAKERS)
def test_older_one_way_round_is_newer_the_other_way_round(a, b, maker):
    assert order(a, b, maker) is OPPOSITE[order(b, a, maker)]


@settings(max_examples=300)
@given(OF_ONE_SCHEME | st.lists(FROM_THE_TABLE, min_size=3, max_size=3), MAKERS)
def test_older_is_transitive(texts, maker):
    for a, b, c in itertools.permutations(texts):
        if order(a, b, maker) is Order.OLDER and order(b, c, maker) is Order.OLDER:
            assert order(a, c, maker) is Order.OLDER


@settings(max_examples=300)
@given(OF_ONE_SCHEME, MAKERS)
def test_keys_of_one_line_and_branch_are_in_the_order_of_the_versions(texts, maker):
    for a, b in itertools.permutations(texts, 2):
        a_key, b_key = (sort_key(parse_version(text, maker=maker)) for text in (a, b))
        if a_key and a_key.rpartition("|")[0] == b_key.rpartition("|")[0]:
            assert (a_key < b_key) is (order(a, b, maker) is Order.OLDER)


def test_hand_overs_stay_transitive():
    followed_by = {(hand_over.before, hand_over.after) for hand_over in HAND_OVERS}
    assert all(
        (first, last) in followed_by
        for first, middle in followed_by
        for other, last in followed_by
        if other == middle
    )
