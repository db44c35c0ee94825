"""Years of a record that may start on any day."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def year_of(time: npt.NDArray[np.datetime64]) -> npt.NDArray[np.int64]:
    """Year of each time, where years begin on the day of the first one.

    Parameters
    ----------
    time : (n,) array of datetime64
        Hours or days, the earliest one first.

    Returns
    -------
    (n,) int array
        Calendar years, or the calendar years in which the twelve months begin that a time belongs to.

    Notes
    -----
    1 March counts as the anniversary of 29 February.
    """
    first_month = time[0].astype("datetime64[M]")
    shifted = (time - (time[0] - first_month)).astype("datetime64[M]")
    passed = (shifted - first_month).astype(np.int64) // 12
    return np.asarray(passed + time[0].astype("datetime64[Y]").astype(np.int64) + 1970, dtype=np.int64)
