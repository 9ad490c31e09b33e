"""Every numbering scheme that is understood, as one table read top to bottom.

The first row whose pattern fits the whole text (blanks around it apart) reads it. What no row fits
stays unknown. A pattern is verbose; the names of its groups say what a part does:

=============  ==================================================================================
``line_...``   identifies the line or board; versions of two lines are never compared
``branch_...`` a major number that runs beside others: later only where the rest is later too
``num_...``    a decimal number
``dots_...``   decimal numbers with dots between; zeros at the end count for nothing
``b36_...``    digits and letters, every letter after every digit (base 36)
``pre_...``    present means *before* the same version without it
``post_...``   present means *after* the same version without it
``tail_...``   a builder's or customer's mark: told, no part of the order
``built_...``  when it was built: told, no part of the order (old branches are re-issued)
=============  ==================================================================================

Parts weigh from left to right. What a pattern matches outside its groups carries no order.
Examples stand from old to new. The schemes were learned from the versions and release dates of real
machines (open collection ``linuxhw/DMI``, CC BY 4.0); ``learned`` names the machines.
"""

import re
from dataclasses import dataclass
from enum import StrEnum


class Meaning(StrEnum):
    """What a text of a scheme tells."""

    RELEASE = "release"
    CORE_NUMBER = "core number"  # of the code that the firmware was built on, not of the firmware
    PLACEHOLDER = "placeholder"
    VIRTUAL_MACHINE = "virtual machine"
    BOARD_NAME = "board name"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Scheme:
    """One named grammar.

    Attributes:
        name: stable; the first part of every sort key.
        learned: on which machines the rule was seen.
        examples: from old to new; for what is no release, in any order.
        pattern: verbose regular expression with the groups described above.
        spelling: the canonical spelling, a format string over the groups (absent ones are empty).
        makers: canonical machine makers in lower case that alone number so; empty means everybody.
        except_makers: those who mean something else by this shape.
    """

    name: str
    learned: str
    examples: tuple[str, ...]
    pattern: str
    spelling: str = ""
    meaning: Meaning = Meaning.RELEASE
    makers: frozenset[str] = frozenset()
    except_makers: frozenset[str] = frozenset()

    @property
    def part_names(self) -> tuple[str, ...]:
        """The names of the groups of the pattern, in their order."""
        return tuple(re.findall(r"\(\?P<(\w+)>", self.pattern))

    def is_used_by(self, maker: str) -> bool:
        """Whether ``maker`` (canonical, in lower case) numbers so."""
        return (not self.makers or maker in self.makers) and maker not in self.except_makers


_HP = frozenset({"hp", "compaq", "hpe"})
_MSI = frozenset({"msi"})
_ACER_GROUP = frozenset({"acer", "packard bell", "gateway", "emachines"})

