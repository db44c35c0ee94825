"""Soils: published tables, soils in words, the classes of a town, and which of them each home's ground is."""

from __future__ import annotations

from screening.soils.classes import GreenAmptSoil, SoilClass, soil_class
from screening.soils.place import GroundSoil, map_units, soil_everywhere, soil_of_ground
from screening.soils.town import TownSoils, town_soils
from screening.soils.words import SoilWords, read_words

__all__ = [
    "GreenAmptSoil",
    "GroundSoil",
    "SoilClass",
    "SoilWords",
    "TownSoils",
    "map_units",
    "read_words",
    "soil_class",
    "soil_everywhere",
    "soil_of_ground",
    "town_soils",
]
