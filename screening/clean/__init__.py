"""Cleaning: repaired outlines, one row per place, unique text ids, an order that does not depend on the file.

A layer is cleaned in two steps: what can be said of a feature alone, piece by piece (`usable_parcels`), and what needs
all of them (`settle_parcels`).
"""

from __future__ import annotations

from screening.clean.buildings import CleanBuildings, clean_buildings, settle_buildings, usable_buildings
from screening.clean.features import Features
from screening.clean.not_lots import Surroundings
from screening.clean.outlines import repair, unique_ids
from screening.clean.parcels import CleanParcels, broken_in_order, clean_parcels, settle_parcels, usable_parcels
from screening.clean.shapes import Chosen, Shapes, ShapesInMemory

__all__ = [
    "Chosen",
    "CleanBuildings",
    "CleanParcels",
    "Features",
    "Shapes",
    "ShapesInMemory",
    "Surroundings",
    "broken_in_order",
    "clean_buildings",
    "clean_parcels",
    "repair",
    "settle_buildings",
    "settle_parcels",
    "unique_ids",
    "usable_buildings",
    "usable_parcels",
]
