"""Maker spellings to one canonical name, and the combination that judgements belong to.

One maker writes its name in many ways, and two makers may write nearly the same. So:

- A spelling is folded (case, punctuation, legal forms), then looked up whole in a small table of
  renames. Never by prefix: `Phoenix Contact` is not `Phoenix Technologies`.
- What the table does not know keeps its own name; only case and punctuation become uniform, so
  that two spellings of one fold give one name.
- `A // B` names the machine's maker and the firmware's; `A (Licensed from B)` names B as the
  author of the firmware.
- A placeholder (`To Be Filled By O.E.M.`) is a missing value, and so is a board's code where a
  maker should stand. A missing value comes back as `Unknown` with its reason; nothing is guessed.

The spellings of the tables were learned from the open collection of SMBIOS tables `linuxhw/DMI`
(CC BY 4.0); which of them are one company is *common knowledge, from memory*.
"""

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import NewType

from flashworthy_common.placeholders import LONGEST_NAME, is_placeholder
from flashworthy_common.values import Unknown

FirmwareMaker = NewType("FirmwareMaker", str)
MachineMaker = NewType("MachineMaker", str)
Model = NewType("Model", str)

# Canonical name -> the other folded spellings that mean it (see `_folded`).
_MACHINE_NAMES: dict[str, tuple[str, ...]] = {
    "Acer": (),
    "AMI": (
        "american megatrends",
        "american megatrends international",
        "american mdegatrends",
        "a m i",
    ),
    "Apple": ("apple computer",),
    "ASRock": (),
    "ASUS": ("asustek computer", "asustek", "ustek computer"),
    "AZW": (),
    "Biostar": ("biostar group", "biostar microtech int l"),
    "Casper": (
        "casper bilgisayar sistemleri",
        "casper bilgisayar sistemleri as",
        "casper bilgisayar sistemler",
    ),
    "Chuwi": (
        "chuwi innovation and technology shenzhen",
        "chuwi innovation",
        "chuwi innovation and technology shenzhen c0",
    ),
    "Cisco": ("cisco systems",),
    "Compaq": ("compaq presario", "compaq presario 061"),
    "coreboot": (),
    "ECS": ("elitegroup computer system", "elitegroup computer systems", "elitegroup"),
    "eMachines": (),
    "EVGA": ("evga international",),
    "Foxconn": ("hon hai precision ind",),
    "Fujitsu": (),
    "Fujitsu Client Computing": (),
    "Fujitsu Siemens": ("fujitsu siemens computers",),
    "Gigabyte": ("gigabyte technology", "gigabyte tecohnology", "giga byte technology"),
    "Google": (),
    "Honor": (),
    "HP": ("hewlett packard", "hp development", "hp pavilion", "hp pavilion 061"),
    "HPE": ("hewlett packard enterprise",),
    "Huananzhi": ("huananzhi b85", "huananzhi x79 16d", "huananzhi x99"),
    "Huawei": ("huawei technologies",),
    "IBM": ("international business machines",),
    "Insyde": ("insyde software",),
    "Intel": ("intel client systems",),
    "Itautec": (),
    "Lenovo": (),
    "LG": ("lg electronics",),
    "Medion": ("medionpc",),
    "Microsoft": (),
    "Minisforum": ("micro computer hk tech",),
    "MSI": (
        "micro star international",
        "micro star interantional",
        "micro star interantonal",
        "micro star int l",
    ),
    "N-one": (),  # the hyphen keeps it apart from the placeholder
    "NEC": (),
    "Packard Bell": (),
    "Panasonic": ("matsushita electric industrial", "panasonic connect"),
    "PC Specialist": ("pcspecialist",),
    "Pegatron": (),
    "Phoenix Technologies": (),
    "Positivo": ("positivo informatica", "positivo tecnologia"),
    "Quanta": ("quanta computer",),
    "Razer": (),
    "Samsung": ("samsung electronics",),
    "Schenker": ("schenkertechnologiesgmbh", "schenker technologies"),
    "Shuttle": (),
    "Sony": (),
    "Supermicro": ("super micro computer",),
    "System76": (),
    "Toshiba": (),
    "Tuxedo": ("tuxedo computers",),
    "U-Boot": (),
    "Valve": (),
    "Wortmann": (),
    "Xiaomi": ("timi", "xiaomi communications"),
}

# Where a firmware's author is named, these short forms have one meaning only.
_FIRMWARE_NAMES: dict[str, tuple[str, ...]] = {
    **_MACHINE_NAMES,
    "Award": ("award software", "award software international", "award bios for intel"),
    "EDK II": ("edk2",),
    "Phoenix Technologies": ("phoenix", "phoenix bios"),
}

