"""The table of schemes: what each row reads, and that the table keeps its own promises."""

import itertools
import re

import pytest

from flashworthy_common.versions import Meaning, Order, compare, parse_version
from flashworthy_common.versions.schemes import HAND_OVERS, SCHEMES

KINDS = {"line", "branch", "num", "dots", "b36", "pre", "post", "tail", "built"}
RELEASES = [scheme for scheme in SCHEMES if scheme.meaning is Meaning.RELEASE]


def maker_of(scheme):
    return min(scheme.makers, default="")


# raw -> scheme, canonical spelling; real version texts.
READ_AS = [
    ("lenovo", "N1MET50W (1.35 )", "line, revision", "N1MET50W"),
    ("lenovo", "8TCN45WW X64", "line, revision", "8TCN45WW"),
    ("lenovo", "7UCN21WW(V1.10.ELCOT.1)", "line, revision", "7UCN21WW"),
    ("lenovo", "CLCN32WW.DPC10", "line, revision", "CLCN32WW"),
    ("lenovo", "5DCN90WW(V8.01)", "line CN, trial revision", "5DCN90WW"),
    ("ibm", "-[IVE136X-2.13]-", "line, build, version", "IVE136X"),
    ("hp", "T70 Ver. 01.08.20", "line Ver. numbers", "T70 Ver. 01.08.20"),
    ("hp", "786G2 v01.15", "line v numbers", "786G2 v01.15"),
    ("hp", "68MDU Ver. F.0B", "line Ver. letter.revision", "68MDU Ver. F.0B"),
    ("hp", "F.1B", "letter.revision", "F.1B"),
    ("msi", "E1758IMS.10E", "board code.major revision", "E1758IMS.10E"),
    ("msi", "A163CIMS V1.6", "board code V digit.digits", "A163CIMS V1.6"),
    ("msi", "1.A0", "tens and trials", "1.A0"),
    ("msi", "2.Q5", "tens and trials", "2.Q5"),
    ("msi", "1.A1G", "variant.letter and two", "1.A1G"),
    ("msi", "V28.10", "V variant.number", "V28.10"),
    ("msi", "V22.5B6", "V variant.number", "V22.5B6"),
    ("msi", "V1.63", "two numbers", "1.63"),
    ("msi", "E16F1IMS VER1.0D", "board code.major revision", "E16F1IMS.10D"),
    ("acer", "V1.28.", "V major.number, one major per system", "V1.28"),
    ("acer", "P01-B2L", "branch, numbers and letter", "P01-B2L"),
    ("asus", "X555UB.204", "model.number", "X555UB.204"),
    ("asus", "1012.002", "four digits.three digits", "1012.002"),
    ("asus", "0801", "four digits", "0801"),
    ("asus", "9027", "four digits, trial", "9027"),
    ("asus", "205T01", "three digits", "205T01"),
    ("asus", "20300", "five digits", "20300"),
    ("oracle", "08140112", "eight digits", "08140112"),
    ("asus", "ASUS M2N-E ACPI BIOS Revision 1703", "sentence with number", "ASUS M2N-E 1703"),
    ("gigabyte", "F14e", "letter and number", "F14e"),
    ("gigabyte", "F8 RH", "letter and number", "F8 RH"),
    ("gigabyte", "FDj", "F and letter", "FDj"),
    ("gigabyte", "FB04", "F, letter and number", "FB04"),
    ("gigabyte", "FB0A", "F, letter and number", "FB0A"),
    ("a large vendor", "A09", "A and two digits", "A09"),
    ("a large vendor", "X36", "A and two digits", "X36"),
    ("asrock", "P1.20", "P or L, two numbers", "P1.20"),
    ("intel", "BLH6710H.86A.0125.2011.0705.1517", "board, build number, build time", None),
    ("intel", "RL86510A.86A.0061.P09.0308281850", "board, build number, build time", None),
    ("intel", "SE5C620.86B.02.01.0008.031920191559", "board, numbers, build time", None),
    ("apple", "MBP81.88Z.0047.B27.1201241646", "board, hexadecimal, build, build time", None),
    ("apple", "425.0.0.0.0", "five numbers", "425.0.0.0.0"),
    ("apple", "2020.80.3.0.0 (iBridge: 21.16.3030.5.2,0)", "five numbers", "2020.80.3.0.0"),
    ("fujitsu", "V4.6.5.4 R1.25.0 for D3220-A1x", "core, release, board", "R1.25.0 for D3220-A1x"),
    ("fujitsu", "6.00 R1.09.2608.A1", "core, release, board", "R1.09 for D2608.A1"),
    ("fujitsu", "Version 1.29", "two numbers", "1.29"),
    ("samsung", "01LC.M015.20090528.Jay", "number, board, build, build date", "01LC"),
    ("samsung", "P08CFB.034.210609.HQ", "P number, board", "P08CFB"),
    ("samsung", "P04HAC.000.180220.WY.1219", "P number, board", "P04HAC"),
    ("samsung", "09QA", "number, board letters", "09QA"),
    ("sony", "R0220E5", "R number, board", "R0220E5"),
    ("xiaomi", "RMALC4B0P0C0C", "board P twice the revision", "RMALC4B0P0C0C"),
    ("foxconn", "AC3F1P01", "board, letter and digits", "AC3F1P01"),
    ("fujitsu", "1.0C-0043-0020", "revision, core, board", "1.0C"),
    ("getac", "R1.02.070520", "numbers, board digits", "R1.02.070520"),
    ("tuxedo", "N.1.07.A02", "N. numbers, customer", "N.1.07A02"),
    ("cisco", "C220M4.4.1.2b.0.0625202204", "server, numbers, build time", "C220M4.4.1.2b"),
    ("google", "MrChromebox-4.18-pre", "builder, numbers", "MrChromebox-4.18-pre"),
    ("", "4.13-1531-g2fae1c0494", "numbers, commits", "4.13-1531"),
    ("system76", "2023-09-19_16ef69c", "day of the build", "2023-09-19"),
    ("microsoft", "235.3261.768", "branch.build.product", "235.3261.768"),
    ("panasonic", "V4.00L18", "two numbers, letter, number", "V4.00L18"),
    ("supermicro", "2.0b", "two numbers", "2.0b"),
    ("clevo", "1.07.10RTR1", "three numbers", "1.07.10RTR1"),
    ("pc engines", "v4.11.0.6", "four numbers", "4.11.0.6"),
    ("azw", "ADLNV105", "words, number", "ADLNV105"),
    ("jumper", "E.A117X_1.D8.E1.066.bin", "words, number", "E.A117X_1.D8.E1.066"),
    ("seeedstudio", "SD-BS-CJ41G-300-101-K", "words, letter", "SD-BS-CJ41G-300-101-K"),
    ("packard bell", "4A04", "digit, letter, digits", "4A04"),
    ("quanta", "Q3F41", "customer, letter and digits", "Q3F41"),
    ("asus", "205T", "three digits", "205T"),
    ("compal", "119B", "three digits", "119B"),
    ("igel", "M350C V:3.5.13A-07222020", "V: numbers, build day", "M350C V:3.5.13A"),
    ("medion", "AP618_MED_V0.13.1_M00P1T0G0", "words V numbers, words", None),
]


