"""The order of the candidates: a weighted score of plain measures, with ties broken the same way every time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from screening.params import RankingParams


def rank_homes(homes: pd.DataFrame, params: RankingParams) -> pd.DataFrame:
    """Score and rank candidate homes.

    Parameters
    ----------
    homes : DataFrame
        ``home_id, diverted_m3_y, confidence_frac, treated_roof_frac``.
    params : RankingParams
        Weights.

    Returns
    -------
    DataFrame
        The same rows in rank order with ``rank, score, score_volume_frac, score_confidence_frac, score_treated_frac``.

    Notes
    -----
    Each measure is between 0 and 1: the volume over the largest volume, the confidence and the treated part of the roof
    as they are. The score is their weighted mean. Equal scores are ordered by volume, then confidence, then id.
    """
    out = homes.copy()
    volume = out["diverted_m3_y"].to_numpy(dtype=float)
    largest = float(volume.max()) if len(volume) else 0.0
    out["score_volume_frac"] = volume / largest if largest > 0 else np.zeros(len(out))
    out["score_confidence_frac"] = out["confidence_frac"].to_numpy(dtype=float)
    out["score_treated_frac"] = out["treated_roof_frac"].to_numpy(dtype=float)
    weights = np.array([params.weight_volume, params.weight_confidence, params.weight_treated], dtype=float)
    measures = out[["score_volume_frac", "score_confidence_frac", "score_treated_frac"]].to_numpy(dtype=float)
    total = weights.sum()
    out["score"] = measures @ weights / total
    key = pd.DataFrame(
        {
            # a billionth of the score is no difference: the order must not hang on rounding
            "score": -np.round(out["score"].to_numpy(dtype=float), 9),
            "volume": -np.round(volume, 6),
            "confidence": -np.round(out["confidence_frac"].to_numpy(dtype=float), 6),
            "id": out["home_id"].astype(str).to_numpy(),
        }
    )
    order = key.sort_values(["score", "volume", "confidence", "id"], kind="stable").index.to_numpy()
    out = out.iloc[order].reset_index(drop=True)
    out["rank"] = np.arange(1, len(out) + 1)
    return out
