"""JSON read step by step: what each step gives, and the path in the refusal where it cannot."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from gardenapp.readers.json_text import Node, load, position
from gardenapp.readers.records import UnreadableFile

TEXT = '{"a": {"b": [1, "two", null, true, 2.5]}, "n": null, "t": "2026-05-03T18:00:00+02:00"}'


def refusal(step: object) -> str:
    assert callable(step)
    with pytest.raises(UnreadableFile) as refused:
        step()
    (fault,) = refused.value.errors
    return str(fault)


def test_steps_give_what_is_there() -> None:
    root = load(TEXT)
    one, two, nothing, true, half = root.get("a").get("b").items()

    assert (one.number(), two.text(), half.number()) == (1.0, "two", 2.5)
    assert nothing.is_null and not true.is_null
    assert root.get("t").moment() == datetime(2026, 5, 3, 16, tzinfo=UTC)
    assert root.has("a") and not root.has("n") and not root.has("z") and not one.has("a")
    assert root.find("n") is None and root.find("z") is None
    found = root.find("t")
    assert found is not None and found.path == "t"
    assert half.path == "a.b[4]"


def test_each_wrong_step_is_told_with_its_path() -> None:
    root = load(TEXT)
    one, two, nothing, true, _half = root.get("a").get("b").items()

    assert refusal(lambda: root.get("a").get("z")) == "a.z: is missing"
    assert refusal(lambda: one.get("z")) == "a.b[0]: expected an object, found a number"
    assert refusal(lambda: one.find("z")) == "a.b[0]: expected an object, found a number"
    assert refusal(lambda: two.number()) == "a.b[1]: expected a number, found text (“two”)"
    assert refusal(lambda: nothing.text()) == "a.b[2]: expected text, found nothing"
    assert refusal(lambda: true.number()) == "a.b[3]: expected a number, found true or false"
    assert refusal(lambda: list(root.items())).endswith("expected a list, found an object")
    assert refusal(lambda: root.get("a").get("b").text()) == "a.b: expected text, found a list"
    assert refusal(lambda: two.moment()).startswith("a.b[1]: ")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"a": ', "line 1, character 7: This is not whole JSON: the file breaks off here"),
        ('{"a": 1,\n b}', "line 2, character 2: This is not whole JSON: Expecting property name"),
        ("NaN", "NaN is not a number"),
        ("[" * 65 + "]" * 65, "nested too deep"),
        ('{"a":' * 65 + "1" + "}" * 65, "nested too deep"),
        ("[" * 100_000, "nested too deep"),
        ("1" * 5_000, "too long to read"),
    ],
)
def test_what_is_no_json_is_refused_in_words(text: str, words: str) -> None:
    assert words in refusal(lambda: load(text))


def test_sixty_three_levels_are_read() -> None:
    deep = load("[" * 63 + "7" + "]" * 63)

    for _ in range(63):
        (deep,) = deep.items()
    assert deep.number() == 7.0


@pytest.mark.parametrize("number", ["1e999", "-1e999", "1" + "0" * 400])
def test_a_number_past_all_bounds_is_told(number: str) -> None:
    root = load(f'{{"x": {number}}}')

    assert refusal(lambda: root.get("x").number()) == "x: is too large a number"


def point(*numbers: object) -> Node:
    return load(json.dumps({"geometry": {"type": "Point", "coordinates": numbers}}))


@pytest.mark.parametrize(
    ("numbers", "where"),
    [
        ((-0.9, 52.2), (52.2, -0.9)),
        ((-0.123456, 52.654321, 90.0), (52.65432, -0.12346)),
        ((180.0, 90.0), (90.0, 180.0)),
        ((-180.0, -90.0), (-90.0, -180.0)),
        ((0.0, 90.01), (None, None)),
        ((0.0, -90.01), (None, None)),
        ((180.01, 0.0), (None, None)),
        ((-180.01, 0.0), (None, None)),
        ((1.0,), (None, None)),
        (("1", 2.0), (None, None)),
    ],
)
def test_a_point_is_where_it_says_if_that_is_on_earth(
    numbers: tuple[object, ...], where: tuple[float | None, float | None]
) -> None:
    assert position(point(*numbers)) == where


def test_a_polygon_is_at_the_middle_of_its_corners_each_counted_once() -> None:
    ring = [[0, 10], [2, 10], [2, 16], [0, 16], [0, 10]]

    geometry = {"type": "Polygon", "coordinates": [ring]}

    assert position(load(json.dumps({"geometry": geometry}))) == (13.0, 1.0)


@pytest.mark.parametrize(
    "root",
    [
        {},
        {"geometry": None},
        {"geometry": {"type": "Polygon", "coordinates": []}},
        {"geometry": {"type": "Polygon", "coordinates": [[[0, 1]]]}},
        {"geometry": {"type": "Polygon"}},
    ],
    ids=json.dumps,
)
def test_without_a_position_there_is_none(root: object) -> None:
    assert position(load(json.dumps(root))) == (None, None)
