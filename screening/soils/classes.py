"""From the run file's words to soil classes: rate, spread, basis, Green-Ampt parameters."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from screening.errors import ParameterError
from screening.params.soil import DEFAULT_RATE_MM_H, MPCA_RATES, STEP_FACTORS
from screening.soils import tables
from screening.soils.words import SoilWords, read_words
from screening.units import INCH_MM

if TYPE_CHECKING:
    from screening.params import SoilParams

GROUP_ORDER: Final = ("A", "B", "C", "D")
"""Hydrologic groups from fast to slow."""

WHY_A_SCALE: Final = (
    "the published scales differ by up to ten times (group B: 14-36 mm/h saturated conductivity in NEH 630, "
    "3.8-7.6 mm/h transmission rate in TR-55, 7.6 mm/h design rate in the Minnesota manual); say which one the "
    'groups mean with [soil] group_scale = "neh630", "neh630_shallow", "tr55" or "minnesota"'
)


class GreenAmptSoil(NamedTuple):
    """Green-Ampt parameters of a soil.

    Attributes
    ----------
    suction_mm : float
        Suction head at the wetting front [mm].
    k_mm_h : float
        Hydraulic conductivity [mm/h].
    moisture_deficit : float
        Water that a unit of dry soil takes up [unitless].
    """

    suction_mm: float
    k_mm_h: float
    moisture_deficit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilClass:
    """A soil as the water balance needs it.

    Attributes
    ----------
    name : str
        What it is called in the output: "loam", "compacted loam", "group B (tr55)", "measured 25 mm/h".
    rate_mm_h : float
        Design infiltration rate, after compaction and safety factor [mm/h].
    spread_factor : float
        One in ten such soils is slower than the rate over this factor, one in ten faster than the rate times it.
    basis : str
        Which table, which steps.
    green_ampt : GreenAmptSoil or None
        None unless ``[soil] infiltration`` asks for it.
    """

    name: str
    rate_mm_h: float
    spread_factor: float
    basis: str
    green_ampt: GreenAmptSoil | None = None


class _Rate(NamedTuple):
    """A rate [mm/h] with its own spread (1 for none) and where it comes from."""

    rate_mm_h: float
    spread: float
    basis: str


def soil_class(text: str, params: SoilParams) -> SoilClass | None:
    """Soil class of a soil in words; None for "unknown".

    Parameters
    ----------
    text : str
        For example ``"compacted loam"`` (see `screening.soils.words`).
    params : SoilParams
        Scales, safety factor, compaction, drainage, spread, kind of infiltration.

    Raises
    ------
    ParameterError
        If the words are not known, or the parameters don't say how to turn them into a rate.
    """
    words = read_words(text)
    if words.kind == "unknown":
        return None
    is_compacted = words.is_compacted or (params.compacted and words.kind in ("texture", "group"))
    if words.kind == "texture":
        name = f"compacted {words.name}" if is_compacted else words.name
        found = _texture_rate(words.name, params, is_compacted=is_compacted)
    elif words.kind == "group":
        name = f"{'compacted ' if is_compacted else ''}group {words.name} ({params.group_scale})"
        found = _group_rate(words.name, params, is_compacted=is_compacted)
    elif words.kind == "measured":
        name = f"measured {words.rate_mm_h:g} mm/h"
        factor = params.safety_factor
        basis = f"measured {words.rate_mm_h:g} mm/h over the safety factor {factor:g} ({STEP_FACTORS})"
        found = _Rate(words.rate_mm_h / factor, 1.0, basis)
    else:
        name = f"{words.rate_mm_h:g} mm/h"
        found = _Rate(words.rate_mm_h, 1.0, "design rate given by the run file")
    return SoilClass(
        name=name,
        rate_mm_h=found.rate_mm_h,
        spread_factor=max(params.spread_factor, found.spread),
        basis=found.basis,
        green_ampt=_green_ampt(text, words, params, is_compacted=is_compacted),
    )


def one_rate(params: SoilParams) -> SoilClass:
    """Soil class of ``[soil] rate_mm_h``, for a town whose soil is not said in words.

    Raises
    ------
    ParameterError
        If Green-Ampt is asked for, which needs a texture.
    """
    rate = params.rate_mm_h
    if params.infiltration == "green_ampt":
        msg = (
            '[soil] infiltration = "green_ampt" needs a texture, and rate_mm_h is none; add for example '
            'default = "loam", or a soil layer.'
        )
        raise ParameterError(msg)
    is_default = rate == DEFAULT_RATE_MM_H
    basis = f"[soil] rate_mm_h{f', default: loam and silt loam of {MPCA_RATES}' if is_default else ''}"
    return SoilClass(name=f"{rate:g} mm/h", rate_mm_h=rate, spread_factor=params.spread_factor, basis=basis)


def compaction_factor(texture: str) -> float:
    """Part of a texture's rate that is left on compacted ground: next slower Minnesota rate over its own.

    1 for the slowest class, of which the manual says nothing.
    """
    rates = [row.rate_in_h for row in tables.MINNESOTA]
    own = next(row.rate_in_h for row in tables.MINNESOTA if texture in row.textures)
    return max((rate for rate in rates if rate < own), default=own) / own


def _texture_rate(texture: str, params: SoilParams, *, is_compacted: bool) -> _Rate:
    """Rate of a texture by the table that the run file names."""
    spread = 1.0
    if params.texture_scale == "minnesota":
        known = {name: row.rate_in_h * INCH_MM for row in tables.MINNESOTA for name in row.textures}
        source = tables.MINNESOTA_SOURCE
    elif params.texture_scale == "colorado":
        known = {name: math.sqrt(low * high) * INCH_MM for name, (low, high) in tables.COLORADO_IN_H.items()}
        source = f"geometric mean of the range in {tables.COLORADO_SOURCE}"
    else:
        known = {name: ks * 10.0 for name, ks in tables.KS_CM_H.items()}
        source = f"saturated conductivity, {tables.KS_SOURCE}"
    if texture not in known:
        msg = (
            f"the table {params.texture_scale!r} has no {texture!r}, only {', '.join(known)}; "
            "take another [soil] texture_scale, or a rate"
        )
        raise ParameterError(msg)
    if params.texture_scale == "colorado":
        low, high = tables.COLORADO_IN_H[texture]
        spread = math.sqrt(high / low)
    rate = known[texture]
    basis = f"{texture} {rate:.3g} mm/h, {source}"
    if is_compacted:
        factor = compaction_factor(texture)
        rate *= factor
        step = f"times {factor:.3g}, the step to the next slower class of {MPCA_RATES}"
        basis += f"; compacted: {step if factor < 1.0 else 'already the slowest class, rate left as it is'}"
    return _Rate(rate, spread, basis)


def _group_rate(name: str, params: SoilParams, *, is_compacted: bool) -> _Rate:
    """Rate of a hydrologic group by the scale that the run file names."""
    if not params.group_scale:
        msg = f"{name!r} is a hydrologic group, and {WHY_A_SCALE}"
        raise ParameterError(msg)
    letter, dual = name[0], len(name) > 1
    steps = []
    if dual:
        letter = letter if params.drained else "D"
        steps.append(f"{name} {'drained' if params.drained else 'undrained'}, so {letter}")
    if is_compacted:
        slower = GROUP_ORDER[min(GROUP_ORDER.index(letter) + 1, len(GROUP_ORDER) - 1)]
        steps.append(f"compacted, so {slower} for {letter}" if slower != letter else "compacted, D is the slowest")
        letter = slower
    scale = tables.GROUP_SCALES[params.group_scale]
    low, high = scale.range_mm_h[letter]
    if high is None:
        rate, spread, how = low, 1.0, f"over {low:.3g} mm/h: its lower end"
    elif low <= 0.0:
        rate, spread, how = high / 2.0, 2.0, f"up to {high:.3g} mm/h: half of it"
    else:
        rate, spread = math.sqrt(low * high), math.sqrt(high / low)
        how = f"{low:.3g}-{high:.3g} mm/h: geometric mean" if high > low else f"{low:.3g} mm/h"
    return _Rate(rate, spread, "; ".join([*steps, f"group {letter}, {scale.what} {how}, {scale.source}"]))


def _green_ampt(text: str, words: SoilWords, params: SoilParams, *, is_compacted: bool) -> GreenAmptSoil | None:
    """Green-Ampt parameters of a texture, if the run file asks for them."""
    if params.infiltration != "green_ampt":
        return None
    if words.kind != "texture":
        msg = f'{text!r} is no texture, which [soil] infiltration = "green_ampt" needs; write for example "loam"'
        raise ParameterError(msg)
    if words.name not in tables.RAWLS_1983:
        msg = (
            f"the Green-Ampt table (Rawls et al. 1983) has no {words.name!r}, only {', '.join(tables.RAWLS_1983)}; "
            'name one of them, or take [soil] infiltration = "constant"'
        )
        raise ParameterError(msg)
    row = tables.RAWLS_1983[words.name]
    factor = compaction_factor(words.name) if is_compacted else 1.0
    return GreenAmptSoil(
        suction_mm=row.suction_cm * 10.0,
        k_mm_h=row.k_cm_h * 10.0 * factor,
        moisture_deficit=row.effective_porosity * (1.0 - params.start_saturation_frac),
    )
