"""Which counts a published table must not show.

A count of a few homes tells about households.  The rule is that of the Washington State Department of Health,
"Department of Health Agency Standards for Reporting Data with Small Numbers" (May 2018; read as appendix D, 09/2017,
of a county's document): counts from 1 to 9 and all that is computed from them are suppressed, and further counts with
them, so that nothing suppressed can be found by subtraction.  How the further ones are chosen is our own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

SMALLEST_SHOWN: Final = 10
"""Smallest count that is shown, apart from 0."""

_LARGEST_SMALL: Final = SMALLEST_SHOWN - 1
_FEWEST_TOGETHER: Final = 2
# So many values at least have to be possible for each of several small counts: of three that make 27 each is 9.
# Program default; more than half of SMALLEST_SHOWN would leave fewer for some count beside a larger one.
_FEWEST_VALUES: Final = 5


class Hidden(NamedTuple):
    """What of a table of counts that add up to a total is not shown.

    Attributes
    ----------
    names : frozenset of str
        Counts that are not shown by themselves.  Their sum may be: anybody can compute it from the total.
    total : bool
        Whether the total is not shown either, nor the sum of those counts.
    """

    names: frozenset[str]
    total: bool


def is_small(count: int) -> bool:
    """Whether a count must not be shown."""
    return 0 < count < SMALLEST_SHOWN


def hide_small(
    counts: Mapping[str, int], *, hide: Collection[str] = (), shown_elsewhere: Collection[str] = ()
) -> Hidden:
    """Choose the counts that are not shown.

    Parameters
    ----------
    counts : Mapping[str, int]
        Counts by name that together are the total; none counts anything twice.
    hide : collection of str
        Names of counts that must not be shown for another reason.
    shown_elsewhere : collection of str
        Names of counts that are published anyway, so that leaving them out here would hide nothing; none of them is
        small.

    Returns
    -------
    Hidden
        The small counts. Where their sum tells of them, the first other count by name goes with them, and where there
        is none, the total.

    Notes
    -----
    The sum of the hidden counts is known: it is the total less the shown ones. Three things keep them apart.

    - At least two are hidden, and at least `SMALLEST_SHOWN` homes together.
    - Small ones that are alone among themselves have at least five possible values each, for each is at least their sum
      less 9 for each other one.
    - The other count is chosen by its name and not by its size. The smallest would look better, but who knows that it
      was the smallest knows that it is no larger than any that is shown: beside a 14 that is shown, 23 that are
      hidden can only be 14 and 9.

    Counts of 0 are not hidden, and not to be shown either: were they, it would be known that each hidden one is at
    least 1. ``tests/test_table.py`` lets somebody who knows this rule try all towns of two, three and four streets.

    Examples
    --------
    >>> sorted(hide_small({"Alder": 40, "Birch": 3, "Cedar": 25}).names)
    ['Alder', 'Birch']
    >>> sorted(hide_small({"Alder": 40, "Birch": 6, "Cedar": 5}).names)
    ['Birch', 'Cedar']
    """
    hidden = {name for name, count in counts.items() if is_small(count)} | set(hide)
    if hidden & set(shown_elsewhere):
        raise ValueError("a count that must be hidden is published elsewhere")
    if not hidden or _is_enough([counts[name] for name in hidden]):
        return Hidden(frozenset(hidden), total=False)
    others = sorted(name for name, count in counts.items() if count and name not in {*hidden, *shown_elsewhere})
    hidden |= set(others[:1])
    return Hidden(frozenset(hidden), total=not _is_enough([counts[name] for name in hidden]))


def _is_enough(hidden: Collection[int]) -> bool:
    """Whether hidden counts stay hidden when their sum and this rule are known."""
    if len(hidden) < _FEWEST_TOGETHER or sum(hidden) < SMALLEST_SHOWN:
        return False
    if not all(is_small(count) for count in hidden):
        return True
    least = sum(hidden) - _LARGEST_SMALL * (len(hidden) - 1)
    return _LARGEST_SMALL - least + 1 >= _FEWEST_VALUES
