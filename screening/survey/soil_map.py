"""A soil map: its field, or the table of symbols that somebody has to fill in first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening.survey.field_names import guess_field
from screening.survey.guess import Guess
from screening.survey.roles import count_text

if TYPE_CHECKING:
    from screening.survey.facts import FieldFacts
    from screening.survey.vector import LayerLook

SYMBOL_NAMES: Final = ("musym", "mukey", "mapunit", "mapsymbol", "symbol", "soilsymbol")
MAX_SYMBOLS: Final = 80


def soil_guesses(look: LayerLook) -> tuple[list[Guess], bool]:
    """Find the soil of a map.

    Returns
    -------
    guesses : list of Guess
        The field, and where it holds symbols a table of them to fill in.
    is_usable : bool
        Whether a run can use the map as it is.
    """
    where = look.facts.where
    field = guess_field(look.facts, "soil")
    if field is not None:
        return [_entry("fields", "soil", field.field.name, f"{where}: {field.why}", is_sure=field.is_sure)], True
    symbols = _symbols(look)
    if symbols is None:
        return [
            _entry("fields", "soil", "...", f"{where}: none of its fields is a soil that can be read", off=True)
        ], False
    why = (
        f"{where}: {symbols.n_distinct:,} map-unit symbols. They say nothing by themselves: look up the hydrologic "
        "group or texture of each in the soil survey, write it below, and take the marks away from these lines"
    )
    entries = [_entry("fields", "soil", symbols.name, why, off=True)]
    entries += [
        _entry("soil.classes", value, "unknown", count_text("polygon", count), off=True)
        for value, count in symbols.counts[:MAX_SYMBOLS]
    ]
    return entries, False


def _symbols(look: LayerLook) -> FieldFacts | None:
    fields = {field.name.lower(): field for field in look.facts.fields if not field.is_private}
    return next((fields[name] for name in SYMBOL_NAMES if name in fields), None)


def _entry(section: str, key: str, value: str, why: str, *, is_sure: bool = False, off: bool = False) -> Guess:
    return Guess(section=section, key=key, value=value, is_sure=is_sure, why=why, is_suggestion=off)
