"""Places: paths of names from the outside in, such as ``Alder Lane / ground floor``."""

SEPARATOR = " / "


def canonical_place(text: str | None) -> str | None:
    """One spelling of a place; none for a text without a name in it.

    >>> canonical_place("Alder Lane/ ground  floor /")
    'Alder Lane / ground floor'
    """
    names = [" ".join(name.split()) for name in (text or "").split("/")]
    return SEPARATOR.join(filter(None, names)) or None


def outermost(place: str) -> str:
    return place.split(SEPARATOR)[0]
