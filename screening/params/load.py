"""Reading a run file and the overrides of a call into `Params`.

Every problem is gathered and reported in one go, with the nearest name where a name is unknown.
"""

from __future__ import annotations

import copy
import difflib
import os
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from screening.errors import ParameterError
from screening.params.fields import Section, convert, declared, show
from screening.params.sections import SECTIONS, InputParams, KeepAway, Params


def load_params(
    path: Path | str | None = None,
    overrides: Mapping[str, object] | Sequence[str] = (),
) -> Params:
    """Make the parameters of a run from a run file and overrides.

    Parameters
    ----------
    path : Path or str or None
        Run file (TOML); None for the defaults alone.  Relative paths in it count from its folder.
    overrides : mapping or sequence of str, optional
        What wins over the run file: ``{"rules.lot_line_m": 2.0}`` or ``["rules.lot_line_m=2.0"]``.  Texts
        are read as TOML values and, where they are none, as plain text.  Relative paths in
        overrides count from the current folder, as any path in a command does.

    Returns
    -------
    Params
        Checked and frozen parameters.

    Raises
    ------
    ParameterError
        If the file cannot be read or anything in it or in the overrides is wrong; the message lists
        every problem.
    """
    tables: dict[str, Any] = {}
    if path is not None:
        path = Path(path)
        tables = _read_toml(path)
    problems: list[str] = []
    _anchor_paths(tables, path.parent if path is not None else Path())
    _apply_overrides(tables, overrides, problems)

    sections: dict[str, Any] = {}
    problems.extend(f"[{name}] is no section{_nearest(name, SECTIONS)}" for name in tables if name not in SECTIONS)
    for name, section_type in SECTIONS.items():
        section = _make_section(name, section_type, tables.get(name, {}), problems)
        if section is not None:
            sections[name] = section
    if not problems:
        params = Params(**sections)
        problems.extend(_missing_distances(params))
    if problems:
        where = f"{path}: " if path is not None else ""
        if len(problems) == 1:
            raise ParameterError(where + problems[0])
        raise ParameterError(f"{where}{len(problems)} problems:\n" + "\n".join(f"  - {text}" for text in problems))
    return params


