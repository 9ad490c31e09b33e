"""The severity of a vulnerability from its CVSS vector.

It is shown beside a reason and decides nothing: severity is not risk (FIRST, CVSS 3.1 user guide
§2.1). The arithmetic is the library's; only base scores are told.
"""

from dataclasses import dataclass

from cvss import CVSS2, CVSS3, CVSS4, CVSSError

from flashworthy_common.errors import MalformedValueError

LONGEST_VECTOR = 500  # characters; a CVSS 4.0 vector with every metric has some 200

_EXPECTED = "a CVSS vector such as CVSS:3.1/AV:L/AC:L/PR:H/UI:N/S:C/C:H/I:H/A:H"
_BY_PREFIX = {"CVSS:3.": CVSS3, "CVSS:4.": CVSS4}  # a vector of version 2 has no prefix


@dataclass(frozen=True, slots=True)
class Severity:
    base_score: float  # 0 to 10
    rating: str  # None, Low, Medium, High, Critical; CVSS 2 has three of them


def severity_of(vector: str) -> Severity:
    """The base score and its rating.

    Raises:
        MalformedValueError: it is no vector of CVSS 2, 3.0, 3.1 or 4.0.
    """
    if len(vector) > LONGEST_VECTOR:
        raise MalformedValueError("cvss_vector", _EXPECTED, vector)
    read = _BY_PREFIX.get(vector[: len("CVSS:3.")], CVSS2)
    try:
        found = read(vector)
    except CVSSError as error:
        raise MalformedValueError("cvss_vector", f"{_EXPECTED} ({error})", vector) from error
    return Severity(float(found.base_score), found.severities()[0])
