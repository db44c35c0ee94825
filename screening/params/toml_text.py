"""The defaults as a commented run file that `load_params` reads back."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from screening.params.fields import Declared, Section, declared, show
from screening.params.sections import SECTIONS, KeepAway, Params, RuleParams
from screening.rules import OVERRIDABLE

if TYPE_CHECKING:
    from collections.abc import Iterator

WIDTH: Final = 100

EXAMPLES: Final = {
    "inputs.parcels": '"parcels.gpkg"',
    "inputs.buildings": '"buildings.gpkg"',
    "inputs.elevation": '"elevation.tif"',
    "inputs.elevation_nodata": "-9999",
    "inputs.streets": '"streets.gpkg"',
    "inputs.rain": '"rain.csv"',
    "inputs.downspouts": '"downspouts.gpkg"',
    "inputs.soils": '"soils.gpkg"',
}
"""What stands in the comment of a parameter that has no default."""


def params_toml(section: str | None = None, params: Params | None = None) -> str:
    """Return parameters as commented TOML.

    Parameters
    ----------
    section : str or None
        One section; None for all.
    params : Params or None
        What to write; None for the defaults.

    Returns
    -------
    str
        Text that `load_params` accepts.  Parameters without default stand as comments, and so do the
        numbers of ``[rules]``: written out they would override any other base put above them.
    """
    params = params if params is not None else Params()
    names = SECTIONS if section is None else [section]
    return "\n".join("\n".join(_section_lines(name, getattr(params, name))) + "\n" for name in names)


def _section_lines(name: str, section: Section) -> Iterator[str]:
    """Yield the lines of one section."""
    yield f"# {(type(section).__doc__ or '').strip().splitlines()[0]}"
    yield f"[{name}]"
    tables = []
    for parameter in declared(type(section)).values():
        value = getattr(section, parameter.name)
        if parameter.name == "keep_away" or isinstance(value, Mapping):
            tables.append(parameter)
            continue
        rule = None
        if isinstance(section, RuleParams) and parameter.name in OVERRIDABLE:
            rule = getattr(section.rule_set, parameter.name)
        yield from _comment(parameter, source=rule.source if rule else parameter.spec.source)
        if value is None:
            example = EXAMPLES.get(f"{name}.{parameter.name}", "...")
            yield f"# {parameter.name} = {example}"
        elif rule is not None and value == rule.value:
            yield f"# {parameter.name} = {show(value)}"
        else:
            yield f"{parameter.name} = {show(value)}"
    for parameter in tables:
        yield from _comment(parameter, source="")
        if parameter.name == "keep_away":
            yield from _keep_away_lines(getattr(section, "keep_away"))  # noqa: B009 - a field of one section only
        else:
            yield f"[{name}.{parameter.name}]"
            entries = getattr(section, parameter.name)
            yield from (f"{_key(key)} = {show(text)}" for key, text in entries.items())


def _keep_away_lines(entries: tuple[KeepAway, ...]) -> Iterator[str]:
    """Yield the keep-away tables, an example in comments where there is none."""
    if not entries:
        yield "# [[inputs.keep_away]]"
        for parameter in declared(KeepAway).values():
            example = {"path": '"wells.gpkg"', "kind": '"well"', "distance_m": "15.24", "layer": '"wells"'}
            yield f"# {parameter.name} = {example[parameter.name]}  # {parameter.spec.meaning}"
    for entry in entries:
        yield "[[inputs.keep_away]]"
        for parameter in declared(KeepAway).values():
            value = getattr(entry, parameter.name)
            if value not in {None, ""}:
                yield f"{parameter.name} = {show(value)}"


def _key(key: str) -> str:
    """Return a key as TOML wants it: plain where that will do, in quotes elsewhere."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else show(key)


def _comment(parameter: Declared, *, source: str) -> Iterator[str]:
    """Yield the comment above a parameter: meaning, unit, range, source."""
    spec = parameter.spec
    parts = [spec.meaning]
    unit = f"[{spec.unit}]" if spec.unit else ""
    limits = spec.range_text() or (
        "one of " + ", ".join(show(word) for word in parameter.choices) if parameter.choices else ""
    )
    detail = " ".join(part for part in (unit, limits) if part)
    if detail:
        parts.append(detail)
    if source:
        parts.append(f"source: {source}")
    yield from textwrap.wrap(
        "; ".join(parts), WIDTH, initial_indent="# ", subsequent_indent="#   ", break_on_hyphens=False
    )
