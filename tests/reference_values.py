"""Reading the reference figures of tests/reference (format: tests/reference/README.md)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Mapping

FOLDER = Path(__file__).resolve().parent / "reference"

MARKS = ("read", "quoted", "memory-high", "memory-medium", "memory-low", "computed")

FILE_KEYS = {"title", "sources", "entry"}
SOURCE_KEYS = {"text", "url"}
ENTRY_KEYS = {"name", "source", "place", "mark", "given", "expected", "within", "marks", "note"}


class ReferenceFileError(ValueError):
    """A reference file with an entry that nobody could look up."""


@dataclass(frozen=True)
class Reference:
    """One entry: what the figures hold for, the figures, and where they stand."""

    name: str
    given: Mapping[str, Any]
    expected: Mapping[str, Any]
    within: Mapping[str, float]
    source: str
    url: str
    place: str
    mark: str
    marks: Mapping[str, str]
    note: str

    def __str__(self) -> str:
        return self.name

    def figure(self, name: str) -> Any:
        """A printed figure with its tolerance, to compare with; words are compared as they are."""
        value = self.expected[name]
        if isinstance(value, str | bool) or (isinstance(value, list) and any(isinstance(v, str) for v in value)):
            return value
        return pytest.approx(value, rel=1e-9, abs=self.within.get(name, 1e-12))

    def mark_of(self, name: str) -> str:
        """How sure one figure is."""
        return self.marks.get(name, self.mark)


def references(topic: str) -> list[Reference]:
    """Entries of tests/reference/<topic>.toml, in their order."""
    path = FOLDER / f"{topic}.toml"
    return entries(tomllib.loads(path.read_text("utf-8")), path.name)


def reference(topic: str, name: str) -> Reference:
    """One entry of a file by its name."""
    (found,) = (entry for entry in references(topic) if entry.name == name)
    return found


def entries(data: Mapping[str, Any], where: str) -> list[Reference]:
    """Entries of a file's data; refuses the file if any of them can't be looked up."""
    wrong = problems(data)
    if wrong:
        raise ReferenceFileError("\n".join([f"{where}:", *wrong]))
    found = []
    for entry in data["entry"]:
        source = data["sources"][entry["source"]]
        found.append(
            Reference(
                name=entry["name"],
                given=entry.get("given", {}),
                expected=entry["expected"],
                within=entry.get("within", {}),
                source=source["text"],
                url=source.get("url", ""),
                place=entry["place"],
                mark=entry["mark"],
                marks=entry.get("marks", {}),
                note=entry.get("note", ""),
            )
        )
    return found


def problems(data: Mapping[str, Any]) -> list[str]:
    """What keeps a file's figures from being looked up, one line each."""
    found = [f"unknown key {key!r}" for key in sorted(set(data) - FILE_KEYS)]
    if not _text(data.get("title")):
        found.append("no title")
    sources = data.get("sources", {})
    for key, source in sources.items():
        if not _text(source.get("text")):
            found.append(f"source {key!r} has no text")
        found += [f"source {key!r} has the unknown key {name!r}" for name in sorted(set(source) - SOURCE_KEYS)]
    listed = data.get("entry", [])
    if not listed:
        found.append("no entry")
    for number, entry in enumerate(listed, start=1):
        found += [f"entry {entry.get('name', number)}: {text}" for text in _entry_problems(entry, sources)]
    names = [entry.get("name") for entry in listed]
    found += [f"entry {name}: there are two of that name" for name in sorted({n for n in names if names.count(n) > 1})]
    unused = set(sources) - {entry.get("source") for entry in listed}
    found += [f"source {key!r} is named by no entry" for key in sorted(unused)]
    return found


def _entry_problems(entry: Mapping[str, Any], sources: Mapping[str, Any]) -> list[str]:
    found = [f"unknown key {key!r}" for key in sorted(set(entry) - ENTRY_KEYS)]
    found += [f"no {key}" for key in ("name", "source", "place", "mark") if not _text(entry.get(key))]
    if _text(entry.get("source")) and entry["source"] not in sources:
        found.append(f"source {entry['source']!r} is not described under [sources]")
    marks = entry.get("marks", {})
    for mark in (entry.get("mark"), *marks.values()):
        if _text(mark) and mark not in MARKS:
            found.append(f"mark {mark!r} is none of {', '.join(MARKS)}")
    expected = entry.get("expected", {})
    if not expected:
        found.append("no expected figure")
    for table in ("within", "marks"):
        found += [f"{table}.{name} belongs to no figure" for name in sorted(set(entry.get(table, {})) - set(expected))]
    return found


def _text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())
