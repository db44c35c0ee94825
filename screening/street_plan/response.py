"""How many of the homes visited end with a garden: published rates, and what chance adds."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from scipy.special import bdtr


class Response(NamedTuple):
    """Homes that take a garden of those visited.

    Attributes
    ----------
    low_frac, likely_frac, high_frac : float
        Between 0 and 1, rising.
    """

    low_frac: float
    likely_frac: float
    high_frac: float


PUBLISHED: Final = Response(0.03, 0.20, 0.50)
"""Rates where nothing better is known, with `SOURCES`. They measure different things in different places: scenarios, no
forecast."""

SOURCES: Final = (
    # Read in a summary, not in the survey's own paper.
    (
        "3 %: about as many households have a rain garden where nobody offers one (3.1 % in one household survey, from "
        "secondary reading)."
    ),
    # Michigan Technological University, Digital Commons, forestry-fp/25; U.S. EPA report 200289.
    (
        "20 %: Shepherd Creek, Cincinnati, 2007-08, a reverse auction: 67 of about 350 homes (19 %) in the first "
        "round, more than 20 % of the properties after the second."
    ),
    # Minnesota's legacy fund, project "Citizen-based stormwater management".
    "50 %: Powderhorn, Minneapolis, 2009-12: about half of the homeowners took a garden that was free.",
)


def by_chance(n: int, frac: float) -> tuple[int, int]:
    """How many of n homes take a garden if each decides by itself.

    Parameters
    ----------
    n : int
        Homes visited.
    frac : float
        Chance of each.

    Returns
    -------
    tuple of int
        10 and 90 % points of the binomial distribution: the smallest counts with at least that chance of no more.
    """
    chance = bdtr(np.arange(n + 1, dtype=float), n, frac)
    # rounding must not push a chance of exactly 0.1 below it
    low, high = (int(np.argmax(chance >= point - 1e-12)) for point in (0.1, 0.9))
    return low, high