@pytest.mark.parametrize(("maker", "text", "scheme", "canonical"), READ_AS)
def test_a_text_is_read_by_its_scheme_and_spelt_canonically(maker, text, scheme, canonical):
    version = parse_version(text, maker=maker)

    assert version.scheme.name == scheme
    assert canonical is None or version.canonical == canonical


@pytest.mark.parametrize("scheme", RELEASES, ids=lambda scheme: scheme.name)
def test_a_canonical_spelling_is_read_as_the_same_version_where_it_is_complete(scheme):
    for text in scheme.examples:
        version = parse_version(text, maker=maker_of(scheme))
        again = parse_version(version.canonical, maker=maker_of(scheme))
        assert again.canonical == version.canonical
        if again.scheme is scheme:
            assert again.key.rpartition("|")[0] == version.key.rpartition("|")[0]


@pytest.mark.parametrize("scheme", SCHEMES, ids=lambda scheme: scheme.name)
def test_the_examples_of_a_scheme_are_read_by_it(scheme):
    assert scheme.examples
    for text in scheme.examples:
        assert parse_version(text, maker=maker_of(scheme)).scheme is scheme, text


@pytest.mark.parametrize("scheme", RELEASES, ids=lambda scheme: scheme.name)
def test_the_examples_of_a_scheme_stand_from_old_to_new(scheme):
    assert len(scheme.examples) > 1
    for a, b in itertools.combinations(scheme.examples, 2):
        assert compare(a, b, maker=maker_of(scheme), model="") is Order.OLDER, (a, b)


@pytest.mark.parametrize("scheme", SCHEMES, ids=lambda scheme: scheme.name)
def test_a_pattern_has_named_groups_of_known_kinds_only(scheme):
    pattern = re.compile(scheme.pattern, re.X | re.A)

    assert pattern.groups == len(pattern.groupindex)
    assert tuple(pattern.groupindex) == scheme.part_names
    assert {name.partition("_")[0] for name in scheme.part_names} <= KINDS
    assert not set(scheme.name) & set("|%")  # the sort key is divided and filled in by these
    assert scheme.learned


def test_names_of_schemes_are_unique_and_hand_overs_use_them():
    names = [scheme.name for scheme in SCHEMES]
    assert len(names) == len(set(names))
    assert {n for hand_over in HAND_OVERS for n in (hand_over.before, hand_over.after)} <= set(
        names
    )
