"""What is not known for sure, followed through a whole run: volumes and ranks of homes, sums of streets and areas."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from screening import uncertainty, water_balance
from screening.batch.likely import SHOWN_YEARS, aged, garden_figures, likely_volumes_m3_y
from screening.batch.water import table_rates, yield_table
from screening.ranking import rank_homes

if TYPE_CHECKING:
    import numpy.typing as npt
    import pyarrow as pa

    from screening.batch.water import RunWater
    from screening.params import Params
    from screening.uncertainty import Sums


class TownSpread(NamedTuple):
    """Spread of a run.

    Attributes
    ----------
    homes : DataFrame
        The homes given, with the columns that the draws add; in `Merged` in rank order.
    gardens : DataFrame
        Columns that the gardens get, in the order given; the volumes of a home's gardens sum up to the home's.
    streets, districts : DataFrame
        By name: ``diverted_m3_y, diverted_low_m3_y, diverted_high_m3_y, main_cause_code, main_cause_frac``.
    total : DataFrame
        The same for all homes, one row.
    cause_frac : dict
        Part of the variance of the total by cause, the largest first.
    """

    homes: pd.DataFrame
    gardens: pd.DataFrame
    streets: pd.DataFrame
    districts: pd.DataFrame
    total: pd.DataFrame
    cause_frac: dict[str, float]


def spread_town(
    homes: pd.DataFrame,
    home: npt.NDArray[np.int64],
    gardens: pa.Table,
    downspouts: pa.Table | None,
    run: RunWater,
    params: Params,
) -> TownSpread:
    """Follow every cause of uncertainty to homes, streets, districts and the total.

    Parameters
    ----------
    homes : DataFrame
        The candidates of all tiles, with ``street`` and ``district``.
    home : (g,) int array
        Row of the home of each garden.
    gardens : Table
        Columns of the gardens that `garden_columns` names.
    downspouts : Table or None
        Downspouts, where barrels stand below them.
    run : RunWater
    params : Params
    """
    town = run.water.town
    figures = garden_figures(gardens, downspouts, run, params)
    likely = likely_volumes_m3_y(figures, run, params)
    homes = homes.assign(all_likely_m3_y=np.bincount(home, weights=likely, minlength=len(homes)))
    table = yield_table(run, params)
    # what barrels add counts as the same factor in every draw: as if there were so much more of roof and garden
    more = np.divide(likely, figures.likely_m3_y, out=np.ones(len(likely)), where=figures.likely_m3_y > 0.0)
    served = np.bincount(home, weights=figures.roof_m2, minlength=len(homes))
    roof_more = np.bincount(home, weights=figures.roof_m2 * more, minlength=len(homes)) / np.maximum(served, 1e-9)
    # the place of a home where nothing is uncertain decides between equals
    measures = homes[["home_id", "confidence_frac", "treated_roof_frac"]]
    central = rank_homes(
        measures.assign(diverted_m3_y=homes["all_likely_m3_y"], row=np.arange(len(homes))), params.ranking
    )
    place = np.empty(len(homes), dtype=np.int64)
    place[central["row"].to_numpy()] = central["rank"].to_numpy()
    weight = params.ranking.weight_volume / (
        params.ranking.weight_volume + params.ranking.weight_confidence + params.ranking.weight_treated
    )
    rest = np.empty(len(homes))
    rest[central["row"].to_numpy()] = (central["score"] - weight * central["score_volume_frac"]).to_numpy(dtype=float)
    del measures, central
    street, street_names = pd.factorize(homes["street"], sort=True)
    district, district_names = pd.factorize(homes["district"], sort=True)
    cv = 0.0
    if run.steps is None:
        rain = params.rain
        cv = uncertainty.storm_year_cv(water_balance.storms_y(rain), rain.storm_mean_mm, params.roof.initial_loss_mm)
    found = uncertainty.spread_volumes(
        table,
        uncertainty.SoilSpread(
            [one.name for one in town.classes], np.array([one.spread_factor for one in town.classes])
        ),
        uncertainty.Gardens(
            home,
            figures.area_m2 * more,
            figures.depth_mm,
            figures.roof_m2 * more,
            figures.gable_roof_m2 * more,
            figures.soil,
            np.log(table_rates(run, figures.soil, params)),
        ),
        uncertainty.Homes(
            homes["home_id"].tolist(),
            homes["roof_area_m2"].to_numpy(dtype=float) * roof_more,
            ~homes["flags"].fillna("").str.contains("downspouts_assumed").to_numpy(dtype=bool),
            place,
            rest,
        ),
        (street.astype(np.int64), district.astype(np.int64)),
        params=params.uncertainty,
        roof=params.roof,
        volume_weight=weight,
        year_cv_frac=cv,
    )
    of_home = homes["all_likely_m3_y"].to_numpy(dtype=float)
    share = np.divide(found.middle_m3_y, of_home, out=np.zeros(len(of_home)), where=of_home > 0.0)
    dig_out_after_y, later_frac = aged(figures, table, run, params)
    garden_columns = pd.DataFrame(
        {
            "all_likely_m3_y": likely,
            "diverted_m3_y": likely * share[home],
            "dig_out_after_y": pd.Series(dig_out_after_y).where(dig_out_after_y >= 0).astype("Int64"),
            **{f"year_{year}_frac": later_frac[:, k] for k, year in enumerate(SHOWN_YEARS)},
        }
    )
    wide = homes.assign(
        diverted_m3_y=found.middle_m3_y,
        diverted_low_m3_y=found.low_m3_y,
        diverted_high_m3_y=found.high_m3_y,
        rank_best=found.rank_best,
        rank_worst=found.rank_worst,
        first_n_chance_frac=found.first_n_frac,
        main_cause_code=found.main_cause_code,
        main_cause_frac=found.cause_frac.max(axis=1),
    )
    causes = dict(
        zip((*uncertainty.CAUSES, uncertainty.OWN_DIFFERENCES), found.total.cause_frac[0].tolist(), strict=True)
    )
    return TownSpread(
        wide,
        garden_columns,
        _sums_frame(found.groups[0], street_names),
        _sums_frame(found.groups[1], district_names),
        _sums_frame(found.total, ["all"]),
        dict(sorted(causes.items(), key=lambda entry: (-entry[1], entry[0]))),
    )


def _sums_frame(sums: Sums, names: Any) -> pd.DataFrame:
    """Sums as a frame by name."""
    return pd.DataFrame(
        {
            "diverted_m3_y": sums.middle_m3_y,
            "diverted_low_m3_y": sums.low_m3_y,
            "diverted_high_m3_y": sums.high_m3_y,
            "main_cause_code": sums.main_cause_code,
            "main_cause_frac": sums.cause_frac.max(axis=1, initial=0.0),
        },
        index=pd.Index(list(names), dtype=object),
    )
