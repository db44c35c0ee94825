"""Siting: where on a lot a garden is allowed, which place is best, and why none fits where none does."""

from __future__ import annotations

from screening.siting.open_ground import Obstacles, find_obstacles, open_ground
from screening.siting.search import Lots, Placed, SitingRules, place_gardens

__all__ = [
    "Lots",
    "Obstacles",
    "Placed",
    "SitingRules",
    "find_obstacles",
    "open_ground",
    "place_gardens",
]
