"""In which line a key stands."""

from __future__ import annotations

import textwrap

import pytest
import tomli

from render.recipe.lines import Statement, key_lines, statement_before
from render.recipe.toml_text import Keys


def lines_of(text: str) -> dict[Keys, int]:
    """Lines of a text without its indentation."""
    text = textwrap.dedent(text)
    return key_lines(text, tomli.loads(text))


def test_every_way_of_writing_is_followed() -> None:
    """Each number in this text is the line it stands in."""
    text = textwrap.dedent('''\
        # a comment with = and [brackets]
        top = 2

        [plain]  # table
        a = 5
        "quoted key" = 6
        'literal' = 7
        dotted . b = 8
        dotted."c\\u0064" = 9
        list = [10, # one
          11,
          { x = 12, y.z = 12 }, [ 13 - 0 ],
        ]
        [ "other".table ]
        text = "a # no comment \\" [x]"
        after_text = 16
        long = """ three quotes: \\""" and two ""
        still = inside ""\"""
        after_long = 19
        literal = ' \\'
        long_literal = \'\'\'
        a = 'x'
        \'\'\'\'
        after_literal = 24
        when = 1979-05-27 07:32:00
        after_when = 26
        [[many]]
        a = 28
        [many.inner]
        b = 30
        [[many]]
        a = 32
        [[many.deep]]
        c = 34
        empty = {}
        none = []
        last = 37''').replace("13 - 0", "12")
    document = tomli.loads(text)
    lines = key_lines(text, document)
    assert lines[("plain",)] == 4
    assert lines[("plain", "dotted")] == 8
    assert lines[("other",)] == lines[("other", "table")] == 14
    assert lines[("many", 0)] == lines[("many",)] == 27
    assert lines[("many", 1)] == 31
    assert lines[("many", 1, "deep", 0)] == 33
    assert lines[("plain", "list", 2)] == 12
    found = dict(_numbers((), document))
    assert len(found) == 20
    assert {keys: lines[keys] for keys in found} == found


def _numbers(keys: Keys, value: object) -> list[tuple[Keys, int]]:
    if isinstance(value, dict):
        return [pair for key, item in value.items() for pair in _numbers((*keys, key), item)]
    if isinstance(value, list):
        return [pair for index, item in enumerate(value) for pair in _numbers((*keys, index), item)]
    return [(keys, value)] if isinstance(value, int) else []


def test_lines_end_as_on_any_system() -> None:
    """A carriage return before the line feed changes nothing."""
    assert key_lines("a = 1\r\n\r\n[t]\r\nb = 2\r\n", {"a": 1, "t": {"b": 2}})[("t", "b")] == 4


def test_what_disagrees_with_the_reader_tells_no_line() -> None:
    """None rather than a wrong one."""
    assert key_lines("a = 1\nb = 2\n", {"a": 1}) == {}
    assert key_lines("a = 1\n", {"a": 1, "b": 2}) == {}


@pytest.mark.parametrize(
    "text",
    [
        "= 1",
        "a",
        "a = ",
        "a = [1",
        "a = {b = 1",
        "a = 'x",
        "[a",
        "[[a]",
        "[[",
        "a = [1 2]",
        "a = {b = 1 c}",
        '"\\q" = 1',
    ],
)
def test_what_cannot_be_followed_tells_no_line(text: str) -> None:
    """Whatever the reader would have made of it."""
    try:
        assert key_lines(text, {"a": 1}) == {}
    except tomli.TOMLDecodeError:
        assert text.startswith('"\\q"')


def test_nesting_without_end_tells_no_line() -> None:
    """It does not break down either."""
    assert key_lines("a = " + "[" * 5000, {"a": []}) == {}


def test_a_faulty_text_is_followed_as_far_as_it_goes() -> None:
    """The statement in which the fault lies, and an earlier one of the same name."""
    text = "[a]\nb = 1\n[c]\n[a]\nd = [\n  1,\n  2 3\n]\n"
    begun, earlier = statement_before(text, 7)
    assert (begun, earlier) == (Statement(("a", "d"), 5), None)
    begun, earlier = statement_before(text, 4)
    assert (begun, earlier) == (Statement(("a",), 4), Statement(("a",), 1))


def test_before_the_first_statement_there_is_none() -> None:
    """A fault in the first line, say."""
    assert statement_before("?\na = 1\n", 1) == (None, None)
