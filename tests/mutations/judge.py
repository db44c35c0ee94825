"""What is demanded of a program that was given a spoilt file; every breach is a short text."""

from __future__ import annotations

import csv
import json
import math
import re
import sqlite3
import tomllib
import unicodedata
import zipfile
from contextlib import closing
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

from mutations.trial import MARK

CODES = (0, 2, 3, 4)
LONGEST = 4000
"""Characters of an error message nobody would read to the end."""

FORMULA = ("=", "+", "-", "@", "\t", "\r")
TURNS = "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"
"""Turns of the direction of writing, which show a text other than it is."""

NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?%?")
GARBLE = (
    "Traceback (most recent call last)",
    "Error in sys.excepthook",
    "Fatal Python error",
    "Exception ignored",
    "--- Logging error ---",
    "During handling of the above",
)


def judge_answer(run, code, signal, out, err):
    """Judge how one command ended: its exit code and what it said."""
    if signal:
        yield f"killed by signal {signal}"
        return
    found = [text for text in GARBLE if text in err or text in out]
    if found:
        yield f"{found[0]}: {err.strip().splitlines()[-1][:160] if err.strip() else ''}"
        return
    if code not in CODES:
        yield f"exit code {code}: {err.strip()[-160:]}"
    lines = [line for line in err.splitlines() if line.strip()]
    said = [line for line in lines if not line.startswith(("WARNING: ", "INFO: "))]
    if "--json" not in run and any(
        unicodedata.category(c) in {"Cc", "Cs"} for c in out.replace("\n", "").replace("\t", "")
    ):
        yield "control characters on stdout"
    if code == 0:
        if said and run[0] != "sheets":
            yield f"noise on stderr: {said[0][:120]}"
        if "--json" in run:
            yield from _judge_json(out)
        return
    if run[0] == "check" and code == 3 and not said:
        # It tells what is wrong on stdout, for that is what it was asked.
        if not out.strip():
            yield "nothing was told"
        return
    if "--no-progress" not in run and said and said[0] in {"reading", "looking at the inputs"}:
        said = [line for line in said if line.startswith(("screening: ", "Error: ", "  - "))]
    yield from _judge_sentence(said, err)


def _judge_sentence(said, err):
    """One clear sentence on stderr, without what a terminal would act on."""
    if any(unicodedata.category(c) in {"Cc", "Cs", "Zl", "Zp"} or c in TURNS for c in err.replace("\n", "")):
        yield f"control characters on stderr: {said[-1][:100]!r}" if said else "control characters on stderr"
    text = "\n".join(said)
    start = next((at for at, line in enumerate(said) if line.startswith(("screening: ", "Error: "))), None)
    if start is None:
        yield f"no sentence on stderr: {text[-160:]!r}"
        return
    before = [line for line in said[:start] if not line.startswith(("Usage: ", "Try "))]
    if before:
        yield f"noise before the sentence: {before[0][:120]}"
    message = said[start:]
    if len(message) > 1 and not all(line.startswith("  - ") for line in message[1:]):
        yield f"more than one line: {message[1][:120]}"
    if len(text) > LONGEST:
        yield f"a message of {len(text)} characters: {text[:80]}"
    if re.search(
        r" at 0x[0-9a-f]{6,}|<[a-z_.]+\.[A-Za-z]+ object|Traceback|\bNoneType\b|numpy\.|KeyError|_pyogrio", text
    ):
        yield f"a programmer's words: {text[:160]}"


def _judge_json(out):
    try:
        json.loads(out, parse_constant=pytest_fail)
    except ValueError as error:
        yield f"output is no JSON: {error}"


def pytest_fail(name):
    """Refuse NaN and infinities, which are no JSON."""
    msg = f"{name} is no JSON"
    raise ValueError(msg)


def judge_files(before, after, *, ended_well, inputs_may_change):
    """Judge where files appeared: nothing outside the output folder, nothing half-written in it."""
    for name in sorted(set(before) | set(after)):
        if name.startswith("out/"):
            continue
        if name.startswith("in/") and inputs_may_change:
            continue
        if name.endswith((".gpkg-wal", ".gpkg-shm")) and name[:-4] in before:
            # SQLite's own, for a database whose maker left it in that mode; no reader can do without.
            continue
        if before.get(name) != after.get(name):
            what = "appeared" if name not in before else "vanished" if name not in after else "changed"
            yield f"{re.sub(r'[0-9a-f]{6,}|[0-9]+', '#', name[:80])} {what} outside the output folder"
    new = {name for name in after if name.startswith("out/") and name not in before}
    for name in sorted(new):
        if re.search(r"(-wal|-shm|-journal|\.tmp|\.part|\.partial)$|/\.", name) or "/tmp" in name:
            yield f"left behind: {re.sub(r'[0-9]+', '#', name[:80])}"
        elif ".parts" in name and ended_well is not None:
            yield f"parts left behind: {re.sub(r'[0-9]+', '#', name[:60])}"
    if ended_well is False and new:
        yield f"an output although it failed: {min(new)[:80]}"


def judge_output(path):
    """Judge a written file by its kind."""
    kind = path.suffix.lower()
    readers = {
        ".gpkg": _geopackage,
        ".csv": _table,
        ".xlsx": _workbook,
        ".html": _page,
        ".svg": _svg,
        ".pdf": _pdf,
        ".toml": _toml,
    }
    if kind in readers and path.is_file() and not path.is_symlink():
        try:
            yield from readers[kind](path)
        except (ValueError, sqlite3.Error, zipfile.BadZipFile, ET.ParseError, csv.Error, KeyError) as error:
            yield f"{kind} can't be read: {type(error).__name__} {error}"


