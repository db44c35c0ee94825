"""Cleaning: repaired outlines, one row per place, unique text ids, an order that does not depend on the file."""

from __future__ import annotations

from screening.clean.buildings import CleanBuildings, clean_buildings
from screening.clean.not_lots import Surroundings
from screening.clean.outlines import repair, unique_ids
from screening.clean.parcels import CleanParcels, clean_parcels

__all__ = [
    "CleanBuildings",
    "CleanParcels",
    "Surroundings",
    "clean_buildings",
    "clean_parcels",
    "repair",
    "unique_ids",
]
