"""What a finished run rests on, read back from its record: parameters with their sources, rain years, soils."""

from __future__ import annotations

import types
import typing
from functools import cache
from typing import TYPE_CHECKING, Any, Final, Literal

from screening.errors import ParameterError
from screening.params import SECTIONS, declared, load_params

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from screening.params import Declared, Params

WATER_SECTIONS: Final = ("roof", "sizing", "soil", "rain", "barrel", "ageing", "uncertainty")
"""Sections that the volumes of a home depend on."""

SET_BY_RUN_FILE: Final = "set by the run file"
"""Source of a value that is not the default."""


def recorded_params(texts: Mapping[str, str]) -> Params | None:
    """Read the parameters behind the volumes back from a record.

    Parameters
    ----------
    texts : Mapping[str, str]
        Values by ``section.key``, as `Params.record` writes them.

    Returns
    -------
    Params or None
        `WATER_SECTIONS` as they were in the run, the others with their defaults; None where the record lacks one of
        the parameters, or has one that this version doesn't understand.
    """
    return _from_texts(tuple(sorted((key, texts[key]) for key in _keys() if key in texts)))


@cache
def _from_texts(texts: tuple[tuple[str, str], ...]) -> Params | None:
    given = dict(texts)
    if len(given) < len(_keys()):
        return None
    try:
        return load_params(None, {key: _value(text, _declared(key).kind) for key, text in given.items()})
    except (ValueError, ParameterError):
        return None


def _keys() -> tuple[str, ...]:
    """Parameters that are read back: all of the sections but tables, which no formula takes."""
    return tuple(
        f"{section}.{name}"
        for section in WATER_SECTIONS
        for name, one in declared(SECTIONS[section]).items()
        if not isinstance(one.default, dict)
    )


def _declared(key: str) -> Declared:
    section, _, name = key.partition(".")
    return declared(SECTIONS[section])[name]


def _value(text: str, kind: Any) -> object:
    """Turn a text of the record into a value of a parameter's type."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in {types.UnionType, typing.Union}:
        return _value(text, arguments[0]) if text else None
    if origin is tuple:
        return [_value(part, arguments[0]) for part in text.split(";") if part]
    if origin is Literal or kind is str:
        return text
    if kind is bool:
        return {"true": True, "false": False}[text] if text in {"true", "false"} else text
    return int(text) if kind is int else float(text)


def parameter_value(params: Params, key: str) -> Any:
    """Return the value of ``section.key``."""
    section, _, name = key.partition(".")
    return getattr(getattr(params, section), name)


def parameter_unit(key: str) -> str:
    """Return the unit of ``section.key``."""
    return _declared(key).spec.unit


def parameter_source(params: Params, key: str) -> str:
    """Say where the value of a parameter comes from: the source of its default, or the run file."""
    one = _declared(key)
    if parameter_value(params, key) != one.default:
        return SET_BY_RUN_FILE
    return one.spec.source or "default"


def year_spans(years: Sequence[int]) -> str:
    """Write years in few words.

    Examples
    --------
    >>> year_spans([2011, 2012, 2013, 2016])
    '2011 to 2013, 2016'
    """
    ordered = sorted(set(years))
    starts = [year for year in ordered if year - 1 not in ordered]
    ends = [year for year in ordered if year + 1 not in ordered]
    spans = zip(starts, ends, strict=True)
    return ", ".join(f"{start}" if start == end else f"{start} to {end}" for start, end in spans)


def years_used(record: Mapping[str, str]) -> list[int]:
    """Return the rain years of a run, from its record; none where it had no rain record."""
    return [int(year) for year in record.get("rain_years_used", "").split(";") if year.strip().isdigit()]


def town_soils(record: Mapping[str, str]) -> list[str]:
    """Return the names of the soil classes of a run, from its record."""
    return [key.removeprefix("soil.").removesuffix(".basis") for key in record if _is_basis(key)]


def _is_basis(key: str) -> bool:
    return key.startswith("soil.") and key.endswith(".basis")
