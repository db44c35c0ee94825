"""Facts about the rank: score, rank interval, confidence and flags."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from screening import confidence
from screening.columns import FLAG_CODES
from screening.report.facts import Fact, flag_codes, formula_text, rows_of
from screening.report.quantities import Units, percent

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.report.result_file import HomeResult


def rank_facts(home: HomeResult, units: Units) -> Iterator[Fact]:
    """Yield rank, how far it may be off, score and confidence."""
    row = home.row
    yield Fact("rank", f"{row['rank']} of {home.n_candidates}", "by score, then volume, confidence and identifier")
    best, worst, chance = row["rank_best"], row["rank_worst"], row["first_n_chance_frac"]
    if best is not None and worst is not None:
        how = "ranked anew in each draw: in one of ten it does better, in one of ten worse"
        yield Fact("rank may be", f"{best} to {worst}", how)
    first = home.parameters.get("uncertainty.n_first", "")
    if chance is not None and first:
        yield Fact(f"among the first {first}", percent(chance), "of the draws: the chance to be")
    weighted, weights = 0.0, 0.0
    terms = []
    for name, column in (
        ("volume", "score_volume_frac"),
        ("confidence", "score_confidence_frac"),
        ("treated", "score_treated_frac"),
    ):
        weight = home.parameter(f"ranking.weight_{name}")
        if weight and row[column] is not None:
            weighted, weights = weighted + weight * row[column], weights + weight
            terms.append(f"{weight:g} x {name} {row[column]:.3f}")
    formula = f"({' + '.join(terms)}) / {weights:g}" if weights else "not recorded how"
    computed = weighted / weights if weights else None
    shown = units.show(computed, "", decimals=3)
    yield Fact("score", units.show(row["score"], "", decimals=3), formula_text(formula, computed, row["score"], shown))
    yield Fact(
        "volume in it",
        units.show(row["score_volume_frac"], "", decimals=3),
        "volume diverted a year over the largest of all candidates",
    )
    yield Fact("confidence", percent(row["confidence_frac"]), _confidence(home, units))


def _confidence(home: HomeResult, units: Units) -> str:
    """Name the factors of the confidence: an order of trust, not a probability."""
    row, codes = home.row, flag_codes(home.row)
    recorded = row["confidence_frac"]
    slope, fit = row["ground_slope_pct"], row["slope_fit_frac"]
    falls = [run["fall_m"] for run in rows_of(home, "inlet_runs") if run["fall_m"] is not None]
    end = confidence.OVERFLOW.get(row["overflow_code"])
    if not falls or end is None or slope is None or recorded is None:
        return "how far the data carry this proposal"
    worst_fall = confidence.WORST_FALL
    factors = [
        ("places of downspouts assumed", confidence.ASSUMED_DOWNSPOUTS if "downspouts_assumed" in codes else 1.0),
        ("roof form assumed", confidence.ASSUMED_ROOF_FORM if "roof_form_assumed" in codes else 1.0),
        ("rain assumed", confidence.ASSUMED_RAIN if "rain_assumed" in codes else 1.0),
        (
            f"smallest fall {units.show(min(falls), 'm')}",
            worst_fall + (1.0 - worst_fall) * min(max(min(falls) / confidence.SURE_FALL_M, 0.0), 1.0),
        ),
        (f"overflow {row['overflow_code']}", end),
    ]
    if slope >= confidence.LEVEL_PCT and fit is not None:
        worst = confidence.WORST_PLANE
        factors.append(("fit of the plane", worst + (1.0 - worst) * min(max(fit, 0.0), 1.0)))
    cell_m, warn_m, most_m = (
        home.recorded("elevation_cell_m"),
        home.parameter("siting.warn_cell_m"),
        home.parameter("siting.max_cell_m"),
    )
    if cell_m is not None and warn_m is not None and most_m is not None and cell_m > warn_m:
        factor = confidence.COARSE_CELL if cell_m > most_m else confidence.MIDDLING_CELL
        factors.append((f"elevation cells of {units.limit(cell_m, 'm')}", factor))
    computed = math.prod(factor for _, factor in factors)
    named = [f"{name} {factor:.2f}" for name, factor in factors if factor < 1.0]
    return formula_text(f"product of: {', '.join(named) or 'nothing in doubt'}", computed, recorded, percent(computed))


def flag_facts(home: HomeResult) -> Iterator[Fact]:
    """Yield what to know about a candidate."""
    codes = flag_codes(home.row)
    for code in codes:
        yield Fact(code, FLAG_CODES.get(code, ""), "")
    if not codes:
        yield Fact("nothing special", "", "")
