"""Reading a run file and the overrides of a call into `Params`.

Every problem is gathered and reported in one go, with the nearest name where a name is unknown.
"""

from __future__ import annotations

import copy
import difflib
import os
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from screening.errors import ParameterError
from screening.params.fields import Section, convert, declared, show
from screening.params.sections import SECTIONS, InputParams, KeepAway, Params
from screening.paths import why_unreadable

NO_NAMES: Final[Mapping[str, str]] = MappingProxyType({})


@dataclass(slots=True)
class _Problems:
    """What is wrong, and with what: the run file, or an override that wins over it.

    Attributes
    ----------
    path : str
        Run file; "" for none.
    found : list of (str, str)
        Whom to blame, "" for the run file, and the problem.
    overrides : dict of str to dict of str to str
        By section and key (dotted, without the section): what set it, as messages name it.
    """

    path: str
    found: list[tuple[str, str]] = field(default_factory=list)
    overrides: dict[str, dict[str, str]] = field(default_factory=dict)

    def add(self, text: str, *, whose: str = "") -> None:
        """Note a problem of an override, else of the run file."""
        self.found.append((whose, text))

    def add_to_key(self, section: str, key: str, text: str, *, long_text: str = "") -> None:
        """Note a problem of one parameter; `long_text` names it, for where no override does."""
        whose = self._whose(section, lambda name: name == key or name.startswith(f"{key}."))
        self.add(text if whose else long_text or text, whose=whose)

    def add_to_section(self, section: str, text: str) -> None:
        """Note what is wrong between the parameters that the text names."""
        whose = self._whose(section, lambda name: bool(re.search(rf"(?<![\w.]){re.escape(name)}(?!\w)", text)))
        self.add(f"[{section}] {text}", whose=whose)

    def _whose(self, section: str, is_meant: Callable[[str], bool]) -> str:
        """Names of the overrides of a section's keys that are meant."""
        if section.startswith("inputs.keep_away"):
            # these come all at once
            return self.overrides.get("inputs", {}).get("keep_away", "")
        return ", ".join(whose for name, whose in self.overrides.get(section, {}).items() if is_meant(name))

    def error(self) -> ParameterError:
        """Everything in one message."""
        if len(self.found) == 1:
            whose, text = self.found[0]
            start = whose or self.path
            return ParameterError(f"{start}: {text}" if start else text)
        blamed = {whose for whose, _ in self.found}
        start = f"{self.path}: " if self.path and "" in blamed else ""
        if start and len(blamed) > 1:
            start = f"{self.path} and what overrides it: "
        lines = [f"  - {whose}: {text}" if whose else f"  - {text}" for whose, text in self.found]
        return ParameterError("\n".join([f"{start}{len(lines)} problems:", *lines]))


