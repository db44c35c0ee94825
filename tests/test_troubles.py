"""The registry of troubles: complete, in plain words, and the only source of codes that errors and notes carry."""

from __future__ import annotations

import ast
import copy
import re
from pathlib import Path

import pytest

from screening.columns import SEVERITIES, TOPICS, TROUBLES
from screening.columns.troubles_city import ROWS as CITY
from screening.columns.troubles_files import ROWS as FILES
from screening.errors import InputError
from screening.notes import Note

PACKAGE = Path(__file__).resolve().parent.parent / "screening"


def codes_in(tree: ast.AST) -> set[str]:
    """Codes that a module gives to errors (``code="..."``) and to notes (second argument)."""
    found = set()
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        values = [key.value for key in node.keywords if key.arg == "code"]
        if name in ("Note", "note") and len(node.args) > 1:
            values.append(node.args[1])
        found |= {value.value for value in values if isinstance(value, ast.Constant) and value.value}
    return found


def test_every_code_in_use_is_registered():
    used = set()
    for path in PACKAGE.rglob("*.py"):
        used |= codes_in(ast.parse(path.read_text("utf-8")))
    assert len(used) > 30
    assert used - set(TROUBLES) == set()


def test_the_look_for_codes_finds_them():
    code = 'raise E("x", code="one")\nNote("t", "two")\nreader.note("t", "three", role)\nf(code=which)'
    assert codes_in(ast.parse(code)) == {"one", "two", "three"}


def test_no_code_is_given_twice():
    assert len(TROUBLES) == len(FILES) + len(CITY)


@pytest.mark.parametrize("one", TROUBLES.values(), ids=list(TROUBLES))
def test_a_trouble_is_told_in_whole_sentences(one):
    assert re.fullmatch(r"[a-z]+(_[a-z]+)*", one.code)
    assert one.topic in TOPICS
    assert one.severity in SEVERITIES
    for text in (one.meaning, one.effect, one.way_out):
        assert text[0].isupper()
        assert text.endswith(".")
    assert len({one.meaning, one.effect, one.way_out}) == 3


def test_a_code_travels_with_its_error_and_its_note():
    error = copy.copy(InputError("no file", code="file_missing"))
    assert (str(error), error.code, error.exit_code) == ("no file", "file_missing", 3)
    note = copy.copy(Note("a", "b", "c"))
    assert (note, note.code, note.role) == ("a", "b", "c")
    assert InputError("plain").code == ""
