"""Parameters of a run: frozen objects with unit, range, meaning and source, read from TOML."""

from __future__ import annotations

from screening.params.ageing import AgeingParams
from screening.params.barrel import BarrelParams
from screening.params.fields import Declared, Section, Spec, declared
from screening.params.load import load_params
from screening.params.rain import RainParams
from screening.params.sections import (
    CRS_INPUTS,
    INPUT_NAMES,
    LAYER_INPUTS,
    SECTIONS,
    BatchParams,
    FieldParams,
    HomeParams,
    InputParams,
    KeepAway,
    OutputParams,
    OverflowParams,
    Params,
    RankingParams,
    RoofParams,
    RuleParams,
    SitingParams,
    TerrainParams,
)
from screening.params.sizing import SizingParams
from screening.params.soil import SoilParams
from screening.params.toml_text import params_toml
from screening.params.uncertainty import UncertaintyParams

__all__ = [
    "CRS_INPUTS",
    "INPUT_NAMES",
    "LAYER_INPUTS",
    "SECTIONS",
    "AgeingParams",
    "BarrelParams",
    "BatchParams",
    "Declared",
    "FieldParams",
    "HomeParams",
    "InputParams",
    "KeepAway",
    "OutputParams",
    "OverflowParams",
    "Params",
    "RainParams",
    "RankingParams",
    "RoofParams",
    "RuleParams",
    "Section",
    "SitingParams",
    "SizingParams",
    "SoilParams",
    "Spec",
    "TerrainParams",
    "UncertaintyParams",
    "declared",
    "load_params",
    "params_toml",
]