def load_params(
    path: Path | str | None = None,
    overrides: Mapping[str, object] | Sequence[str] = (),
    *,
    option_names: Mapping[str, str] = NO_NAMES,
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
    option_names : mapping of str to str, optional
        How messages name an override given as text, for example ``{"rules.lot_line_m=x": "--set rules.lot_line_m=x"}``;
        others are called overrides.

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
    problems = _Problems("" if path is None else str(path))
    _anchor_paths(tables, path.parent if path is not None else Path())
    _apply_overrides(tables, overrides, option_names, problems)

    sections: dict[str, Any] = {}
    for name in tables:
        if name not in SECTIONS:
            problems.add(f"[{name}] is no section{_nearest(name, SECTIONS)}")
    for name, section_type in SECTIONS.items():
        section = _make_section(name, section_type, tables.get(name, {}), problems)
        if section is not None:
            sections[name] = section
    if not problems.found:
        params = Params(**sections)
        for text in _missing_distances(params):
            problems.add(text)
    if problems.found:
        raise problems.error()
    return params


_KEY_PART: Final = r"""(?:[A-Za-z0-9_-]+|"[^"\n]{0,99}"|'[^'\n]{0,99}')"""
_ENDLESS_KEY: Final = re.compile(rf"(?<![A-Za-z0-9_-]){_KEY_PART}(?:[ \t]*\.[ \t]*{_KEY_PART}){{100}}")


def _refuse_endless_key(text: str) -> None:
    """Raise `RecursionError` for a key of more than a hundred parts: the parser would take minutes to find out."""
    if _ENDLESS_KEY.search(text):
        raise RecursionError


def _read_toml(path: Path) -> dict[str, Any]:
    """Read the run file."""
    wrong = why_unreadable(path)
    if wrong:
        wrong = wrong.replace("doesn't", "does not")
        raise ParameterError(f"run file {path} {wrong}; check the path")
    try:
        text = path.read_bytes().decode("utf-8")
        _refuse_endless_key(text)
        return tomllib.loads(text.replace("\r\n", "\n"))
    except OSError as error:
        message = f"run file {path} cannot be read: {error.strerror or error}"
    except tomllib.TOMLDecodeError as error:
        message = f"run file {path} is not valid TOML: {error}"
        if "scape" in str(error):
            message += "; write Windows paths in single quotes"
    except (RecursionError, MemoryError):
        message = f"run file {path} is nested too deeply; write each parameter as the reference shows it"
    except UnicodeDecodeError as error:
        message = f"run file {path} is not UTF-8 text (byte {error.start}); save it as UTF-8"
    except ValueError as error:
        message = f"run file {path} is not valid TOML: {str(error).split(': ')[0]}"
    raise ParameterError(message)


def _apply_overrides(
    tables: dict[str, Any],
    overrides: Mapping[str, object] | Sequence[str],
    option_names: Mapping[str, str],
    problems: _Problems,
) -> None:
    """Put the overrides into the tables of the run file."""
    if isinstance(overrides, str):
        overrides = (overrides,)
    if isinstance(overrides, Mapping):
        given = [(key, value, f"override {key}") for key, value in copy.deepcopy(dict(overrides)).items()]
    else:
        given = []
        for text in overrides:
            # a message is one line, whatever a shell lets through
            whose = " ".join(option_names.get(text, f"override {text}").split())
            key, equals, value_text = text.partition("=")
            if not equals:
                problems.add("that is no setting; write section.key=value", whose=whose)
                continue
            given.append((key.strip(), _toml_value(value_text.strip()), whose))
    for key, value, whose in given:
        section, *names = key.split(".")
        if not names or not all(names):
            problems.add(f'"{key}" is no parameter; write section.key=value', whose=whose)
            continue
        if section not in SECTIONS:
            problems.add(f"[{section}] is no section{_nearest(section, SECTIONS)}", whose=whose)
            continue
        table = tables.setdefault(section, {})
        for name in names[:-1]:
            if not isinstance(table, dict):
                break
            table = table.setdefault(name, {})
        if not isinstance(table, dict):
            problems.add(f'"{key}" is no parameter; write section.key=value', whose=whose)
            continue
        table[names[-1]] = value
        problems.overrides.setdefault(section, {})[".".join(names)] = whose
        if section == "inputs" and len(names) == 1:
            _anchor_paths({"inputs": {names[0]: value}}, Path(), into=table)


def _toml_value(text: str) -> object:
    """Read a value as TOML would, plain text where TOML would not."""
    try:
        # A line break would allow further keys; such a text is none of TOML's values.
        return text if "\n" in text else tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
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
        elif name == "elevation" and value is not None:
            target[name] = _absolute_each(value, folder)
    rows = inputs.get("keep_away")
    for row in rows if isinstance(rows, list | tuple) else ():
        if isinstance(row, dict) and isinstance(row.get("path"), str | Path) and str(row["path"]):
            row["path"] = _absolute(row["path"], folder)


def _absolute_each(value: object, folder: Path) -> object:
    """Return a path, or each of a list, as absolute; what is no path as it is."""
    if isinstance(value, list | tuple):
        return tuple(_absolute_each(item, folder) for item in value)
    return _absolute(value, folder) if isinstance(value, str | Path) and str(value) else value


def _absolute(value: str | Path, folder: Path) -> Path:
    """Return a path as absolute, without resolving links."""
    return Path(os.path.abspath(folder / Path(value).expanduser()))  # noqa: PTH100 - Path.absolute keeps ".."


def _make_section(name: str, section_type: type[Section], table: object, problems: _Problems) -> Section | None:
    """Make one section from its table, adding what is wrong to the problems."""
    if not isinstance(table, dict):
        problems.add(f"[{name}] must be a section of keys, not {show(table)}")
        return None
    known = declared(section_type)
    values: dict[str, Any] = {}
    before = len(problems.found)
    for key, given in table.items():
        if key not in known:
            problems.add_to_key(name, key, f"unknown parameter in [{name}]: '{key}'{_nearest(key, known)}")
            continue
        value = given
        if section_type is InputParams and key == "keep_away":
            value = _make_keep_away(given, problems)
            if value is None:
                continue
        value, problem = convert(value, known[key])
        if problem:
            problems.add_to_key(name, key, problem, long_text=f"[{name}] {key} = {show(given)}: {problem}")
        else:
            values[key] = value
    if len(problems.found) > before:
        return None
    try:
        return section_type(**values)
    except ParameterError as error:
        for line in str(error).splitlines():
            problems.add_to_section(name, line)
        return None


def _make_keep_away(rows: object, problems: _Problems) -> tuple[KeepAway, ...] | None:
    """Make the keep-away entries; None if one of them is wrong."""
    if isinstance(rows, tuple | list) and all(isinstance(row, KeepAway) for row in rows):
        return tuple(rows)
    if not isinstance(rows, list | tuple):
        problems.add_to_key("inputs", "keep_away", "[inputs] keep_away: write each entry under [[inputs.keep_away]]")
        return None
    entries: list[KeepAway | None] = []
    for number, row in enumerate(rows, start=1):
        if isinstance(row, dict) and "path" not in row:
            problems.add_to_key("inputs", "keep_away", f"[inputs.keep_away {number}] path is missing")
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
