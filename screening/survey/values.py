"""Which values of a field are homes, and which buildings are houses."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from screening.survey.facts import FieldFacts

RESIDENTIAL: Final = re.compile(
    r"resid|\bres\b|single[ -]?(fam|unit|home)|(one|two|1|2)[ -]*(to[ -]*)?(2|two)?[ -]*fam|duplex|semi|detached|dwell"
    r"|\bsf[rd]?\b|\bhomes?\b|\bhouses?\b|town ?ho(use|me)|row ?ho(use|me)|wohn|habitation|vivienda|\br-?[12]\b"
    r"|\bbungalow|\bcottage|\branch\b|\bcape\b",
    re.IGNORECASE,
)
"""Words of land uses of houses; common practice, no source."""

NO_HOUSE: Final = re.compile(
    r"non[ -]?res|vacant|unimproved|undevel|multi|apart|\bapts?\b|condo|commerc|industr|exempt|institut|mobile|\bmoho\b"
    r"|manufactured|trailer|\bparks?\b|nursing|mixed|group|dorm|hotel|motel|three|four"
    r"|(3|4|5|6)[ -]*(or|to|\+|fam|unit)|time ?share|assoc|common|retire|ware|out ?build|accessory|\baux"
    r"|rooming|boarding|club|farm|agri|assisted|care|open|^\W*garage|high[ -]?rise|coop\b|co-op|opera|green ?house"
    r"|funeral|\bfire\b|court ?house|\bstate\b",
    re.IGNORECASE,
)
"""Words of other uses, though "residential" or "home" may stand beside them; common practice, no source."""

PRINCIPAL: Final = re.compile(r"primary|principal|main( building)?|haupt\w*|hauptgebäude|major", re.IGNORECASE)
HOUSE_KIND: Final = re.compile(
    r"primary|principal|\bmain\b|\bhouses?\b|(town|row|farm) ?house|dwelling|resid|\bhomes?\b|detached|single|duplex"
    r"|haupt|wohn|maison|habitation|vivienda",
    re.IGNORECASE,
)
OUTBUILDING: Final = re.compile(
    r"access|garage|shed|out ?build|secondary|carport|neben|minor|barn|green ?house|storage|pool|gazebo|deck|porch",
    re.IGNORECASE,
)
VAGUE: Final = re.compile(
    r"yes|true|building|structure|unknown|other|unclassified|none|n/?a|undefined|\W*|0", re.IGNORECASE
)
"""Words of kinds of buildings, and ones that say nothing; common practice, no source."""

MAX_UNTYPED_FRAC: Final = 0.01
"""Where more buildings than this say nothing of their kind, the size decides which is the house.  Program default."""


@dataclass(frozen=True, slots=True)
class ValueGuess:
    """Values of a field that are homes or houses.

    Attributes
    ----------
    values : tuple of str
        They, the most frequent first; may be empty.
    why : str
        What speaks for them, or why there are none.
    """

    values: tuple[str, ...]
    why: str


def home_values(field: FieldFacts) -> ValueGuess:
    """Find the land uses of houses among the values of a field."""
    known = field.n_known or 1
    chosen = [(v, n) for v, n in field.counts if RESIDENTIAL.search(v) and not NO_HOUSE.search(v)]
    if not chosen:
        return ValueGuess((), "its values are codes; the city's list says which of them are houses")
    n_chosen = sum(n for _, n in chosen)
    doubtful = [v for v, _ in field.counts if RESIDENTIAL.search(v) and NO_HOUSE.search(v)]
    why = f"{n_chosen:,} of {known:,} parcels with a land use ({n_chosen / known:.0%})"
    if doubtful:
        why += f"; left out though they sound alike: {_listed(doubtful)}"
    return ValueGuess(tuple(value for value, _ in chosen), why)


def principal_values(field: FieldFacts) -> tuple[ValueGuess, bool]:
    """Find the values of a field that tell houses from sheds, and whether to use them.

    A field that names one building of a lot the main one is used. A field that names kinds of buildings is used where
    every building has a kind; where many have none, their houses would be lost.
    """
    values = [value for value, _ in field.counts]
    outbuildings = [value for value in values if OUTBUILDING.search(value)]
    main = [value for value in values if PRINCIPAL.fullmatch(value)]
    if main:
        n_main = sum(n for value, n in field.counts if value in main)
        others = _listed([value for value in values if value not in main])
        why = f"{n_main:,} of {field.n_records:,} buildings; the others are {others}"
        return ValueGuess(tuple(main), why), True
    houses = [value for value in values if HOUSE_KIND.search(value) and not OUTBUILDING.search(value)]
    if not houses:
        return ValueGuess((), "none of its values is a word for a house"), False
    n_vague = field.n_missing + sum(n for value, n in field.counts if VAGUE.fullmatch(value))
    if n_vague > MAX_UNTYPED_FRAC * field.n_records:
        why = (
            f"{n_vague / field.n_records:.0%} of the buildings have no kind and would be no houses then; without this "
            "line the largest building of a lot is its house"
        )
        return ValueGuess(tuple(houses), why), False
    if not outbuildings:
        return ValueGuess(tuple(houses), "no value is a word for a garage or shed, so the size tells better"), False
    return ValueGuess(tuple(houses), f"the others are {_listed([v for v in values if v not in houses])}"), True


def values_listed(field: FieldFacts, most: int = 12) -> str:
    """Values of a field with their numbers of records, the most frequent first."""
    shown = ", ".join(f'"{value[:40]}" {count:,}' for value, count in field.counts[:most])
    return f"{shown} and {field.n_distinct - most} more" if field.n_distinct > most else shown


def _listed(values: list[str], most: int = 4) -> str:
    shown = ", ".join(f'"{value[:40]}"' for value in values[:most])
    return f"{shown} and {len(values) - most} more" if len(values) > most else shown or "without a kind"
