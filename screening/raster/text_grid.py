"""Text grids (ASCII grids): whether all their heights are there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from screening.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

DRIVERS: Final = ("AAIGrid", "GRASSASCIIGrid")
"""GDAL's names of the formats."""

PIECE_B: Final = 1 << 24
_BLANKS: Final = (9, 10, 11, 12, 13, 32)


def check_text_grid_whole(path: Path, n_heights: int) -> None:
    """Refuse a text grid that breaks off before its last height.

    GDAL looks for the missing ones again and again, from the start of the file for every row, and seems to hang.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    n_heights : int
        Columns times rows, as its header says.

    Raises
    ------
    InputError
        Telling how many heights are there.
    """
    n_words, in_word = 0, False
    is_blank = np.zeros(256, dtype=bool)
    is_blank[list(_BLANKS)] = True
    with path.open("rb") as file:
        # GRASS writes "north:", the others "ncols" and so on: lines that begin with a letter.
        head = file.read(4096).splitlines()
        file.seek(0)
        while piece := file.read(PIECE_B):
            word = ~is_blank[np.frombuffer(piece, dtype=np.uint8)]
            n_words += int(np.count_nonzero(word[1:] & ~word[:-1])) + int(word[0] and not in_word)
            in_word = bool(word[-1])
    for line in head:
        if not line[:1].isalpha():
            break
        n_words -= len(line.split())
    if n_words < n_heights:
        msg = f"{path.name} breaks off: it has {n_words:,} of {n_heights:,} heights; copy or export the file again."
        raise InputError(msg, code="file_cut_short")