def _read_toml(path: Path) -> dict[str, Any]:
    """Read the run file."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except FileNotFoundError:
        message = f"run file {path} does not exist; check the path"
    except OSError as error:
        message = f"run file {path} cannot be read: {error.strerror or error}"
    except tomllib.TOMLDecodeError as error:
        message = f"run file {path} is not valid TOML: {error}"
        if "scape" in str(error):
            message += "; write Windows paths in single quotes"
    except UnicodeDecodeError as error:
        message = f"run file {path} is not UTF-8 text (byte {error.start}); save it as UTF-8"
    raise ParameterError(message)


def _apply_overrides(
    tables: dict[str, Any], overrides: Mapping[str, object] | Sequence[str], problems: list[str]
) -> None:
    """Put the overrides into the tables of the run file."""
    if isinstance(overrides, str):
        overrides = (overrides,)
    if isinstance(overrides, Mapping):
        pairs = list(copy.deepcopy(dict(overrides)).items())
    else:
        pairs = []
        for text in overrides:
            key, equals, value_text = text.partition("=")
            if not equals:
                problems.append(f'"{text}" is no setting; write section.key=value')
                continue
            pairs.append((key.strip(), _toml_value(value_text.strip())))
    for key, value in pairs:
        section, *names = key.split(".")
        if not names or not all(names):
            problems.append(f'"{key}" is no parameter; write section.key=value')
            continue
        if section not in SECTIONS:
            problems.append(f'"{key}": [{section}] is no section{_nearest(section, SECTIONS)}')
            continue
        table = tables.setdefault(section, {})
        for name in names[:-1]:
            if not isinstance(table, dict):
                break
            table = table.setdefault(name, {})
        if not isinstance(table, dict):
            problems.append(f'"{key}" is no parameter; write section.key=value')
            continue
        table[names[-1]] = value
        if section == "inputs" and len(names) == 1:
            _anchor_paths({"inputs": {names[0]: value}}, Path(), into=table)


def _toml_value(text: str) -> object:
    """Read a value as TOML would, plain text where TOML would not."""
    try:
        # A line break would allow further keys; such a text is none of TOML's values.
        return text if "\n" in text else tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _anchor_paths(tables: Mapping[str, Any], folder: Path, into: dict[str, Any] | None = None) -> None:
    """Make the relative paths of [inputs] absolute, counted from a folder."""
    inputs = tables.get("inputs")
    if not isinstance(inputs, dict):
        return
    target = inputs if into is None else into
    for name, parameter in declared(InputParams).items():
        value = inputs.get(name)
        if parameter.kind == Path | None and isinstance(value, str | Path) and str(value):
            target[name] = _absolute(value, folder)
    rows = inputs.get("keep_away")
    for row in rows if isinstance(rows, list | tuple) else ():
        if isinstance(row, dict) and isinstance(row.get("path"), str | Path) and str(row["path"]):
            row["path"] = _absolute(row["path"], folder)


def _absolute(value: str | Path, folder: Path) -> Path:
    """Return a path as absolute, without resolving links."""
    return Path(os.path.abspath(folder / Path(value).expanduser()))  # noqa: PTH100 - Path.absolute keeps ".."


def _make_section(name: str, section_type: type[Section], table: object, problems: list[str]) -> Section | None:
    """Make one section from its table, adding what is wrong to the problems."""
    if not isinstance(table, dict):
        problems.append(f"[{name}] must be a section of keys, not {show(table)}")
        return None
    known = declared(section_type)
    values: dict[str, Any] = {}
    before = len(problems)
    for key, given in table.items():
        if key not in known:
            problems.append(f"unknown parameter in [{name}]: '{key}'{_nearest(key, known)}")
            continue
        value = given
        if section_type is InputParams and key == "keep_away":
            value = _make_keep_away(given, problems)
            if value is None:
                continue
        value, problem = convert(value, known[key])
        if problem:
            problems.append(f"[{name}] {key} = {show(given)}: {problem}")
        else:
            values[key] = value
    if len(problems) > before:
        return None
    try:
        return section_type(**values)
    except ParameterError as error:
        problems.extend(f"[{name}] {line}" for line in str(error).splitlines())
        return None


def _make_keep_away(rows: object, problems: list[str]) -> tuple[KeepAway, ...] | None:
    """Make the keep-away entries; None if one of them is wrong."""
    if isinstance(rows, tuple | list) and all(isinstance(row, KeepAway) for row in rows):
        return tuple(rows)
    if not isinstance(rows, list | tuple):
        problems.append("[inputs] keep_away: write each entry under [[inputs.keep_away]]")
        return None
    entries: list[KeepAway | None] = []
    for number, row in enumerate(rows, start=1):
        if isinstance(row, dict) and "path" not in row:
            problems.append(f"[inputs.keep_away {number}] path is missing")
            entries.append(None)
            continue
        entry = _make_section(f"inputs.keep_away {number}", KeepAway, row, problems)
        entries.append(entry if isinstance(entry, KeepAway) else None)
    good = tuple(entry for entry in entries if entry is not None)
    return good if len(good) == len(entries) else None


def _missing_distances(params: Params) -> list[str]:
    """Find keep-away layers for which nobody says the distance."""
    problems = []
    for entry in params.inputs.keep_away:
        if entry.distance_m is None and params.rules.keep_away_distance_m(entry.kind) is None:
            known = ["septic", "well", *params.rules.rule_set.keep_away_m]
            has = [kind for kind in known if params.rules.keep_away_distance_m(kind) is not None]
            problems.append(
                f"[[inputs.keep_away]] of kind '{entry.kind}' needs distance_m: the rule set {params.rules.base} "
                f"has a distance for {', '.join(has) if has else 'no kind'} only"
            )
    return problems


def _nearest(name: str, known: Mapping[str, object]) -> str:
    """Return a hint at the nearest known name."""
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    if close:
        return f"; did you mean '{close[0]}'?"
    # A right key under the wrong section is the other usual slip.
    homes = [section for section, kind in SECTIONS.items() if name in declared(kind)]
    return f"; it belongs to [{homes[0]}]" if homes else f"; known are {', '.join(known)}"
