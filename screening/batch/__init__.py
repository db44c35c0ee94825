"""The whole run: read, divide into tiles, screen them, put the parts together, rank, write."""

from __future__ import annotations

from screening.batch.run import RunSummary, run

__all__ = ["RunSummary", "run"]
