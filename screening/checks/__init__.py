"""Looking at a city's data before a run: everything that can be wrong, each with its place, effect and way out."""

from __future__ import annotations

from screening.checks.finding import Finding, Findings
from screening.checks.whole import Report, check_city

__all__ = ["Finding", "Findings", "Report", "check_city"]
