"""Records behave as frozen dataclasses of the standard library do, which is the reference here."""

from dataclasses import FrozenInstanceError, dataclass, field, fields, is_dataclass, replace

import pytest

from flashworthy_common.records import record


@record
class Shelf:
    """A record."""

    name: str
    books: int = 0


@record
class Wide(Shelf):
    """A record that adds to another."""

    metres: float = 1.5


@dataclass(frozen=True, kw_only=True)
class Reference:
    """The same by the standard library."""

    name: str
    books: int = 0


def test_a_record_has_its_fields_and_their_defaults() -> None:
    assert (Shelf(name="A").name, Shelf(name="A").books, Shelf(name="A", books=3).books) == (
        "A",
        0,
        3,
    )
    assert (Wide(name="A", metres=2).books, Wide(name="A").metres) == (0, 1.5)


def test_records_are_equal_by_class_and_fields() -> None:
    assert Shelf(name="A", books=3) == Shelf(books=3, name="A")
    assert hash(Shelf(name="A", books=3)) == hash(Shelf(books=3, name="A"))
    assert Shelf(name="A") != Shelf(name="B")
    assert Shelf(name="A") != Reference(name="A")
    assert Wide(name="A") != Shelf(name="A")
    assert len({Shelf(name="A"), Shelf(name="A"), Shelf(name="B")}) == 2


def test_a_record_cannot_be_changed() -> None:
    shelf = Shelf(name="A")

    with pytest.raises(FrozenInstanceError, match="Shelf cannot be changed: 'name'"):
        shelf.name = "B"
    with pytest.raises(FrozenInstanceError):
        del shelf.name


@pytest.mark.parametrize("given", [{}, {"books": 1}, {"name": "A", "pages": 1}, {"pages": 1}])
def test_a_record_refuses_what_a_dataclass_refuses(given: dict[str, int]) -> None:
    for kind in (Shelf, Reference):
        with pytest.raises(TypeError):
            kind(**given)


def test_a_record_names_what_is_wrong() -> None:
    with pytest.raises(TypeError, match="Shelf needs 'name'"):
        Shelf()
    with pytest.raises(TypeError, match="Shelf does not know 'pages'"):
        Shelf(name="A", pages=1)
    with pytest.raises(TypeError):
        Shelf("A")


def test_the_standard_library_takes_it_for_a_dataclass() -> None:
    assert is_dataclass(Shelf)
    assert [field.name for field in fields(Wide)] == ["name", "books", "metres"]
    assert replace(Shelf(name="A"), books=2) == Shelf(name="A", books=2)


def test_a_record_is_shown_as_a_dataclass_is() -> None:
    assert repr(Shelf(name="A")) == repr(Reference(name="A")).replace("Reference", "Shelf")


def test_a_field_that_is_not_to_be_shown_is_not() -> None:
    @record
    class Locked:
        """Opened by its key."""

        name: str
        key: str = field(default="none", repr=False)

    assert repr(Locked(name="A", key="secret")).endswith("Locked(name='A')")
    assert Locked(name="A").key == "none"