# Trailing words that say which kind of company it is, not which company.
_LEGAL_FORMS = frozenset({
    "ag", "as", "bv", "cjsc", "co", "corp", "corporation", "crop", "gmbh", "inc",
    "incorporated", "kft", "kg", "kk", "limited", "llc", "ltd", "ltda", "nv", "oy", "oyj", "plc",
    "pte", "pty", "sa", "sarl", "sas", "sl", "spa", "srl",
})  # fmt: skip
_SMALL_WORDS = frozenset({"and", "de", "for", "of", "the"})
_LONGEST_INITIALISM = 3  # letters: "csl computer" reads "CSL Computer"

_INITIALISM = re.compile(r"(?<=\b\w)[./](?=\w\b)")  # the dots of "S.A." and the slash of "S/A"
_TRADE_MARK = re.compile(r"\((?:r|tm|c)\)", re.IGNORECASE)
_TWO_MAKERS = re.compile(r"\s//\s")
_LICENCE = re.compile(r"\(\s*licen[sc]ed (?:from|by)\s+(?P<author>[^()]+)\)", re.IGNORECASE)
_DEVELOPED = re.compile(r"^desenvolvid[ao] p(?:ara|or)\s+", re.IGNORECASE)  # "developed for, by"
_BOARD_CODE = re.compile(r"(?=(?:\D*\d){3})[^\s]+")  # one word with three digits or more

# A family name that covers many boards: the board says more.
_KINDS = frozenset({"notebook", "laptop", "desktop"})
_COVERS_MANY = _KINDS | {"all series", "super server"}

# Four characters of machine type, alone or with three or six of the configuration; or five digits.
_MACHINE_TYPE = re.compile(r"(?P<type>\d[0-9A-Z]{3})(?:[0-9A-Z]{3}|[0-9A-Z]{6})?|(?P<old>\d{5})")
_NAMED_TYPE = re.compile(r".*\((?P<type>[0-9A-Z]+)\)")  # "Wren Gen 1 (20UD)"
_NAME_WORD = re.compile(r"(?!rev|ver)[a-z]{4,}", re.IGNORECASE)

_NOTHING_GIVEN = Unknown("no name is given")


@dataclass(frozen=True, slots=True)
class Combination:
    """What standing, need, target and path belong to; equal names mean the same combination.

    `version_text` is the running firmware version as reported, only its white space tidied: what
    it says is for `flashworthy_common.versions` to judge.
    """

    machine_maker: MachineMaker | Unknown
    model: Model | Unknown
    board: str | Unknown
    board_version: str | Unknown
    version_text: str | Unknown

    @property
    def key(self) -> tuple[str, ...]:
        """The five names as plain text, empty where unknown: to store, index and compare by."""
        names = (self.machine_maker, self.model, self.board, self.board_version, self.version_text)
        return tuple("" if isinstance(name, Unknown) else name for name in names)

    @property
    def names(self) -> tuple[str, ...]:
        """What a statement may call these machines: model, board and machine type, where known.

        The name alone of ``Wren Gen 1 (20UD)`` is not among them: it covers machine types with
        different firmware.
        """
        found = [name for name in (self.model, self.board) if not isinstance(name, Unknown)]
        types = [_machine_type(_NAMED_TYPE.sub(r"\g<type>", name)) for name in found]
        return tuple(dict.fromkeys((*found, *filter(None, types))))


@lru_cache(maxsize=4_096)  # most machines of a site are of some hundred combinations
def combination_of(
    *,
    maker: str | Unknown,
    product: str | Unknown,
    product_version: str | Unknown,
    board_maker: str | Unknown,
    board: str | Unknown,
    board_version: str | Unknown,
    version_text: str | Unknown,
) -> Combination:
    """The combination of a machine from the names in its SMBIOS types 0, 1 and 2.

    - The board's maker speaks where the machine's is missing: who built the board then publishes
      the firmware.
    - A board that repeats the product's code is named by the machine type alone, since the rest of
      that code is the order's configuration and not the hardware's.
    """
    own_maker = canonical_machine_maker(maker)
    return Combination(
        canonical_machine_maker(board_maker) if isinstance(own_maker, Unknown) else own_maker,
        canonical_model(product=product, product_version=product_version, board=board),
        _canonical_board(board, product),
        _named(board_version),
        version_text if isinstance(version_text, Unknown) else _tidied(version_text),
    )


def canonical_machine_maker(text: str | Unknown) -> MachineMaker | Unknown:
    """The one name of who built the machine or its board; of `A // B` that is A.

    >>> canonical_machine_maker("Micro-Star International Co., Ltd.")
    'MSI'
    """
    if isinstance(text, Unknown):
        return text
    name = _canonical(_TWO_MAKERS.split(text)[0], _MACHINE_SPELLINGS)
    return name if isinstance(name, Unknown) else MachineMaker(name)