def _geopackage(path):
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as base:
        if base.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            yield "GeoPackage: integrity"
        tables = [row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")]
        for table in tables:
            for _, column, kind, *_ in base.execute(f'PRAGMA table_info("{table}")').fetchall():
                if kind.upper() in {"REAL", "DOUBLE"}:
                    odd = base.execute(f'SELECT 1 FROM "{table}" WHERE abs("{column}") > 1e30 LIMIT 1').fetchone()
                    if odd:
                        yield f"GeoPackage: infinite {table}.{column}"
        if "candidate_homes" in tables:
            record = dict(base.execute("SELECT key, value FROM run_record"))
            n = {
                name: int(record[name])
                for name in ("n_parcels_read", "n_candidate_homes", "n_other_parcels", "n_parcels_merged")
            }
            if n["n_parcels_read"] != n["n_candidate_homes"] + n["n_other_parcels"] + n["n_parcels_merged"]:
                yield f"GeoPackage: parcels don't add up: {n}"
            for layer, key in (("candidate_homes", "n_candidate_homes"), ("other_parcels", "n_other_parcels")):
                if base.execute(f'SELECT count(*) FROM "{layer}"').fetchone()[0] != n[key]:
                    yield f"GeoPackage: rows of {layer}"
            yield from _volumes(base)


def _volumes(base):
    row = base.execute(
        "SELECT count(*) FROM candidate_homes WHERE NOT (diverted_m3_y BETWEEN 0 AND runoff_roof_m3_y * 1.0001 + 1e-9) "
        "OR NOT (treated_roof_m2 BETWEEN 0 AND roof_area_m2 * 1.0001) OR garden_area_m2 <= 0"
    ).fetchone()
    if row[0]:
        yield "GeoPackage: volumes out of their bounds"


def _table(path):
    csv.field_size_limit(1 << 30)
    with path.open(newline="", encoding="utf-8-sig") as file:
        for row in csv.reader(file):
            for cell in row:
                if cell.startswith(FORMULA) and not NUMBER.fullmatch(cell):
                    yield f"a formula in CSV: {cell[:60]!r}"
                    return


def _workbook(path):
    with zipfile.ZipFile(path) as book:
        for name in book.namelist():
            if not name.endswith((".xml", ".rels")):
                continue
            root = ET.fromstring(book.read(name))  # noqa: S314 - our own output
            for element in root.iter():
                tag = element.tag.rpartition("}")[2]
                if tag == "f":
                    yield f"a formula in a workbook: {str(element.text)[:60]}"
                if MARK in str(element.get("Target")) or tag == "hyperlink":
                    yield "a link in a workbook"


class _Tags(HTMLParser):
    """Finds elements and attributes that came out of data."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.found = []
        self.inside = ""
        self.held = ""

    def handle_starttag(self, tag, attrs):
        for name, value in attrs:
            text = value or ""
            harmless = name in {
                "title",
                "aria-label",
                "alt",
                "data-home",
                "data-id",
                "value",
                "content",
                "id",
                "data-name",
            }
            if MARK in name or (MARK in text and (name.startswith("on") or not harmless)):
                self.found.append(f"<{tag} {name}={text[:40]}>")
        if MARK in tag:
            self.found.append(f"<{tag[:60]}>")
        if tag in {"script", "style"}:
            self.inside = dict(attrs).get("type") or tag
            self.held = ""

    def handle_endtag(self, tag):
        if tag not in {"script", "style"} or not self.inside:
            return
        if MARK in self.held and not self._is_plain_data():
            at = self.held.find(MARK)
            self.found.append(f"data in a script: {self.held[max(0, at - 30) : at + 50]!r}")
        self.inside = ""

    def _is_plain_data(self):
        """Whether a script is no script but JSON, in which no element can begin."""
        try:
            json.loads(self.held)
        except ValueError:
            return False
        return self.inside == "application/json" and "<!--" not in self.held and "<script" not in self.held.lower()

    def handle_data(self, data):
        if self.inside:
            self.held += data


def _page(path):
    tags = _Tags()
    tags.feed(path.read_text(encoding="utf-8"))
    tags.close()
    for one in tags.found[:3]:
        yield f"data came to life in a page: {one}"


def _svg(path):
    text = path.read_text(encoding="utf-8")
    if "<!ENTITY" in text:
        yield "an entity in SVG"
    for element in ET.fromstring(text).iter():  # noqa: S314 - our own output
        tag = str(element.tag).rpartition("}")[2]
        if tag in {"script", "foreignObject", "image", "a"} and MARK in ET.tostring(element, encoding="unicode"):
            yield f"data came to life in SVG: {tag}"
        if any(name.lower().startswith("on") for name in element.attrib):
            yield "an event in SVG"


def _pdf(path):
    data = path.read_bytes()
    if not data.startswith(b"%PDF") or b"%%EOF" not in data[-1024:]:
        yield "PDF: incomplete"
    for word in (b"/JavaScript", b"/JS ", b"/Launch", b"/OpenAction <<", b"/URI"):
        if word in data:
            yield f"PDF: {word.decode()}"


def _toml(path):
    tomllib.loads(path.read_text(encoding="utf-8"))
    return iter(())


def finite(value):
    """Whether a number is one."""
    return not isinstance(value, float) or math.isfinite(value)
