"""Forms of values: each reads exactly what its JSON Schema allows, and writes back what it has read."""

from __future__ import annotations

import enum
from typing import NamedTuple

import jsonschema
import pytest

from knotgeom.design import Breaks, Design, Grid
from knotgeom.errors import DesignError
from knotgeom.forms import Choice, Colour, Either, Flag, Many, Number, OneOf, Row, Text, Whole, shown
from knotgeom.layout_table import LAYOUT, MESH
from knotgeom.printing.form import Named
from knotgeom.reading import check, read_text


class Wood(enum.Enum):
    OAK = "oak"
    LIME = "lime"


class Place(NamedTuple):
    x: int
    y: int


PLACE = Row((Whole(0, 9), Whole(0, 9)), "a place [x, y]", Place)
FORMS = {
    "whole": (Whole(2, 5), [2, 5], [1, 6, 2.5, True, "2", None]),
    "one of": (OneOf((0, 90, 180)), [0, 180], [45, 90.5, True, "90", [90]]),
    "number": (Number("mm", above=0, most=10), [0.5, 10, 3], [0, -1, 10.1, True, "3", None]),
    "flag": (Flag(), [True, False], [0, 1, "true", None]),
    "choice": (Choice(Wood), ["oak", "lime"], ["ash", "OAK", 1, None, ["oak"]]),
    "colour": (Colour(), ["#00ff7f", "#ABCDEF"], ["00ff7f", "#00ff7", "#00ff7g", "#00ff7f0", 255, None]),
    "row": (PLACE, [[0, 9]], [[0], [0, 1, 2], [0, 10], 3, {"x": 0, "y": 1}]),
    "many": (Many(PLACE), [[], [[0, 1], [1, 0]]], [[[0]], 3, {}, [[0, 1], [0, 1]], None]),
    "some": (Many(Whole(0, 9), fewest=2, most=3), [[1, 2], [3, 2, 1]], [[1], [1, 2, 3, 4], [1, 1]]),
    "either": (Either({int: Whole(1, 9), str: Choice(Wood)}), [3, "oak"], [0, "ash", None, [3]]),
}


@pytest.mark.parametrize("name", FORMS)
def test_a_form_reads_what_its_schema_allows_holds_it_and_writes_it_back(name: str) -> None:
    # JSON Schema 2020-12 by jsonschema; that no entry comes twice stands in the reader alone where lists are long
    form, good, bad = FORMS[name]
    validator = jsonschema.Draft202012Validator(form.schema())
    for value in good:
        read = form.read(value, "here")
        assert validator.is_valid(value) and form.holds(read)
        written = form.write(read)
        assert written == (value.lower() if name == "colour" else value) and validator.is_valid(written)
        assert form.read(written, "here") == read
    for value in bad:
        with pytest.raises(DesignError) as refused:
            form.read(value, "here")
        assert refused.value.place.startswith("here")
        assert not validator.is_valid(value) or len({str(v) for v in value}) < len(value)


@pytest.mark.parametrize("name", FORMS)
def test_a_form_says_what_it_wants_and_that_is_what_a_refusal_offers(name: str) -> None:
    form, _, _ = FORMS[name]
    assert form.wanted
    with pytest.raises(DesignError) as refused:
        form.read({"a": 1}, "here")
    assert form.wanted in refused.value.remedy


def test_bounds_are_told_by_their_words() -> None:
    for form, words in (
        (Number("mm"), "a number of mm"),
        (Number("mm", least=0), "a number of at least 0 mm"),
        (Number("mm", above=0), "a number above 0 mm"),
        (Number("degrees", most=90), "a number of at most 90 degrees"),
        (Number("degrees", below=90), "a number below 90 degrees"),
        (Number("", least=1, most=2), "a number from 1 to 2"),
        (Number("", above=1, below=2), "a number between 1 and 2"),
    ):
        assert form.wanted == words


def test_forms_that_values_stand_in_for_others_tell_them_apart_in_memory() -> None:
    # what a program puts where it does not belong is written as it is, and refused when it is read back
    assert not Whole(0, 9).holds("3") and not OneOf((1, 2)).holds("1") and not Text("a name").holds(3)
    assert Named(("oak", "lime")).holds("oak") and not Named(("oak", "lime")).holds("ash")
    assert not Flag().holds(1) and not Colour().holds(0) and not Many(PLACE).holds(3) and not PLACE.holds([1, 2])
    both = Either({int: Whole(1, 9), list: Many(Whole(0, 9))})
    assert both.holds(4) and both.holds((1, 2)) and not both.holds("4")
    assert both.write("4") == "4"
    assert Either({str: Choice(Wood), dict: both}).holds(Wood.OAK)
    faces = MESH.keys["faces"].form
    assert LAYOUT.holds(Grid(3, 3, 10.0, 10.0)) and not LAYOUT.holds("grid")
    assert faces.holds(((0, 1, 2),)) and not faces.holds(3)


@pytest.mark.parametrize(
    ("design", "place"),
    [
        (Design(Grid(3, 3, 10.0, 10.0), Breaks(horizontal="abc")), "breaks.horizontal"),  # type: ignore[arg-type]
        (Design(Grid(3, 3, 10.0, 10.0), Breaks(horizontal=((1, 2, 3),))), "breaks.horizontal[0]"),  # type: ignore[arg-type]
        (Design(Grid(3, 3, "wide", 10.0)), "layout.cell"),  # type: ignore[arg-type]
    ],
)
def test_designs_that_programs_make_of_the_wrong_things_are_refused_by_their_place(design: Design, place: str) -> None:
    with pytest.raises(DesignError) as refused:
        check(design)
    assert refused.value.place.startswith(place)


def test_whatever_was_found_is_shown_in_a_few_words() -> None:
    for value, words in (
        ({"a": 1}, "an object"),
        ([], "[]"),
        ([1] * 1000, "a list of 1,000"),
        ([1, "b"], '[1, "b"]'),
        (3 + 4j, "a complex"),
    ):
        assert shown(value) == words


def test_an_object_of_two_kinds_at_once_is_refused() -> None:
    text = '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 9, "ring": [6, 2]}}'
    with pytest.raises(DesignError, match="both grid and ring stand here"):
        read_text(text)
