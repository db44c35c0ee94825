"""The whole run: read, divide into tiles, screen them, put the parts together, rank, write."""

from __future__ import annotations

from screening.batch.run import run
from screening.batch.summary import RunSummary

__all__ = ["RunSummary", "run"]
