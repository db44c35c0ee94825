"""A changed product split up over its factors, exactly; and a changed rank over a home and all others."""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def split_change(before: FloatArray, after: FloatArray) -> FloatArray:
    """Split the change of products over their factors.

    Parameters
    ----------
    before, after : (n, k) arrays
        k factors of n products, finite.

    Returns
    -------
    (n, k) array
        What each factor adds to each product. Rows sum to ``after.prod(axis=1) - before.prod(axis=1)`` but for
        rounding; a factor that stays adds 0.

    Notes
    -----
    Shapley's value: the factors are changed one after the other in every possible order, and each gets the mean of what
    its change adds. It is the only split that is exact, treats all factors alike and gives nothing to one that stays
    [1]_; for factors of a product it is in use where emissions are decomposed [2]_. Zeros are no trouble, as they are
    for splits by logarithms.

    References
    ----------
    .. [1] L. S. Shapley, "A value for n-person games", Contributions to the Theory of Games II, 1953, pp. 307-317
       (from memory).
    .. [2] J. Albrecht, D. Francois, K. Schoors, "A Shapley decomposition of carbon emissions without residuals", Energy
       Policy 30 (2002), pp. 727-736 (from memory).

    Examples
    --------
    >>> split_change(np.array([[2.0, 3.0]]), np.array([[4.0, 5.0]])).tolist()
    [[8.0, 6.0]]
    """
    n_factors = before.shape[1]
    step = after - before
    parts = np.zeros_like(before, dtype=float)
    for k in range(n_factors):
        others = [other for other in range(n_factors) if other != k]
        for size in range(n_factors):
            # orders in which exactly these factors are changed before this one
            weight = math.factorial(size) * math.factorial(n_factors - size - 1) / math.factorial(n_factors)
            for changed in itertools.combinations(others, size):
                rest = [other for other in others if other not in changed]
                parts[:, k] += weight * after[:, list(changed)].prod(axis=1) * before[:, rest].prod(axis=1)
        parts[:, k] *= step[:, k]
    return parts


def place_in(scores: FloatArray, place: IntArray, score: FloatArray) -> IntArray:
    """Rank that homes of a list would have in it with other scores, all others as they are.

    Parameters
    ----------
    scores : (n,) array
        Scores of the list.
    place : (m,) int array
        Homes that get another score, by their row.
    score : (m,) array
        It.

    Returns
    -------
    (m,) int array
        One more than there are others with a higher score.

    Notes
    -----
    Scores are told apart as in `screening.ranking`: by a billionth.
    """
    rounded = np.round(scores, 9)
    new = np.round(score, 9)
    ordered = np.sort(rounded)
    n_higher = len(ordered) - np.searchsorted(ordered, new, side="right")
    was_itself = rounded[place] > new
    found: IntArray = 1 + n_higher - was_itself
    return found
