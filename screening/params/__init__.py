"""Parameters of a run: frozen objects with unit, range, meaning and source, read from TOML."""

from __future__ import annotations

from screening.params.fields import Declared, Section, Spec, declared
from screening.params.load import load_params
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
    RainParams,
    RankingParams,
    RoofParams,
    RuleParams,
    SitingParams,
    SizingParams,
    SoilParams,
    TerrainParams,
)
from screening.params.toml_text import params_toml

__all__ = [
    "CRS_INPUTS",
    "INPUT_NAMES",
    "LAYER_INPUTS",
    "SECTIONS",
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
    "declared",
    "load_params",
    "params_toml",
]
