"""Finding the one record that a bulk read stumbles over, by reading record by record."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, NoReturn

from screening.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.read.layers import LayerInfo


def raise_for_records(info: LayerInfo, fields: Sequence[str], reason: str) -> NoReturn:
    """Name the record at which a layer breaks off, as an error.

    Parameters
    ----------
    info : LayerInfo
        The layer whose bulk read failed or came out short.
    fields : sequence of str
        The mapped fields; no other is read here either.
    reason : str
        What the bulk read said.

    Raises
    ------
    InputError
        Always.
    """
    import fiona  # noqa: PLC0415 - only needed for broken files
    from fiona.errors import FionaError  # noqa: PLC0415

    n_read = 0
    opened = False
    what = ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with fiona.open(info.source, layer=info.layer, include_fields=list(fields)) as records:
                opened = True
                for _ in records:
                    n_read += 1
    except (FionaError, OSError, ValueError, RuntimeError):
        if opened:
            what = f"record {n_read + 1} of {info.n_features} can't be read"
    else:
        if n_read < info.n_features:
            what = f"it breaks off after record {n_read} of {info.n_features}"
    if not what:
        msg = f"{info.where} can't be read ({reason}); export the file again."
        raise InputError(msg)
    msg = f"{info.where}: {what} ({reason}); repair that record or export the file again."
    raise InputError(msg)
