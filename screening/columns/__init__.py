"""The one registry of the output's layers, columns and codes, and frames brought to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from screening.columns.codes import (
    ALTERNATIVE_CODES,
    CAUSE_CODES,
    END_CODES,
    FLAG_CODES,
    MERGE_CODES,
    NOT_SCREENED,
    REASON_CODES,
    ROLE_CODES,
    SHAPE_CODES,
    TIGHTEST_CODES,
)
from screening.columns.layers import LAYERS
from screening.columns.model import Column, Layer
from screening.columns.troubles import SEVERITIES, TOPICS, TROUBLES, Trouble

if TYPE_CHECKING:
    from screening.columns.frames import GEOMETRY_NAME, complete, conform, empty, guide, layer, pack

__all__ = [
    "ALTERNATIVE_CODES",
    "CAUSE_CODES",
    "END_CODES",
    "FLAG_CODES",
    "GEOMETRY_NAME",
    "LAYERS",
    "MERGE_CODES",
    "NOT_SCREENED",
    "REASON_CODES",
    "ROLE_CODES",
    "SEVERITIES",
    "SHAPE_CODES",
    "TIGHTEST_CODES",
    "TOPICS",
    "TROUBLES",
    "Column",
    "Layer",
    "Trouble",
    "complete",
    "conform",
    "empty",
    "guide",
    "layer",
    "pack",
]

_FRAME_FUNCTIONS = frozenset({"GEOMETRY_NAME", "complete", "conform", "empty", "guide", "layer", "pack"})


def __getattr__(name: str) -> object:
    """Import what concerns frames, and pandas with it, only when it is used."""
    if name in _FRAME_FUNCTIONS:
        from screening.columns import frames  # noqa: PLC0415

        return getattr(frames, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