def canonical_firmware_maker(text: str | Unknown) -> FirmwareMaker | Unknown:
    """The one name of who wrote the firmware; of `A // B` and `A (Licensed from B)` that is B.

    >>> canonical_firmware_maker("ASUSTeK COMPUTER INC. (Licensed from AMI)")
    'AMI'
    """
    if isinstance(text, Unknown):
        return text
    licence = _LICENCE.search(text)
    author = licence["author"] if licence else _TWO_MAKERS.split(text)[-1]
    name = _canonical(_DEVELOPED.sub("", author.strip()), _FIRMWARE_SPELLINGS)
    return name if isinstance(name, Unknown) else FirmwareMaker(name)


def canonical_model(
    *, product: str | Unknown, product_version: str | Unknown, board: str | Unknown
) -> Model | Unknown:
    """What the machine is called, from its product name, product version and board.

    - The product's name, as it came.
    - A machine-type code with the name in the version field: the name, then the type, because one
      name may cover machine types with different firmware.
    - A product that is only the code of the board, `KX-70` of `KESTREL MAX (KX-70)`: the board's
      name, because one code may cover boards with different firmware.
    - A product name that is missing, or covers many boards: the board's name.

    >>> canonical_model(product="20UDS17S00", product_version="Wren Gen 1", board="20UDS17S00")
    'Wren Gen 1 (20UD)'
    """
    name, version, board_name = _named(product), _named(product_version), _named(board)
    if isinstance(name, Unknown) or name.casefold() in _COVERS_MANY:
        return Model(board_name) if not isinstance(board_name, Unknown) else _as_model(name)
    machine_type = _machine_type(name)
    if machine_type and not isinstance(version, Unknown) and _NAME_WORD.search(version):
        return Model(f"{version} ({machine_type})")
    if not isinstance(board_name, Unknown) and board_name.endswith(f"({name})"):
        return Model(board_name)
    return Model(name)


def _canonical_board(board: str | Unknown, product: str | Unknown) -> str | Unknown:
    name = _named(board)
    if isinstance(name, Unknown) or name != _named(product):
        return name
    return _machine_type(name) or name


def _machine_type(code: str) -> str | None:
    match = _MACHINE_TYPE.fullmatch(code)
    return match and (match["type"] or match["old"])


def _as_model(name: str | Unknown) -> Model | Unknown:
    return name if isinstance(name, Unknown) else Model(name)


def _named(text: str | Unknown) -> str | Unknown:
    """Tidied text, or why it names nothing."""
    if isinstance(text, Unknown):
        return text
    if len(text) > LONGEST_NAME:
        return Unknown(f"a text of {len(text)} characters is no name")
    tidied = _tidied(text)
    if not tidied:
        return _NOTHING_GIVEN
    return (
        Unknown(f"only the placeholder {tidied!r} is given") if is_placeholder(tidied) else tidied
    )


def _canonical(text: str, spellings: dict[str, str]) -> str | Unknown:
    name = _named(text)
    if isinstance(name, Unknown):
        return name
    folded = _folded(name)
    if folded in spellings:
        return spellings[folded]
    if _BOARD_CODE.fullmatch(name):
        return Unknown(f"the code {name!r} stands where a maker should")
    if folded in _KINDS:
        return Unknown(f"the kind of machine, {name!r}, stands where a maker should")
    return " ".join(map(_in_one_case, folded.split())) or name


def _in_one_case(word: str) -> str:
    if word in _SMALL_WORDS:
        return word
    return word.upper() if len(word) <= _LONGEST_INITIALISM else word.capitalize()


def _folded(name: str) -> str:
    """`name` without case, punctuation, trade marks and trailing legal forms; words apart."""
    plain = unicodedata.normalize("NFKC", _TRADE_MARK.sub(" ", name)).casefold()
    plain = plain.replace("&", " and ")
    words = re.sub(r"[\W_]+", " ", _INITIALISM.sub("", plain)).split()
    while len(words) > 1 and (words[-1] in _LEGAL_FORMS or words[-1] == "and"):  # "GmbH & Co. KG"
        words.pop()
    return " ".join(words)


def _tidied(text: str) -> str:
    """`text` with single spaces, and without quotes or blanks around it."""
    return " ".join(text.split()).strip(" \"'")


def _spellings(names: dict[str, tuple[str, ...]]) -> dict[str, str]:
    return {folded: name for name, others in names.items() for folded in (_folded(name), *others)}


_MACHINE_SPELLINGS = _spellings(_MACHINE_NAMES)
_FIRMWARE_SPELLINGS = _spellings(_FIRMWARE_NAMES)
