"""The soils of a town: every class that the run file and the soil layer name, each once."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from screening.errors import ParameterError
from screening.soils.classes import SoilClass, one_rate, soil_class

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from screening.params import SoilParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[np.object_]

SHOWN = 5
"""Symbols that a message lists."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TownSoils:
    """Soil classes of a run.

    Attributes
    ----------
    classes : tuple of SoilClass
        Sorted by name, each once.
    of_symbol : mapping of str to int
        Class of each symbol of the soil layer; -1 for "unknown".
    default : int
        Class of homes of which no layer says the soil; -1 where the run file gives none.
    """

    classes: tuple[SoilClass, ...]
    of_symbol: Mapping[str, int]
    default: int

    @property
    def rate_mm_h(self) -> FloatArray:
        """Design rate of every class [mm/h], (n_soils,)."""
        return np.array([soil.rate_mm_h for soil in self.classes])

    def of_symbols(self, symbols: ObjectArray) -> IntArray:
        """Class of each symbol, -1 for unknown and missing ones, shape (n,)."""
        return np.array([-1 if s is None else self.of_symbol[s] for s in symbols], dtype=np.int64)


def town_soils(
    params: SoilParams, symbols: Iterable[str | None] | None = None, *, where: str = "the soil layer"
) -> TownSoils:
    """Soil classes of a town.

    Parameters
    ----------
    params : SoilParams
        Section ``[soil]``.
    symbols : iterable of str or None, optional
        Symbols found in the soil layer; None for a town without one.
    where : str
        The layer, for messages.

    Raises
    ------
    ParameterError
        Naming every soil in words that is not known (with the nearest one), every symbol that ``[soil.classes]``
        says nothing of, and what the parameters lack to turn words into rates.
    """
    problems: list[str] = []
    named: dict[str, SoilClass] = {}

    def resolve(text: str, place: str) -> str | None:
        """Name of a soil's class, None for unknown ones and for problems, which are noted."""
        try:
            soil = soil_class(text, params)
        except ParameterError as error:
            problems.append(f"{place}: {error}")
            return None
        return None if soil is None else named.setdefault(soil.name, soil).name

    default = resolve(params.default, "[soil] default") if params.default else None
    found = sorted({symbol for symbol in symbols or () if symbol is not None})
    class_names: dict[str, str | None] = {}
    if params.classes:
        table = {key: resolve(text, f"[soil.classes] {key}") for key, text in sorted(params.classes.items())}
        class_names = {symbol: table[symbol] for symbol in found if symbol in table}
        lacking = [symbol for symbol in found if symbol not in table]
        if lacking:
            problems.append(_lacking(lacking, params.classes, where))
    else:
        before = len(problems)
        class_names = {symbol: resolve(symbol, where) for symbol in found}
        if len(problems) > before:
            problems[-1] += "; symbols that are no soils in words are translated under [soil.classes]"
    if params.default and default is None and symbols is None and not problems:
        problems.append('[soil] default = "unknown" leaves the town without a soil; write for example "loam"')
    if problems:
        raise ParameterError(_joined(problems))
    if symbols is None and not params.default:
        return TownSoils(classes=(one_rate(params),), of_symbol={}, default=0)
    used = sorted({name for name in (default, *class_names.values()) if name is not None})
    if not used:
        msg = f"{where} says the soil of no place near the parcels, and [soil] default isn't given; check its place."
        raise ParameterError(msg)
    index: dict[str | None, int] = {name: i for i, name in enumerate(used)}
    return TownSoils(
        classes=tuple(named[name] for name in used),
        of_symbol={symbol: index.get(name, -1) for symbol, name in class_names.items()},
        default=index.get(default, -1),
    )


def _lacking(symbols: list[str], table: Mapping[str, str], where: str) -> str:
    """Say which symbols the table lacks, with the nearest entry of the first."""
    shown = ", ".join(repr(symbol) for symbol in symbols[:SHOWN])
    if len(symbols) > SHOWN:
        shown += f" and {len(symbols) - SHOWN} more"
    close = difflib.get_close_matches(symbols[0], table, n=1, cutoff=0.5)
    near = f" (the nearest entry is {close[0]!r})" if close else ""
    return f'[soil.classes] says nothing of {shown} of {where}{near}; add "{symbols[0]}" = "..." there, or "unknown"'


def _joined(problems: list[str]) -> str:
    """All problems in one message, the last one and the first few in full."""
    if len(problems) == 1:
        return f"{problems[0]}."
    shown = (
        problems
        if len(problems) <= SHOWN + 1
        else [*problems[:SHOWN], f"{len(problems) - SHOWN - 1} more", problems[-1]]
    )
    return "\n".join([f"{len(problems)} problems with the soils:", *(f"  - {text}" for text in shown)])
