"""Every reference figure can be looked up: files without source, place or mark are refused."""

from __future__ import annotations

import copy
import tomllib

import pytest
from reference_values import FOLDER, MARKS, ReferenceFileError, entries, problems, references

FILES = sorted(path.stem for path in FOLDER.glob("*.toml"))

GOOD = tomllib.loads("""
title = "Something printed"
[sources.book]
text = "A. Author (1999), A book"
[[entry]]
name = "one"
source = "book"
place = "Table 1, p. 2"
mark = "read"
expected = { depth_mm = 1.5, word = "loam", row = [1, 2] }
within = { depth_mm = 0.05 }
[[entry]]
name = "two"
source = "book"
place = "Table 1, p. 3"
mark = "quoted"
expected = { depth_mm = 2.5 }
marks = { depth_mm = "memory-low" }
""")


def test_there_are_files():
    assert FILES


@pytest.mark.parametrize("topic", FILES)
def test_every_figure_has_a_source_a_place_and_a_mark(topic):
    found = references(topic)
    assert found
    for entry in found:
        assert entry.source.strip()
        assert entry.place.strip()
        assert entry.mark in MARKS


@pytest.mark.parametrize("topic", FILES)
def test_what_was_computed_says_how(topic):
    for entry in references(topic):
        if "computed" in {entry.mark, *entry.marks.values()}:
            assert entry.note, entry.name


def test_a_sound_file_is_read():
    one, two = entries(GOOD, "good.toml")
    assert one.figure("depth_mm") == 1.54
    assert one.figure("depth_mm") != 1.56
    assert one.figure("word") == "loam"
    assert one.figure("row") == [1.0, 2.0]
    assert two.figure("depth_mm") != 2.5001
    assert (one.mark_of("depth_mm"), two.mark_of("depth_mm")) == ("read", "memory-low")
    assert (one.source, two.place) == ("A. Author (1999), A book", "Table 1, p. 3")


def without(key):
    def change(data):
        del data["entry"][0][key]

    return change


def set_entry(**values):
    return lambda data: data["entry"][0].update(values)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (without("source"), "entry one: no source"),
        (set_entry(source=" "), "entry one: no source"),
        (set_entry(source="letter"), "entry one: source 'letter' is not described under [sources]"),
        (without("place"), "entry one: no place"),
        (without("mark"), "entry one: no mark"),
        (set_entry(mark="sure"), "entry one: mark 'sure' is none of read, quoted"),
        (set_entry(marks={"depth_mm": "sure"}), "entry one: mark 'sure' is none of"),
        (set_entry(marks={"width_mm": "read"}), "entry one: marks.width_mm belongs to no figure"),
        (set_entry(within={"width_mm": 1.0}), "entry one: within.width_mm belongs to no figure"),
        (without("expected"), "entry one: no expected figure"),
        (without("name"), "entry 1: no name"),
        (set_entry(name="two"), "entry two: there are two of that name"),
        (set_entry(sorce="book"), "entry one: unknown key 'sorce'"),
        (lambda data: data["sources"]["book"].update(text=""), "source 'book' has no text"),
        (lambda data: data["sources"]["book"].update(year=1), "source 'book' has the unknown key 'year'"),
        (lambda data: data["sources"].update(other={"text": "x"}), "source 'other' is named by no entry"),
        (lambda data: data.pop("sources"), "source 'book' is not described"),
        (lambda data: data.pop("title"), "no title"),
        (lambda data: data.update(entry=[]), "no entry"),
        (lambda data: data.update(entries=[]), "unknown key 'entries'"),
    ],
)
def test_a_file_that_nobody_could_check_is_refused(change, said):
    assert problems(GOOD) == []
    data = copy.deepcopy(GOOD)
    change(data)
    with pytest.raises(ReferenceFileError) as caught:
        entries(data, "bad.toml")
    assert said in str(caught.value)
