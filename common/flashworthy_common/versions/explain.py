"""What the rules read in a version, and why one stands so to another, in one sentence each."""

from flashworthy_common.versions.order import Ground, Order, is_release, relation
from flashworthy_common.versions.parse import FirmwareVersion, parse_version
from flashworthy_common.versions.schemes import HAND_OVERS, Meaning


def describe(version: FirmwareVersion) -> str:
    """One version in words: ``read as letter.revision: letter F, revision 1B``."""
    if version.scheme.meaning is not Meaning.RELEASE:
        return _not_a_release(version)
    parts = ", ".join(f"{_word(name)} {text.strip()}" for name, text in version.parts.items())
    return f"read as {version.scheme.name}: {parts}"


def explain(a_text: str, b_text: str, *, maker: str, model: str) -> str:
    """The reason for what `compare` says of the same arguments."""
    a, b = parse_version(a_text, maker=maker), parse_version(b_text, maker=maker)
    order, ground = relation(a, b, model=model)
    match ground:
        case Ground.NO_RELEASE:
            return _not_a_release(b if is_release(a, model=model) else a)
        case Ground.RANK:
            return _first_difference(a, b, order)
        case Ground.HAND_OVER:
            return _hand_over(a, b)
        case _:
            return _plain_reason(ground, a, b)


def _not_a_release(version: FirmwareVersion) -> str:
    what = version.scheme.meaning
    if what is Meaning.UNKNOWN:
        return f"{version.text!r} fits no known scheme"
    if what is Meaning.RELEASE:
        what = Meaning.BOARD_NAME  # by the model beside it, not by its shape
    return f"{version.text!r} is a {what}, not a release"


def _first_difference(a: FirmwareVersion, b: FirmwareVersion, order: Order) -> str:
    name, a_part, b_part = next(
        (name, a_part, b_part)
        for (name, a_part, a_code), (_, b_part, b_code) in zip(a.ranked(), b.ranked(), strict=True)
        if a_code != b_code
    )
    side = "before" if order is Order.OLDER else "after"
    kind, word = name.partition("_")[0], _word(name)
    if a_part and b_part:
        return f"{word} {a_part} is {side} {b_part}: {_rule(kind, a_part + b_part)}"
    mark = "a trial before" if kind == "pre" else "a later build than"
    marked = f"{word} {a_part or b_part} marks {mark} the one without it"
    return f"{a.text!r} is {side} {b.text!r}: {marked}"


def _rule(kind: str, text: str) -> str:
    """What decides between two parts of a kind; ``text`` is both, run together."""
    if kind == "branch":
        return "branches run side by side, and nothing behind goes back"
    if kind == "b36" and not text.isdigit():
        return "letters count as digits in this scheme"
    return "what stands between dots is a number" if kind == "dots" else "the larger is later"


def _hand_over(a: FirmwareVersion, b: FirmwareVersion) -> str:
    return next(
        f"{hand_over.before!r} always came before {hand_over.after!r}: {hand_over.because}"
        for hand_over in HAND_OVERS
        if {hand_over.before, hand_over.after} == {a.scheme.name, b.scheme.name}
    )


def _plain_reason(ground: Ground, a: FirmwareVersion, b: FirmwareVersion) -> str:
    both = f"{a.text!r} and {b.text!r}"
    reasons = {
        Ground.SAME_TEXT: f"{both} are one text, though it fits no known scheme",
        Ground.SAME_RANK: f"{both} are both {a.canonical}",
        Ground.OTHER_SCHEME: f"{both} are numbered by different schemes, {a.scheme.name!r} and "
        f"{b.scheme.name!r}, and nobody knows which came first",
        Ground.OTHER_LINE: f"{both} belong to different lines, {a.line!r} and {b.line!r}",
        Ground.OTHER_MARK: f"{both} differ only in marks that have no order",
        Ground.BRANCHES_DISAGREE: f"{both} are of branches that run side by side, and the later "
        "branch has the earlier number",
    }
    return reasons[ground]


def _word(name: str) -> str:
    """The name of a group as people read it: ``b36_revision`` -> ``revision``."""
    return name.partition("_")[2]
