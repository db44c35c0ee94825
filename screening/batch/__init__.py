"""The whole run: read, divide into tiles, screen them, put the parts together, rank, write."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from screening.batch.summary import RunSummary
    from screening.batch.whole_run import run

__all__ = ["RunSummary", "run"]

_WHERE = {"run": "whole_run", "RunSummary": "summary"}


def __getattr__(name: str) -> object:
    """Import what is asked for only then: a worker process needs neither."""
    if name in _WHERE:
        import importlib  # noqa: PLC0415

        return getattr(importlib.import_module(f"screening.batch.{_WHERE[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
