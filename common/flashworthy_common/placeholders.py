"""Texts that fill a field without saying anything; what they stand for is a missing value.

The spellings were learned from the open collection of SMBIOS tables `linuxhw/DMI` (CC BY 4.0).
"""

import re

LONGEST_NAME = 200  # characters; SMBIOS asks for 64 at most in each string, makers write more

_SIGNS = re.compile(r"[^\w-]|_")

# Letters, digits and hyphens of a text that fills a field without saying anything.
_FILLER = re.compile(
    r"""
      .*tobefilled.*                # "To be filled by O.E.M.", whatever a board put around it
    | .*defaultstring.*
    | (?:smbios)?type[0-4](?!\d).*  # "Type2 - Board Vendor Name1", "Type1ProductConfigId"
    | (?:tbd|reserver?d?for|by)*oem | tbd
    | (?:sy)?stemm(?:anufact\w*|fg) # also seen with its first letters lost, or its last
    | (?:system|base|board|product|chassis|sku|manufacturer|vendor|serial|number|name|version){2,5}
    | (?:lenovo|nec)product
    | manufacturer? | mainboard | mainbrd | motherboard
    | (?:no)?asset(?:tag(?:number)?)? | asset-?\d+
    | empty | default | invalid | none | null | unknown | undefined | na
    | not(?:specified|applicable|available|set|defined|present|provided)
    | 0?123456789?0? | 0?1234567?   # counting
    | 0[-0]{2,} | (?P<one>\d)(?P=one){4,} | f{4,} | x[-x]+
    | -*                            # nothing at all
    """,
    re.VERBOSE,
)


def is_placeholder(text: str) -> bool:
    """Whether `text` fills its field without naming anything, as blank text does too."""
    if len(text) > LONGEST_NAME:
        return False
    return _FILLER.fullmatch(_SIGNS.sub("", text).casefold()) is not None
