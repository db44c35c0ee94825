"""The lists that can be made from a result: their names, where they come from, who may see them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class ListKind:
    """One list.

    Attributes
    ----------
    name : str
        Name of the list, of its sheet in a workbook, and on the command line.
    layer : str
        Layer of the result that it shows; "" for a list that is counted from several.
    one_row_per : str
        What a row stands for.
    is_of_households : bool
        Whether a row is about a single home, so that the list is for staff only.
    n_fixed : int
        First columns that stay in sight in a workbook.
    """

    name: str
    layer: str
    one_row_per: str
    is_of_households: bool = False
    n_fixed: int = 1


LIST_KINDS: Final = (
    ListKind("homes", "candidate_homes", "candidate home, in rank order", is_of_households=True, n_fixed=2),
    ListKind("gardens", "gardens", "proposed garden, in the order of the homes", is_of_households=True),
    ListKind("streets", "streets", "street with candidates, the largest volume first"),
    ListKind("districts", "districts", "district of the run's layer of districts"),
    ListKind("totals", "", "figure for the whole result"),
    ListKind("reasons", "", "outcome of the parcels, candidates first, with its count; all parcels are counted once"),
    ListKind("others", "other_parcels", "parcel that is no candidate, by reason", is_of_households=True),
)
"""Every list, in the order of a workbook's sheets."""

LISTS: Final = {kind.name: kind for kind in LIST_KINDS}
"""The same by name."""

CANDIDATE: Final = "candidate_home"
"""Outcome of a parcel in the list of reasons: it is a candidate."""

MERGED: Final = "merged"
"""Outcome of a parcel in the list of reasons: its row is that of another parcel."""