SCHEMES: tuple[Scheme, ...] = (
    # ---- line or model, then what orders ---------------------------------------------------------
    Scheme(
        name="line CN, trial revision",
        learned="consumer notebooks of lenovo: revisions from 80 came out beside those below",
        examples=("5DCN89WW(V8.00)", "5DCN90WW(V8.01)", "5DCN96WW(V9.01)"),
        pattern=r"""
            (?P<line_code>[0-9A-Z]{2}CN)
            (?P<b36_revision>[89][0-9A-Z])
            (?P<tail_mark>WW|W)
            (?:[ ]?\((?:V?[0-9]\.[0-9]{2}|(?P<tail_special>[^()]{1,20}))\))?
            (?:[ ]X64)?
            """,
        spelling="{line_code}{b36_revision}{tail_mark}",
    ),
    Scheme(
        name="line, revision",
        learned="notebooks and desktops of lenovo, notebooks of ibm",
        examples=("N1MET09W (1.02 )", "N1MET50W (1.35 )", "N1META1W (2.01 )", "N1METB0P"),
        pattern=r"""
            (?P<line_code>[0-9A-Z]{2,3}?(?:[A-Z]T|CN))  # product, kind of product
            (?P<b36_revision>[0-9A-Z]{2})
            (?P<tail_mark>[A-Z][0-9A-Z]{0,2})
            (?:\.(?P<tail_customer>[0-9A-Z]{1,6})
              |[ ]?\((?:[ ]?V?[0-9]\.[0-9]{2}[ ]?|(?P<tail_special>[^()]{1,20}))\))?
            (?:[ ](?:X64|S))?
            """,
        spelling="{line_code}{b36_revision}{tail_mark}",
    ),
    Scheme(
        name="line, build, version",
        learned="servers of ibm and lenovo; the version behind follows the build",
        examples=("IVE136X-2.13", "IVE182H-4.10"),
        pattern=r"""
            (?:-\[)?
            (?P<line_code>[0-9A-Z]{3})
            (?P<num_build>[0-9]{3})
            (?P<tail_mark>[A-Z]{1,3})-[0-9]\.[0-9]{2}
            (?:\]-)?
            """,
        spelling="{line_code}{num_build}{tail_mark}",
    ),
    Scheme(
        name="line Ver. numbers",
        learned="business machines of hp since 2014; majors from 50 were trials",
        examples=("N02 Ver. 02.05", "N02 Ver. 02.16", "N02 Ver. 02.16.01"),
        pattern=r"""
            (?P<line_code>[A-Z][0-9]{2})[ ]Ver\.[ ]
            (?:(?P<line_trial>[5-9][0-9])\.)?
            (?P<dots_version>[0-9]{2}(?:\.[0-9]{2}){0,2})
            """,
        spelling="{line_code} Ver. {line_trial}{dots_version}",
    ),
    Scheme(
        name="line Ver. letter.revision",
        learned="business notebooks of hp before 2014",
        examples=("68MDU Ver. F.09", "68MDU Ver. F.0B", "68MDU Ver. F.20"),
        pattern=r"""
            (?P<line_code>[0-9A-Z]{3,5})[ ]Ver\.[ ]
            (?P<line_letter>[A-Z])\.
            (?P<b36_revision>[0-9A-Z]{2})
            """,
        spelling="{line_code} Ver. {line_letter}.{b36_revision}",
    ),
    Scheme(
        name="line v numbers",
        learned="business desktops of hp before 2016",
        examples=("K01 v02.05", "K01 v02.83", "K01 v03.04"),
        pattern=r"""
            (?P<line_code>[0-9A-Z]{3,5})[ ]v
            (?P<tail_series>A\.?)?
            (?:(?P<line_trial>[5-9][0-9])\.)?
            (?P<dots_version>[0-9]{1,2}(?:\.[0-9]{2})?)
            (?P<post_letter>[A-Z])?
            """,
        spelling="{line_code} v{tail_series}{line_trial}{dots_version}{post_letter}",
    ),
    Scheme(
        name="board code.major revision",
        learned="notebooks of msi: majors belong to variants sold at the same time",
        examples=("E1758IMS.109", "E1758IMS.10E", "E1758IMS.110", "E1758IMS.11A"),
        pattern=r"""
            (?P<line_board>[AEM][0-9][0-9A-Z]{3}[A-Z](?:MS|LN))(?:\.|[ ]VER\.?)
            (?P<line_major>[0-9A-Z])\.?
            (?P<b36_revision>[0-9A-Z]{2})
            (?P<tail_mark>\.[A-Z]{2})?
            """,
        spelling="{line_board}.{line_major}{b36_revision}",
    ),
    Scheme(
        name="V variant.number",
        learned="boards of msi before 2013; the major names a variant of the board",
        examples=("V1.8", "V1.9B2", "V1.10"),
        pattern=r"""
            V(?P<line_variant>[0-9]{1,2})\.
            (?P<num_release>1?[0-9])            # what seems higher, as in V1.63, is another count
            (?:(?<=\.[0-9])(?P<tail_trial>B[0-9]{1,2}))?
            """,
        spelling="V{line_variant}.{num_release}{tail_trial}",
        makers=_MSI,
    ),
    Scheme(
        name="four digits.three digits",
        learned="boards of asus before 2007",
        examples=("1012.002", "1013.008", "1018.001"),
        pattern=r"(?P<num_major>[0-9]{4})\.(?P<num_minor>[0-9]{3})",
        spelling="{num_major}.{num_minor}",
    ),
    Scheme(
        name="model.number",
        learned="notebooks of asus",
        examples=("X555UB.204", "X555UB.300", "X555UB.304"),
        pattern=r"""
            (?P<line_model>[0-9A-Z]{3,10}[a-z]?)\.
            (?P<b36_number>[0-9A-Z]{3})
            """,
        spelling="{line_model}.{b36_number}",
    ),
    Scheme(
        name="board, build number, build time",
        learned="boards and small desktops of intel",
        examples=(
            "FYBYT10H.86A.0034.2014.0513.1413",
            "FYBYT10H.86A.0072.2020.0609.0913",
        ),
        pattern=r"""
            (?P<line_board>[0-9A-Za-z]{7,9}(?:\.[0-9A-F]{2}[A-Z])?)\.
            (?P<num_build>[0-9]{4})\.
            (?:P[0-9]{2}\.)?
            (?P<built_at>[0-9]{10}|[0-9]{4}\.[0-9]{4}\.[0-9]{4})
            """,
        spelling="{line_board}.{num_build}",
    ),
    # ---- digits alone ----------------------------------------------------------------------------
    Scheme(
        name="core number",
        learned="boards of many makers; it stays the same through all releases",
        examples=("080015", "4.6.5", "5.6.5", "6.00 PG"),
        pattern=r"""
              [0-9]{2}00[0-9]{2}                # 080015, 090006
            | 4\.6\.[0-9](?:\.[0-9]{1,2})?      # 4.6.5, 4.6.5.4
            | 5\.6\.[0-9]                       # 5.6.5
            | 6\.00[ ]?P[A-Z]                   # 6.00 PG
            """,
        meaning=Meaning.CORE_NUMBER,
    ),
    Scheme(
        name="four digits, trial",
        learned="boards of asus: numbers from 8000 came out beside those below",
        examples=("8002", "9004", "9017"),
        pattern=r"(?P<num_release>[89][0-9]{3})",
        spelling="{num_release}",
    ),
    Scheme(
        name="four digits",
        learned="boards of asus and pegatron",
        examples=("0309", "0801", "1203", "4021", "4204"),
        pattern=r"(?P<num_release>[0-7][0-9]{3})(?P<tail_mark>[A-Z])?",
        spelling="{num_release}{tail_mark}",
    ),
    Scheme(
        name="three digits",
        learned="notebooks of asus; T marks a trial",
        examples=("201", "205T01", "205", "212", "300"),
        pattern=r"(?P<num_release>[0-9]{3})(?:(?P<pre_trial>T(?:[0-9]{2})?)|(?P<tail_mark>[A-Z]))?",
        spelling="{num_release}{pre_trial}{tail_mark}",
    ),
    Scheme(
        name="five digits",
        learned="small desktops of asus",
        examples=("10400", "20300", "21000"),
        pattern=r"(?P<num_release>[0-9]{5})",
        spelling="{num_release}",
    ),
    Scheme(
        name="eight digits",
        learned="servers of oracle",
        examples=("08100102", "08140112"),
        pattern=r"(?P<num_release>[0-9]{8})",
        spelling="{num_release}",
    ),
    # ---- dotted numbers --------------------------------------------------------------------------
    Scheme(
        name="core number of generation 5",
        learned="boards of many makers since 2014; some numbered desktops so in 2009",
        examples=("5.11", "5.27"),
        pattern=r"5\.[1-3][1-9]                 # not 5.10, 5.20: makers that count in tens",
        meaning=Meaning.CORE_NUMBER,
        except_makers=_HP,
    ),
    Scheme(
        name="tens and trials",
        learned="boards of msi since 2013: 1.51 is a trial of 1.50, 2.Q5 a customer's own",
        examples=("1.30", "1.58", "1.50", "1.9V", "1.90", "1.A0", "1.B3", "1.B0"),
        pattern=r"""
            (?P<line_board>[0-9A-Z])\.          # variant of the board
            (?:(?P<line_customer>Q)             # built for one customer
              |(?P<b36_release>[0-9A-Z]))       # release, then letters
            (?:0|(?P<pre_trial>[0-9A-Z]))       # 0 marks the release itself
            """,
        spelling="{line_board}.{line_customer}{b36_release}{pre_trial:0>1}",
        makers=_MSI,
    ),
    Scheme(
        name="variant.letter and two",
        learned="boards of msi since 2024; 1.A1A came after 1.A15",
        examples=("1.A10", "1.A15", "1.A1A", "1.A20"),
        pattern=r"(?P<line_board>[0-9])\.(?P<b36_release>[A-Z][0-9A-Z]{2})",
        spelling="{line_board}.{b36_release}",
        makers=_MSI,
    ),
    Scheme(
        name="V major.number, one major per system",
        learned="notebooks of acer and its brands: V2.03 was before V1.13, V1.08 before V1.07J",
        examples=("V1.08", "V1.09", "V1.10", "V2.11"),
        pattern=r"""
            [Vv](?P<branch_major>[0-9])\.
            (?P<num_release>[0-9]{2,4})
            (?P<line_variant>[A-Za-z][0-9]{0,2})?\.?
            (?:\((?P<tail_special>[^()]{1,20})\))?
            """,
        spelling="V{branch_major}.{num_release}{line_variant}",
        makers=_ACER_GROUP,
    ),
    Scheme(
        name="letter.revision",
        learned="notebooks of hp",
        examples=("F.09", "F.0B", "F.19", "F.1B", "F.20"),
        pattern=r"""
            (?P<line_letter>[A-Z])\.
            (?P<b36_revision>[0-9A-Z]{2})
            """,
        spelling="{line_letter}.{b36_revision}",
    ),
    Scheme(
        name="P or L, two numbers",
        learned="boards of asrock: L marks a build of the laboratory, the numbers run on",
        examples=("P1.20", "P1.90", "L1.92", "P2.00", "P10.08"),
        pattern=r"""
            (?P<tail_series>[PL])
            (?P<dots_version>[0-9]{1,2}\.[0-9]{2})
            (?P<post_letter>[A-Za-z])?
            """,
        spelling="{tail_series}{dots_version}{post_letter}",
    ),
    Scheme(
        name="branch.build.product",
        learned="tablets of microsoft before 2020: the branch names a line of development",
        examples=("235.3261.768", "235.3732.768", "237.3982.768"),
        pattern=r"""
            (?P<branch_number>[0-9]{3})\.
            (?P<num_build>[0-9]{2,5})\.
            (?P<line_product>[0-9]{3})
            """,
        spelling="{branch_number}.{num_build}.{line_product}",
    ),
    Scheme(
        name="two numbers, letter, number",
        learned="rugged notebooks of panasonic, trial builds of msi",
        examples=("V1.00L16", "V1.00L25", "V1.02L01"),
        pattern=r"""
            V(?P<dots_version>[0-9]{1,2}\.[0-9]{1,2})
            (?P<line_letter>[A-Z])
            (?P<num_build>[0-9]{1,2})
            """,
        spelling="V{dots_version}{line_letter}{num_build}",
    ),
    Scheme(
        name="two numbers",
        learned="many makers; major 0 and majors from 50 are trials; 2.0b is 2.0 mended",
        examples=("1.9", "1.10", "2.0", "2.0b", "3.1"),
        pattern=r"""
            (?:[Vv]|Version[ ])?(?=[0-9]+\.[0-9])
            (?:(?P<line_trial>0|[5-9][0-9])\.)?
            (?P<dots_version>[0-9]{1,4}(?:\.[0-9]{1,4})?)
            (?:(?P<post_letter>[A-Za-z])
              |[-.](?P<tail_mark>[A-Z]{1,4}[0-9]{0,2})
              |[ ](?:T|R\.C\.[ ])(?P<pre_trial>[0-9]{1,2}))?
            \.{0,3}
            """,
        spelling="{line_trial}{dots_version}{post_letter}{pre_trial}",
    ),
    Scheme(
        name="three numbers",
        learned="notebooks of clevo and many others; customers' marks behind",
        examples=("1.9.0", "1.10.0", "1.10.1", "2.0.0"),
        pattern=r"""
            [Vv]?
            (?:(?P<line_trial>0|[5-9][0-9])\.)?
            (?P<dots_version>[0-9]{1,4}(?:\.[0-9]{1,4}){1,2})
            (?P<tail_mark>[-.]?[A-Za-z][0-9A-Za-z]{0,6})?
            """,
        spelling="{line_trial}{dots_version}{tail_mark}",
    ),
    Scheme(
        name="four numbers",
        learned="boards with open firmware",
        examples=("v4.8.0.6", "v4.11.0.3"),
        pattern=r"[Vv]?(?P<dots_version>[0-9]{1,4}(?:\.[0-9]{1,4}){3})",
        spelling="{dots_version}",
    ),
    Scheme(
        name="five numbers",
        learned="machines of apple since 2018; the companion chip's number behind",
        examples=("87.0.0.0.0", "425.0.0.0.0", "429.80.1.0.0", "1554.120.15.0.0"),
        pattern=r"""
            (?P<dots_version>[0-9]{1,4}(?:\.[0-9]{1,3}){4})
            (?:[ ]\(iBridge:[ ](?P<dots_companion>[0-9]{1,5}(?:\.[0-9]{1,5}){4}),[0-9]\))?
            """,
        spelling="{dots_version}",
    ),
    # ---- one letter and a number -----------------------------------------------------------------
    Scheme(
        name="board family",
        learned="servers of hp, whose version is a date elsewhere",
        examples=("P89", "U48"),
        pattern=r"[A-Z][0-9]{2}",
        meaning=Meaning.BOARD_NAME,
        makers=_HP,
    ),
    Scheme(
        name="A and two digits",
        learned="business machines, before three numbers; X marks trials (from memory)",
        examples=("A00", "A09", "A10", "A29"),
        pattern=r"(?:A|(?P<line_trial>X))(?P<num_release>[0-9]{2})",
        spelling="{line_trial:A>1}{num_release}",
    ),
    Scheme(
        name="letter and number",
        learned="boards of gigabyte: F14e is a trial before F14, F14 RB a later build of F14",
        examples=("F2", "F9", "F10", "F14a", "F14e", "F14", "F14 RB"),
        pattern=r"""
            (?P<line_letter>[A-Z])
            (?P<num_release>[0-9]{1,2})
            (?P<pre_letter>[A-Za-z])?
            (?:[ ](?P<post_rebuilt>[0-9A-Z]{2,3}))?
            """,
        spelling="{line_letter}{num_release}{pre_letter} {post_rebuilt}",
    ),
    Scheme(
        name="F and letter",
        learned="boards of gigabyte, other board revisions; never compared with F and number",
        examples=("FA", "FB", "FDj", "FDk", "FD"),
        pattern=r"""
            F(?P<b36_release>[A-Z])
            (?P<pre_letter>[a-z])?
            (?:[ ](?P<post_rebuilt>[0-9A-Z]{2,3}))?
            """,
        spelling="F{b36_release}{pre_letter} {post_rebuilt}",
    ),
    Scheme(
        name="F, letter and number",
        learned="notebooks and newer board revisions of gigabyte",
        examples=("FA2", "FA3a", "FA3", "FA09", "FA0A", "FA10"),
        pattern=r"""
            F(?P<line_letter>[A-Z])
            (?P<num_tens>[0-9](?=[0-9A-F]))?    # absent counts as 0
            (?P<b36_ones>[0-9]|(?<=[0-9])[A-F]) # notebooks go on with letters: FB0A
            (?P<pre_letter>[a-z])?
            """,
        spelling="F{line_letter}{num_tens}{b36_ones}{pre_letter}",
    ),
    # ---- codes of single makers ------------------------------------------------------------------
    Scheme(
        name="board, hexadecimal, build, build time",
        learned="machines of apple until 2018",
        examples=(
            "MBP81.88Z.0047.B27.1201241646",
            "MBP81.88Z.0047.B2A.1506082203",
            "MBP81.88Z.004D.B00.1708080655",
        ),
        pattern=r"""
            (?P<line_board>[A-Z]{2,3}[0-9]{2,3})\.88Z\.
            (?P<b36_release>[0-9A-F]{4})\.
            (?P<b36_build>B[0-9A-Z]{2})\.
            (?P<built_at>[0-9]{10})
            """,
        spelling="{line_board}.88Z.{b36_release}.{b36_build}",
    ),
    Scheme(
        name="core, release, board",
        learned="mainboards of fujitsu; the core's number in front carries no order",
        examples=(
            "V4.6.5.4 R1.9.0 for D3220-A1x",
            "V4.6.5.4 R1.25.0 for D3220-A1x",
            "V4.6.5.4 R1.47.0 for D3220-A1x",
        ),
        pattern=r"""
            V?[0-9.]{4,9}[ ]R(?:ev\.[ ])?       # core: V4.6.5.4, 6.00
            (?P<dots_release>[0-9]{1,2}\.[0-9]{1,2}(?:\.[0-9]){0,2})
            (?P<tail_special>\.SR\.[0-9])?
            (?:[ ]for[ ]D|\.)
            (?P<line_board>[0-9]{4}(?:[.-][A-Z][0-9]x?)?)
            """,
        spelling="R{dots_release}{tail_special} for D{line_board}",
    ),
    Scheme(
        name="R number, board",
        learned="notebooks of sony",
        examples=("R0180E5", "R0220E5"),
        pattern=r"R(?P<branch_major>[0-9])(?P<num_release>[0-9]{3})(?P<line_board>[A-Z][0-9A-Z])",
        spelling="R{branch_major}{num_release}{line_board}",
    ),
    Scheme(
        name="number, board, build, build date",
        learned="notebooks of samsung until 2013",
        examples=("01LC.M015.20090528.Jay", "02LC.M021.20090803.Jay"),
        pattern=r"""
            (?P<num_release>[0-9]{2})
            (?P<line_board>[0-9A-Z]{2})\.
            [A-Z]{0,2}(?P<num_build>[0-9]{2,4})[ ]?\.
            (?P<built_on>[0-9]{8})\.[A-Za-z]{2,3}
            """,
        spelling="{num_release}{line_board}",
    ),
    Scheme(
        name="P number, board",
        learned="notebooks of samsung since 2012",
        examples=("P05CFB.031.210303.HQ", "P08CFB.034.210609.HQ"),
        pattern=r"""
            P(?P<num_release>[0-9]{2})
            (?P<line_board>[A-Z]{3})
            (?:\.(?P<num_build>[0-9]{3})\.(?P<built_on>[0-9]{6})\.[0-9A-Za-z]{2,3}(?:\.[0-9]{4})?)?
            """,
        spelling="P{num_release}{line_board}",
    ),
    Scheme(
        name="number, board letters",
        learned="notebooks of samsung before 2013",
        examples=("05QA", "09QA", "10QA"),
        pattern=r"(?P<num_release>[0-9]{2})(?P<line_board>[A-Z]{2})",
        spelling="{num_release}{line_board}",
    ),
    Scheme(
        name="N. numbers, customer",
        learned="notebooks of tongfang under many names",
        examples=("N.1.09.A04", "N.1.12A06", "N.1.13A11"),
        pattern=r"""
            N\.(?P<dots_release>[0-9]\.[0-9]{2})
            \.?(?P<line_customer>[A-Z]{0,3})
            (?P<num_build>[0-9]{0,2})
            """,
        spelling="N.{dots_release}{line_customer}{num_build}",
    ),
    Scheme(
        name="branch, numbers and letter",
        learned="desktops of acer, notebooks of fujitsu siemens: P01 and P11 run side by side",
        examples=("P01-A3", "P01-A3L", "P01-B1", "P02-A0", "P12-B2"),
        pattern=r"""
            (?P<line_letter>[PRT])
            (?P<branch_tens>[0-9])(?P<num_major>[0-9])-
            (?P<b36_release>[A-Z][0-9])
            (?P<post_letter>[A-Z])?
            (?P<tail_mark>[0-9A-Z]{1,3})?
            """,
        spelling="{line_letter}{branch_tens}{num_major}-{b36_release}{post_letter}{tail_mark}",
    ),
    Scheme(
        name="board P twice the revision",
        learned="notebooks of xiaomi: the hexadecimal revision stands there twice",
        examples=("RMALC4B0P0909", "RMALC4B0P0C0C", "RMALC4B0P1212"),
        pattern=r"""
            (?P<line_board>[A-Z]{5}[0-9A-Z]{3})P
            (?P<b36_revision>[0-9A-Z]{4})
            """,
        spelling="{line_board}P{b36_revision}",
    ),
    Scheme(
        name="sentence with number",
        learned="boards of asus before 2010; numbers from 3000 were trials",
        examples=(
            "ASUS M2N-E ACPI BIOS Revision 0802",
            "ASUS M2N-E ACPI BIOS Revision 1703",
        ),
        pattern=r"""
            (?P<line_board>[A-Z]{3,10}[ ][0-9A-Z/\-.+() ]{2,40}?)
            (?:[ ]ACPI[ ]BIOS[ ]Revision)?[ ]
            (?P<line_trial>[3-9](?=[0-9]{3}))?  # the first of four digits
            (?P<num_release>[0-9]{3,4})
            """,
        spelling="{line_board} {line_trial}{num_release}",
    ),
    Scheme(
        name="board code V digit.digits",
        learned="notebooks of msi before 2010; the digits behind the dot are read one by one",
        examples=("A163CIMS V1.58", "A163CIMS V1.6", "A163CIMS V1.65", "A163CIMS V1.7"),
        pattern=r"""
            (?P<line_board>[AEPW][0-9A-Z]{4,6}MS)[ ]
            (?:V|Ver|VER)\.?
            (?P<line_major>[0-9])\.
            (?P<b36_tens>[0-9A-Z])
            (?P<b36_ones>[0-9A-Z]?)
            """,
        spelling="{line_board} V{line_major}.{b36_tens}{b36_ones}",
    ),
    Scheme(
        name="board, letter and digits",
        learned="boards of foxconn, notebooks of lg",
        examples=("AC3F1020", "AC3F1P01", "AC3F1P05", "AC3F1S10"),
        pattern=r"""
            (?P<line_board>[0-9A-Z]{3}F1|Q[0-9A-Z]{4})
            (?P<b36_revision>[0-9A-Z][0-9]{2})
            """,
        spelling="{line_board}{b36_revision}",
    ),
    Scheme(
        name="revision, core, board",
        learned="notebooks of fujitsu siemens, boards of itautec",
        examples=("1.0C-0043-0020", "1.0H-1646-0024"),
        pattern=r"""
            (?P<line_major>[0-9A-Z])\.
            (?P<b36_revision>[0-9A-Z]{2})[ ]?-[ ]?
            (?P<tail_board>[0-9]{3,4}[ ]?-[ ]?[0-9A-F]{4})
            """,
        spelling="{line_major}.{b36_revision}",
    ),
    Scheme(
        name="numbers, board digits",
        learned="rugged and oem notebooks",
        examples=("R1.02.070520", "R3.06.070520"),
        pattern=r"""
            R(?P<dots_release>[0-9]\.[0-9]{2})
            (?:(?P<line_board>\.[0-9]{6})|[ ](?P<built_on>[0-9]{6}))
            (?:[ ](?P<tail_mark>[A-Z]{3}))?
            """,
        spelling="R{dots_release}{line_board}",
    ),
    Scheme(
        name="customer, letter and digits",
        learned="notebooks of quanta: the first letter names the customer, the next the generation",
        examples=("DR192", "QS142", "DU181", "QU272"),
        pattern=r"""
            (?P<tail_customer>[A-Z])
            (?P<line_board>[0-9])?
            (?P<b36_revision>[A-Z][0-9]{2,3})
            """,
        spelling="{tail_customer}{line_board}{b36_revision}",
        makers=frozenset({"quanta"}),
    ),
    Scheme(
        name="digit, letter, digits",
        learned="notebooks of acer and packard bell before 2008",
        examples=("3A33", "3A37", "4A04", "6A01"),
        pattern=r"(?P<b36_release>[0-9]A[0-9]{2})",
        spelling="{b36_release}",
    ),
    Scheme(
        name="board, numbers, build time",
        learned="server boards of intel",
        examples=(
            "SE5C620.86B.02.01.0008.031920191559",
            "SE5C620.86B.02.01.0013.121520200651",
        ),
        pattern=r"""
            (?P<line_board>[0-9A-Z]{5,8}\.86B)\.
            (?:P\.)?
            (?P<dots_version>[0-9]{2}\.[0-9]{2}\.[0-9]{4})\.
            (?P<built_at>[0-9]{12})
            """,
        spelling="{line_board}.{dots_version}",
    ),
    Scheme(
        name="server, numbers, build time",
        learned="servers of cisco",
        examples=("C220M4.3.0.3c.0.0831170216", "C220M4.4.1.2b.0.0625202204"),
        pattern=r"""
            (?P<line_model>[BC][0-9]{3}M[0-9])\.
            (?P<dots_version>[0-9](?:\.[0-9]{1,2}){2})
            (?P<post_letter>[a-z])?\.0\.
            (?P<built_at>[0-9]{10,12})
            """,
        spelling="{line_model}.{dots_version}{post_letter}",
    ),
    # ---- firmware built from open sources --------------------------------------------------------
    Scheme(
        name="builder, numbers",
        learned="open firmware under the name of who built it",
        examples=(
            "MrChromebox-4.18-pre",
            "MrChromebox-4.18.2",
            "MrChromebox-4.22.2",
            "MrChromebox-4.22.2-5-g822782a1001",
            "MrChromebox-2408.1",
        ),
        pattern=r"""
            (?P<line_builder>MrChromebox|CBET4000|Google_[A-Z][a-z]+|[a-z]+boot)
            [-. ]
            (?P<dots_version>[0-9]{1,5}(?:\.[0-9]{1,5}){1,3})
            (?P<pre_word>-pre)?
            (?:-(?P<post_commits>[0-9]{1,5})-g[0-9a-f]{6,12})?
            (?:-dirty)?
            """,
        spelling="{line_builder}-{dots_version}{pre_word}",
    ),
    Scheme(
        name="numbers, commits",
        learned="open firmware built from a point between two releases",
        examples=("4.11-283-gb1ea707bda", "4.13-1531-g2fae1c0494"),
        pattern=r"""
            (?P<dots_version>[0-9]{1,2}\.[0-9]{1,2}(?:\.[0-9])?)
            -(?P<num_commits>[0-9]{1,5})-g[0-9a-f]{6,12}(?:-dirty)?
            """,
        spelling="{dots_version}-{num_commits}",
    ),
    Scheme(
        name="day of the build",
        learned="notebooks with open firmware, whose version is the day and the source's hash",
        examples=("2023-09-19_16ef69c", "2024-07-08_926f73d"),
        pattern=r"(?P<num_year>20[0-9]{2})-(?P<num_month>[0-9]{2})-(?P<num_day>[0-9]{2})_[0-9a-f]{7}",
        spelling="{num_year}-{num_month}-{num_day}",
    ),
    # ---- no release, by its words ----------------------------------------------------------------
    Scheme(
        name="placeholder",
        learned="boards that left the factory unnamed",
        examples=("To Be Filled By O.E.M.", "Default string", "INVALID", "x.x"),
        pattern=r"""
            (?i: to[ ]be[ ]filled.* | \$?\(?default[ _]string\)? | system[ ](?:product|version).*
               | not[ ](?:specified|applicable|available|present) | invalid | unknown | none | null
               | n/?a | o\.?e\.?m\.? | undefined | x+(?:\.x+)+ | [-.0*?]+ )?
            """,
        meaning=Meaning.PLACEHOLDER,
    ),
    Scheme(
        name="virtual machine",
        learned="the firmware of hypervisors (from memory)",
        examples=("VirtualBox", "rel-1.16.2-0-gea1b7a073390-prebuilt.qemu.org", "Hyper-V UEFI 4.0"),
        pattern=r"(?i: (?:virtualbox|vmware|hyper-?v|seabios|ovmf|bochs|xen)\b.* | .*qemu.* )",
        meaning=Meaning.VIRTUAL_MACHINE,
    ),
    Scheme(
        name="board name",
        learned="boards of msi and of reference designs",
        examples=("MS-7519", "CALPELLACRB.86C.0000.X.0000000000"),
        pattern=r"MS-[0-9A-F]{4,5} | [0-9A-Z]{5,12}\.86C\.0000\.[XD]\.[0-9]{10}",
        meaning=Meaning.BOARD_NAME,
    ),
    # ---- the same words, then a number or a letter -----------------------------------------------
    Scheme(
        name="V: numbers, build day",
        learned="thin clients",
        examples=("M350C V:3.5.13A-07222020", "M350C V:3.7.13A-03112021"),
        pattern=r"""
            (?P<line_model>[0-9A-Z]*)[ ]?V:
            (?P<dots_version>[0-9]{1,2}(?:\.[0-9]{1,2}){2})
            (?P<post_letter>[A-Z])?
            -(?P<built_on>[0-9]{8})
            """,
        spelling="{line_model} V:{dots_version}{post_letter}",
    ),
    Scheme(
        name="words V numbers, words",
        learned="small makers; the words around must be the same",
        examples=("AP618_MED_V0.13.1_M00P1T0G0", "AP618_MED_V0.13.2_M00P1T0G0"),
        pattern=r"""
            (?P<line_words>[0-9A-Za-z_]{0,24}V)
            (?P<dots_version>[0-9]{1,2}(?:\.[0-9]{1,2}){1,2})
            (?P<line_setup>_[A-Z][0-9]{1,2}[A-Z][0-9][0-9A-Z_]{0,40})
            """,
        spelling="{line_words}{dots_version}{line_setup}",
    ),
    Scheme(
        name="words, number",
        learned="small makers; only versions with the very same words are compared",
        examples=("ADLNV104", "ADLNV105", "ADLNV112"),
        pattern=r"""
            (?![0-9]{1,2}\.[A-Z])               # 1.A0: each maker means something else
            (?P<line_words>(?=.*[A-Za-z])[0-9A-Za-z][0-9A-Za-z_\-. ()+]{0,40}?[A-Za-z_\-(.])
            [ ]?(?P<dots_number>[0-9]{1,5}(?:\.[0-9]{1,4}){0,3})
            (?P<post_letter>[A-Za-z])?
            (?P<tail_mark>[A-Z]{2,4})?
            \)?(?:\.bin|\.rom|[ ]X64)?
            """,
        spelling="{line_words}{dots_number}{post_letter}{tail_mark}",
    ),
    Scheme(
        name="words, letter",
        learned="tablets and notebooks from shenzhen under many names",
        examples=("SD-BS-CJ41G-300-101-F", "SD-BS-CJ41G-300-101-K"),
        pattern=r"""
            (?P<line_words>[0-9A-Za-z][0-9A-Za-z_\-. ()+]{5,50}-)
            (?P<b36_revision>[A-Z])
            """,
        spelling="{line_words}{b36_revision}",
    ),
)


@dataclass(frozen=True, slots=True)
class HandOver:
    """One scheme gave way to another on the same models: every version of ``before`` is older."""

    before: str
    after: str
    because: str


HAND_OVERS: tuple[HandOver, ...] = (
    HandOver(
        before="A and two digits",
        after="three numbers",
        because="the letter was given up for three numbers, in midlife of many models",
    ),
    HandOver(
        before="board, hexadecimal, build, build time",
        after="five numbers",
        because="the maker changed all its machines from board codes to five numbers, once",
    ),
)
