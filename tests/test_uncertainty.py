"""What is not known for sure: against plain twins, by hand, and by what has to hold for draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from made_yields import equal_town, linear_table, made_town, storm_table
from numba import njit
from scipy import special, stats

from screening.errors import ParameterError
from screening.kernels import draws as kernel
from screening.kernels import places, points
from screening.kernels.yield_table import kept_at, runoff_at
from screening.params import RoofParams, load_params
from screening.uncertainty import (
    CAUSES,
    Gardens,
    Homes,
    SoilSpread,
    initial_losses_mm,
    mean_year,
    spread_volumes,
    storm_year_cv,
)
from screening.uncertainty import spread as spread_module
from screening.uncertainty.causes import draw_causes, three_point_quantile
from screening.uncertainty.quick_table import quick_table
from screening.water_balance import kept_of_gardens

SOILS = SoilSpread(("loam", "sand"), np.array([1.5, 2.0]))
STABLE = settings(max_examples=60, derandomize=True, deadline=None, database=None)

CERTAIN = {
    "roof_share_factor": 1.0,
    "roof_share_measured_factor": 1.0,
    "gable_frac": 0.0,
    "initial_loss_low_factor": 1.0,
    "initial_loss_high_factor": 1.0,
    "rain_year": "mean",
}
"""Parameters under which nothing varies but the soil; `FULL_ROOF` holds the connection."""

FULL_ROOF = RoofParams(connection_low_frac=1.0)


def params_of(**uncertainty):
    return load_params(None, {f"uncertainty.{key}": value for key, value in uncertainty.items()})


def run(table, gardens, homes, groupings=(), soils=SOILS, roof=None, year_cv_frac=0.0, threads=None, **uncertainty):
    params = params_of(**uncertainty)
    return spread_volumes(
        table,
        soils,
        gardens,
        homes,
        groupings,
        params=params.uncertainty,
        roof=roof or params.roof,
        year_cv_frac=year_cv_frac,
        threads=threads,
    )


def one_soil(factor):
    return SoilSpread(("loam",), np.array([factor]))


@njit
def kept_many(table, soil, year, loss_mm, ln_rate, depth_mm, ln_ratio):
    out = np.empty(len(ln_rate))
    for i in range(len(out)):
        out[i] = kept_at(
            table.kept_frac, table.loss_mm, table.ln_rate, table.store_mm, table.share,
            soil[i], year[i], loss_mm[i], ln_rate[i], depth_mm[i], ln_ratio[i],
        )  # fmt: skip
    return out


# The kernels against plain twins --------------------------------------------------------------------------


def test_the_quick_table_reads_as_the_table_does():
    table = storm_table(n_years=3, n_soils=2, losses_mm=(0.5, 1.27, 3.0))
    rng = np.random.default_rng(5)
    n = 4000
    soil, year = rng.integers(0, 2, n), rng.integers(0, 3, n)
    loss = np.linspace(0.5, 3.0, kernel.N_Z)
    at = rng.integers(0, kernel.N_Z, n)
    # far beyond the axes on either side too
    ln_rate, depth = rng.uniform(-12.0, 9.0, n), np.exp(rng.uniform(-3.0, 8.0, n))
    share = np.clip(10.0 ** rng.uniform(-5.0, 0.0, n), 0.0, 1.0 - 1e-9)
    quick = quick_table(table, loss)

    @njit
    def ask(quick, soil, year, at, ln_rate, share, depth):
        out = np.empty(len(at))
        for i in range(len(out)):
            z = at[i]
            out[i] = kernel.kept_of(
                quick, soil[i], year[i], quick.loss[z], quick.loss_weight[z], ln_rate[i], share[i], depth[i]
            )
        return out

    got = ask(quick, soil, year, at, ln_rate, share, depth)
    expected = kept_many(table, soil, year, loss[at], ln_rate, depth, np.log(share / (1.0 - share)))
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-12)
    runoff = [runoff_at(table.runoff_mm_y, table.loss_mm, 2, x) for x in loss]
    assert quick.runoff_mm_y[2] == pytest.approx(runoff)


def test_axes_of_one_entry_are_carried_on():
    table = linear_table(0.5, 0.1)
    quick = quick_table(table, np.full(kernel.N_Z, 1.27))
    assert kernel.kept_of(quick, 0, 0, 0, 0.0, 1.0, 1.0, 100.0) == pytest.approx(0.6)


def test_a_table_that_lacks_the_losses_is_refused():
    with pytest.raises(ValueError, match=r"2\.8575 mm"):
        quick_table(storm_table(losses_mm=(1.27, 2.0)), np.linspace(1.27, 2.8575, 5))


def plain_own_normals(key, causes):
    """`kernel.own_parts` with Python's whole numbers."""
    mask = 2**64 - 1

    def mixed(state):
        z = ((state ^ (state >> 30)) * 0xBF58476D1CE4E5B9) & mask
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
        return z ^ (z >> 31)

    state = int(key)
    n = len(causes.normal)
    order = list(range(n))
    for i in range(n - 1, 0, -1):
        state = (state + 0x9E3779B97F4A7C15) & mask
        j = ((mixed(state) & 0xFFFFFFFF) * (i + 1)) >> 32
        order[i], order[j] = order[j], order[i]
    z = np.empty((kernel.N_OWN, n))
    for k in range(kernel.N_OWN):
        state = (state + 0x9E3779B97F4A7C15) & mask
        shift = mixed(state) % n
        z[k] = causes.shared[k] + causes.own_weight[k] * causes.normal[causes.own_class[k][order] ^ shift]
    return z


def plain_volumes(table, drawn, gardens, homes, params):
    """Volumes (n, n_draws) of homes, cause by cause with numpy."""
    causes = drawn.causes
    n_draws = len(causes.normal)
    out = np.zeros((len(homes.home_id), n_draws))
    keys = spread_module.keys_of(homes.home_id, params.seed)
    for h in range(len(out)):
        z = plain_own_normals(keys[h], causes)
        entry = np.clip(np.floor((z + kernel.Z_REACH) * kernel.Z_PER_UNIT + 0.5), 0, kernel.N_Z - 1).astype(int)
        loss = drawn.loss_mm[entry[kernel.INITIAL_LOSS]]
        is_gable = z[kernel.ROOF_FORM] < causes.gable_below_z
        mine = np.flatnonzero(gardens.home == h)
        factor = params.roof_share_measured_factor if homes.is_measured[h] else params.roof_share_factor
        share = np.exp(math.log(factor) / special.ndtri(0.9) * z[kernel.ROOF_SHARE])
        for g in mine:
            served = np.where(is_gable, gardens.gable_roof_m2[g], gardens.roof_m2[g])
            together = np.where(is_gable, gardens.gable_roof_m2[mine].sum(), gardens.roof_m2[mine].sum())
            most = np.maximum(homes.roof_area_m2[h] / together, 1.0)
            roof = served * np.minimum(share, most) * np.exp(causes.ln_connection[entry[kernel.CONNECTION]])
            soil = gardens.soil[g]
            z_soil = z[kernel.SOIL] + causes.soil_class_part[soil]
            ln_rate = gardens.ln_rate[g] + causes.soil_class_spread[soil] * z_soil
            zero = np.zeros(n_draws, dtype=int)
            depth = np.full(n_draws, gardens.depth_mm[g])
            kept = kept_many(table, zero, causes.year, loss, ln_rate, depth, np.log(gardens.area_m2[g] / roof))
            runoff = [runoff_at(table.runoff_mm_y, table.loss_mm, y, x) for y, x in zip(causes.year, loss, strict=True)]
            out[h] += roof * kept * np.array(runoff) / 1000.0
    return out * causes.year_factor


def test_the_volumes_of_every_draw_are_those_of_the_plain_twin():
    table = storm_table()
    gardens, homes = made_town(12)
    params = params_of(n_draws=128)
    drawn = draw_causes(table.runoff_mm_y, SOILS, params.uncertainty, params.roof, 0.0)
    expected = plain_volumes(table, drawn, gardens, homes, params.uncertainty)
    out = run(table, gardens, homes, (np.arange(12), np.arange(12) // 5), n_draws=128)
    quantiles = np.quantile(expected, [0.1, 0.5, 0.9], axis=1, method="hazen")
    assert np.array([out.low_m3_y, out.middle_m3_y, out.high_m3_y]) == pytest.approx(quantiles, rel=1e-9)
    totals = np.quantile(expected.sum(axis=0), [0.1, 0.5, 0.9], method="hazen")
    got = [out.total.low_m3_y[0], out.total.middle_m3_y[0], out.total.high_m3_y[0]]
    assert got == pytest.approx(totals, rel=1e-8)
    # a group of one home is that home
    assert out.groups[0].high_m3_y == pytest.approx(out.high_m3_y, rel=1e-7)
    fives = np.quantile(expected[5:10].sum(axis=0), 0.9, method="hazen")
    assert out.groups[1].high_m3_y[1] == pytest.approx(fives, rel=1e-8)


@given(
    hnp.arrays(
        np.float64,
        st.integers(1, 70),
        elements=st.one_of(st.floats(0.0, 100.0), st.sampled_from([0.0, 1.0, 1e9])),
    )
)
@STABLE
def test_points_are_those_of_numpy(values):
    out = np.empty(3)
    points.three_points(values, np.empty(points.N_CELLS, dtype=np.int64), np.empty(len(values)), out)
    expected = np.quantile(values, [0.1, 0.5, 0.9], method="hazen")
    assert out == pytest.approx(expected, rel=1e-12, abs=1e-12)


@given(st.integers(0, 10_000))
@STABLE
def test_the_explained_variance_is_that_of_numpy(seed):
    rng = np.random.default_rng(seed)
    value = rng.integers(0, rng.integers(2, points.N_BINS + 1), 200).astype(np.uint8)
    volume = 1000.0 + rng.normal(size=200) + rng.uniform(0.0, 2.0) * value
    whole, part = points.explained(volume, value, np.empty(points.N_BINS), np.empty(points.N_BINS))
    assert whole == pytest.approx(volume.var(), rel=1e-9)
    groups = [volume[value == b] for b in np.unique(value)]
    within = sum(((g - g.mean()) ** 2).sum() for g in groups) / (200 - len(groups))
    between = sum(len(g) * (g.mean() - volume.mean()) ** 2 for g in groups)
    assert part == pytest.approx(max(between - (len(groups) - 1) * within, 0.0) / 200, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("weight", "rest_of"), [(1.0, 0.0), (0.6, 0.4)])
def test_ranks_are_those_of_numpy(weight, rest_of):
    rng = np.random.default_rng(2)
    # few different volumes: ties are kept in the order given
    drawn = rng.integers(0, 30, (7, 300)).astype(np.float32) / 8.0
    rest = rest_of * rng.integers(0, 3, 300)
    order = rng.permutation(300)
    ranks = drawn.copy()
    places.rank_draws(ranks, order, weight, rest, 0, 7)
    for d in range(7):
        score = (rest + weight / drawn[d].max() * drawn[d]).astype(np.float32)
        best_first = order[np.argsort(-score[order], kind="stable")]
        assert ranks[d][best_first].tolist() == list(range(1, 301))
    out, chance = np.zeros((300, 2), dtype=np.int64), np.zeros(300)
    places.spread_ranks(ranks, 20, out, chance, 0, 300)
    low, high = np.quantile(ranks, [0.1, 0.9], axis=0, method="hazen")
    assert np.array_equal(out[:, 0], np.floor(low))
    assert np.array_equal(out[:, 1], np.ceil(high))
    assert chance == pytest.approx((ranks <= 20).mean(axis=0))
    assert chance.sum() == pytest.approx(20.0)


# By hand and by formula -----------------------------------------------------------------------------------


def test_three_points_make_a_distribution():
    chance = np.array([0.0, 0.1, 0.3, 0.5, 0.9, 1.0])
    got = three_point_quantile(chance, 0.7, 1.0, 1.2)
    assert got == pytest.approx([0.625, 0.7, 0.85, 1.0, 1.2, 1.25])


def test_the_losses_that_a_table_needs():
    params = params_of(initial_loss_low_factor=0.5)
    # likely 1.27, low 0.635 and high 2.54 mm: each line goes on for a quarter of its length from 10 and 90 %
    needed = initial_losses_mm(params.uncertainty, params.roof)
    assert needed == pytest.approx([0.635 - 0.25 * 0.635, 1.27, 2.54 + 0.25 * 1.27])
    params = params_of(initial_loss_high_factor=1.0)
    assert initial_losses_mm(params.uncertainty, params.roof) == pytest.approx([1.27])


def test_the_yearly_spread_of_random_storms():
    rng = np.random.default_rng(8)
    n = rng.poisson(55.0, 20_000)
    storms = rng.exponential(14.0, n.sum())
    runoff = np.maximum(storms - 1.27, 0.0)
    year = np.bincount(np.repeat(np.arange(len(n)), n), weights=runoff, minlength=len(n))
    assert storm_year_cv(55.0, 14.0, 1.27) == pytest.approx(year.std() / year.mean(), rel=0.02)
    assert storm_year_cv(50.0, 14.0, 0.0) == pytest.approx(0.2)


def test_the_range_of_a_lognormal_soil_by_hand():
    # V = 100 m2 * 0.8 m * (0.2 + 0.1 ln f): the 90 % point of f is f * 1.5
    gardens, homes = equal_town(3)
    out = run(linear_table(0.2, 0.1), gardens, homes, soils=one_soil(1.5), roof=FULL_ROOF, n_draws=4096, **CERTAIN)
    step = 80.0 * 0.1 * math.log(1.5)
    assert out.middle_m3_y == pytest.approx([32.0] * 3, abs=0.05 * step)
    assert out.low_m3_y == pytest.approx([32.0 - step] * 3, abs=0.05 * step)
    assert out.high_m3_y == pytest.approx([32.0 + step] * 3, abs=0.05 * step)
    # where the homes share nothing, or all, each has one draw in every class of equal chance
    for city in (0.0, 1.0):
        alone = CERTAIN | {"soil_city_frac": city, "soil_class_frac": 0.0}
        out = run(linear_table(0.2, 0.1), gardens, homes, soils=one_soil(1.5), roof=FULL_ROOF, n_draws=4096, **alone)
        assert out.low_m3_y == pytest.approx([32.0 - step] * 3, abs=0.001 * step)
        assert out.high_m3_y == pytest.approx([32.0 + step] * 3, abs=0.001 * step)
    assert out.main_cause_code.tolist() == ["soil_rate"] * 3
    # sixteen classes of a normal hold 98 % of its variance between them
    assert out.cause_frac[:, 0] == pytest.approx([0.978] * 3, abs=0.003)
    assert out.cause_frac[:, 1:].max() < 0.01


@pytest.mark.parametrize(("city", "soil_class"), [(0.0, 0.0), (0.25, 0.25), (0.0, 0.5), (1.0, 0.0)])
def test_what_homes_share_widens_their_sum(city, soil_class):
    n = 100
    gardens, homes = equal_town(n)
    two = gardens._replace(soil=np.arange(n) % 2)
    soils = SoilSpread(("loam", "sand"), np.array([1.5, 1.5]))
    out = run(
        linear_table(0.2, 0.1), two, homes, soils=soils, roof=FULL_ROOF, n_draws=8192,
        soil_city_frac=city, soil_class_frac=soil_class, **CERTAIN,
    )  # fmt: skip
    # V = sum of b (a Z + c Zs + e z): variances of what is common are those of n homes in step
    b = 80.0 * 0.1 * math.log(1.5) / special.ndtri(0.9)
    variance = n**2 * city + 2 * (n / 2) ** 2 * soil_class + n * (1.0 - city - soil_class)
    width = 2.0 * special.ndtri(0.9) * b * math.sqrt(variance)
    assert out.total.high_m3_y[0] - out.total.low_m3_y[0] == pytest.approx(width, rel=0.04)
    assert out.total.middle_m3_y[0] == pytest.approx(3200.0, rel=0.002)
    common = (n**2 * city + 2 * (n / 2) ** 2 * soil_class) / variance
    assert out.total.cause_frac[0, 0] == pytest.approx(common, abs=0.03)
    assert out.total.cause_frac[0, -1] == pytest.approx(1.0 - common, abs=0.03)
    assert out.total.main_cause_code[0] == ("soil_rate" if common > 0.5 else "own_differences")
    # each home by itself knows nothing of that
    assert out.high_m3_y - out.low_m3_y == pytest.approx(np.full(n, 2 * 80.0 * 0.1 * math.log(1.5)), rel=0.05)


def test_the_part_of_each_cause_by_formula():
    # V = R C (a + b z): first-order parts of a product of two independent causes
    gardens, homes = equal_town(5)
    roof = RoofParams(connection_low_frac=0.5, connection_likely_frac=0.8, connection_high_frac=0.9)
    settings_ = CERTAIN | {"soil_city_frac": 0.1, "connection_shared_frac": 0.6}
    out = run(linear_table(0.2, 0.1), gardens, homes, soils=one_soil(3.0), roof=roof, n_draws=8192, **settings_)
    u = (np.arange(100_000) + 0.5) / 100_000
    connection = three_point_quantile(u, 0.5, 0.8, 0.9)
    m, v = connection.mean(), connection.var()
    a, b = 0.4, 0.1 * math.log(3.0) / special.ndtri(0.9)
    whole = m**2 * b**2 + a**2 * v + b**2 * v
    assert out.cause_frac[:, 0] == pytest.approx([m**2 * b**2 / whole] * 5, abs=0.03)
    assert out.cause_frac[:, 4] == pytest.approx([a**2 * v / whole] * 5, abs=0.03)


def test_a_roof_of_unknown_form_is_one_or_the_other():
    gardens, homes = equal_town(4)
    gardens = gardens._replace(gable_roof_m2=np.array([50.0, 100.0, 150.0, 0.0]))
    settings_ = CERTAIN | {"gable_frac": 0.25}
    out = run(linear_table(0.4, 0.0), gardens, homes, soils=one_soil(1.0), roof=FULL_ROOF, **settings_)
    assert out.low_m3_y == pytest.approx([16.0, 32.0, 32.0, 0.0])
    assert out.middle_m3_y == pytest.approx([32.0] * 4)
    assert out.high_m3_y == pytest.approx([32.0, 32.0, 48.0, 32.0])
    assert out.main_cause_code.tolist() == ["roof_form", None, "roof_form", "roof_form"]
    assert out.cause_frac[[0, 2, 3], 2] == pytest.approx([1.0] * 3)


def test_gardens_serve_no_more_than_the_roof():
    gardens, homes = equal_town(2)
    homes = homes._replace(roof_area_m2=np.array([100.0, 110.0]))
    settings_ = CERTAIN | {"roof_share_factor": 1.5}
    out = run(linear_table(0.4, 0.0), gardens, homes, soils=one_soil(1.0), roof=FULL_ROOF, **settings_)
    assert out.high_m3_y == pytest.approx([32.0, 35.2])
    assert out.low_m3_y == pytest.approx([32.0 / 1.5] * 2, rel=0.02)


def test_years_are_drawn_equally_often():
    gardens, homes = equal_town(2)
    table = storm_table(n_years=21)
    gardens = gardens._replace(area_m2=np.full(2, 1e3))
    settings_ = CERTAIN | {"rain_year": "one"}
    out = run(table, gardens, homes, soils=one_soil(1.0), roof=FULL_ROOF, n_draws=2048, **settings_)
    # so large a garden keeps all: each year's volume is its runoff
    years = 100.0 * table.runoff_mm_y[:, 0] / 1000.0
    expected = np.quantile(np.repeat(years, 100), [0.1, 0.5, 0.9], method="hazen")
    assert out.total.low_m3_y[0] / 2 == pytest.approx(expected[0], rel=0.01)
    assert out.total.middle_m3_y[0] / 2 == pytest.approx(expected[1], rel=0.01)
    assert out.total.high_m3_y[0] / 2 == pytest.approx(expected[2], rel=0.01)
    assert out.total.main_cause_code[0] == "rain_year"
    # 21 years in 16 classes of neighbours in runoff: little is lost
    assert out.total.cause_frac[0, 5] > 0.97
    assert out.cause_frac[:, 5].min() > 0.97
    assert out.main_cause_code.tolist() == ["rain_year"] * 2


def test_without_a_record_years_spread_as_random_storms_do():
    gardens, homes = equal_town(2)
    settings_ = CERTAIN | {"rain_year": "one"}
    arguments = {"soils": one_soil(1.0), "roof": FULL_ROOF, "n_draws": 4096}
    out = run(linear_table(0.4, 0.0), gardens, homes, year_cv_frac=0.2, **arguments, **settings_)
    expected = 32.0 * stats.gamma(25.0, scale=1 / 25.0).ppf([0.1, 0.5, 0.9])
    got = [out.low_m3_y[0], out.middle_m3_y[0], out.high_m3_y[0]]
    assert got == pytest.approx(expected, rel=1e-3)
    none = run(linear_table(0.4, 0.0), gardens, homes, **arguments, **settings_)
    assert none.low_m3_y.tolist() == none.high_m3_y.tolist()


# What has to hold for draws -------------------------------------------------------------------------------


def test_without_uncertainty_everything_is_the_central_figure():
    table = storm_table()
    gardens, homes = made_town(40, n_soils=1)
    kept = kept_of_gardens(
        table, gardens.area_m2 / gardens.roof_m2, gardens.depth_mm, np.exp(gardens.ln_rate), 1.27, gardens.soil
    )
    volume = gardens.roof_m2 * kept * table.runoff_mm_y[:, 0].mean() / 1000.0
    central = np.bincount(gardens.home, weights=volume)
    rank = np.empty(40, dtype=int)
    rank[np.argsort(-central)] = np.arange(40) + 1
    homes = homes._replace(rank=rank)
    out = run(table, gardens, homes, (np.zeros(40, int),), soils=one_soil(1.0), roof=FULL_ROOF, n_first=7, **CERTAIN)
    for figure in (out.low_m3_y, out.middle_m3_y, out.high_m3_y):
        assert figure == pytest.approx(central, rel=1e-9)
    assert np.array_equal(out.rank_best, rank)
    assert np.array_equal(out.rank_worst, rank)
    assert np.array_equal(out.first_n_frac, (rank <= 7).astype(float))
    assert not out.cause_frac.any()
    assert set(out.main_cause_code) == {None}
    assert out.total.low_m3_y[0] == pytest.approx(central.sum(), rel=1e-7)
    assert out.total.high_m3_y[0] == out.total.low_m3_y[0]
    assert out.total.main_cause_code[0] is None
    assert out.groups[0].low_m3_y[0] == out.total.low_m3_y[0]


def shuffled(gardens, homes, seed=4):
    """The same town with its homes and its gardens in another order, and where each home went."""
    rng = np.random.default_rng(seed)
    to_old = rng.permutation(len(homes.home_id))
    to_new = np.argsort(to_old)
    mixed = rng.permutation(len(gardens.home))
    ids = [homes.home_id[i] for i in to_old]
    new_homes = Homes(ids, *(column[to_old] for column in homes[1:]))
    new_gardens = Gardens(to_new[gardens.home][mixed], *(column[mixed] for column in gardens[1:]))
    return new_gardens, new_homes, to_old


HOME_FIGURES = ("low_m3_y", "middle_m3_y", "high_m3_y", "cause_frac", "rank_best", "rank_worst", "first_n_frac")


def test_the_order_of_rows_and_the_number_of_threads_change_no_bit():
    table = storm_table()
    gardens, homes = made_town(150)
    streets = np.arange(150) % 7 - 1
    one = run(table, gardens, homes, (streets,), n_draws=256, threads=1)
    moved_gardens, moved_homes, to_old = shuffled(gardens, homes)
    for threads in (2, 5):
        two = run(table, moved_gardens, moved_homes, (streets[to_old],), n_draws=256, threads=threads)
        for name in HOME_FIGURES:
            assert np.array_equal(getattr(one, name)[to_old], getattr(two, name)), name
        for a, b in zip((one.total, *one.groups), (two.total, *two.groups), strict=True):
            for x, y in zip(a, b, strict=True):
                assert np.array_equal(x, y)


def test_a_home_does_not_hang_on_the_others_nor_on_other_soils():
    table = storm_table()
    gardens, homes = made_town(60)
    whole = run(table, gardens, homes, n_draws=256)
    some = np.arange(0, 60, 3)
    place = np.full(60, -1)
    place[some] = np.arange(20)
    mine = place[gardens.home] >= 0
    few_gardens = Gardens(place[gardens.home][mine], *(column[mine] for column in gardens[1:]))
    few_gardens = few_gardens._replace(soil=2 - few_gardens.soil)
    few_homes = Homes([homes.home_id[i] for i in some], *(column[some] for column in homes[1:]))
    soils = SoilSpread(("clay", "sand", "loam"), np.array([3.0, 2.0, 1.5]))
    few = run(table, few_gardens, few_homes, soils=soils, n_draws=256)
    for name in ("low_m3_y", "middle_m3_y", "high_m3_y", "cause_frac"):
        assert np.array_equal(getattr(few, name), getattr(whole, name)[some]), name


def own_normals(n_homes, n_draws, seed=1):
    """Own parts (n_homes, N_OWN, n_draws) where nothing is shared."""
    settings_ = {f"{name}_shared_frac": 0.0 for name in ("roof_share", "initial_loss", "connection")}
    params = params_of(soil_city_frac=0.0, soil_class_frac=0.0, n_draws=n_draws, seed=seed, **settings_)
    causes = draw_causes(np.ones((1, 1)), one_soil(1.5), params.uncertainty, params.roof, 0.0).causes
    z = np.empty((n_homes, kernel.N_OWN, n_draws))
    for h, key in enumerate(spread_module.keys_of([f"x{i}" for i in range(n_homes)], seed)):
        kernel.own_parts(key, causes, np.empty(n_draws, dtype=np.int64), z[h])
    return z


def test_own_parts_of_homes_are_independent():
    n = 256
    z = own_normals(120, n)
    # one point in every class of equal chance, for every home and cause
    expected = special.ndtri((np.arange(n) + 0.5) / n)
    assert np.array_equal(np.sort(z, axis=2), np.broadcast_to(expected, z.shape))
    # independent samples have a mean square correlation of 1 / (n - 1)
    flat = z.reshape(-1, n) / expected.std()
    correlation = flat @ flat.T / n
    between = correlation[~np.kron(np.eye(120, dtype=bool), np.ones((kernel.N_OWN, kernel.N_OWN), dtype=bool))]
    assert (between**2).mean() == pytest.approx(1.0 / (n - 1), rel=0.02)
    assert abs(between).max() < 6.0 / math.sqrt(n)
    # within a home the causes come from one well spread point set: less correlated than by chance
    within = np.array([np.corrcoef(home)[np.triu_indices(kernel.N_OWN, 1)] for home in z])
    assert (within**2).mean() < 0.5 / n


def test_homes_share_of_each_cause_what_the_parameters_say():
    parts = {"soil_city": 0.2, "roof_share_shared": 0.1, "initial_loss_shared": 0.7, "connection_shared": 0.4}
    settings_ = {f"{name}_frac": part for name, part in parts.items()}
    params = params_of(n_draws=4096, soil_class_frac=0.3, **settings_)
    causes = draw_causes(np.ones((1, 1)), SOILS, params.uncertainty, params.roof, 0.0).causes
    z = np.empty((2, kernel.N_OWN, 4096))
    for h, key in enumerate(spread_module.keys_of(["a", "b"], 1)):
        kernel.own_parts(key, causes, np.empty(4096, dtype=np.int64), z[h])
    together = (z[0] * z[1]).mean(axis=1)
    assert together == pytest.approx([0.2, 0.1, 0.0, 0.7, 0.4], abs=0.05)
    z[:, kernel.SOIL] += causes.soil_class_part[[0, 1]]
    assert (z**2).mean(axis=2) == pytest.approx(np.ones((2, kernel.N_OWN)), abs=0.05)
    assert (z[0] * z[1]).mean(axis=1)[kernel.SOIL] == pytest.approx(0.2, abs=0.05)
    z[1, kernel.SOIL] += causes.soil_class_part[0] - causes.soil_class_part[1]
    assert (z[0] * z[1]).mean(axis=1)[kernel.SOIL] == pytest.approx(0.5, abs=0.05)


def test_shifting_alone_would_not_make_homes_independent():
    # why homes go through the points in orders of their own: the same points, only shifted, keep in step
    n = 256
    normal = special.ndtri((np.arange(n) + 0.5) / n)
    shifts = np.random.default_rng(1).integers(0, n, 120)
    flat = normal[np.arange(n) ^ shifts[:, None]] / normal.std()
    correlation = (flat @ flat.T / n)[np.triu_indices(120, 1)]
    assert (correlation**2).mean() > 20.0 / n


def test_another_seed_gives_other_draws_and_nearly_the_same_ranges():
    table = storm_table()
    gardens, homes = made_town(50)
    one, two = (run(table, gardens, homes, n_draws=2048, seed=seed) for seed in (1, 2))
    assert not np.array_equal(one.low_m3_y, two.low_m3_y)
    assert one.low_m3_y == pytest.approx(two.low_m3_y, rel=0.03)
    assert one.total.high_m3_y[0] == pytest.approx(two.total.high_m3_y[0], rel=0.02)


def test_more_draws_come_nearer():
    table = storm_table()
    gardens, homes = made_town(40)
    sure = run(table, gardens, homes, n_draws=32768, seed=9)
    errors = []
    for n_draws in (64, 512, 4096):
        out = run(table, gardens, homes, n_draws=n_draws)
        errors.append(
            [
                np.abs(out.low_m3_y / sure.low_m3_y - 1.0).mean() + np.abs(out.high_m3_y / sure.high_m3_y - 1.0).mean(),
                abs(out.total.low_m3_y[0] / sure.total.low_m3_y[0] - 1.0),
            ]
        )
    homes_error, total_error = np.array(errors).T
    assert homes_error[0] > 1.8 * homes_error[1] > 3.2 * homes_error[2]
    assert homes_error[2] < 0.01
    assert total_error[0] > total_error[2]
    assert total_error[2] < 0.01


def test_large_cities_rank_fewer_draws(monkeypatch):
    table = storm_table()
    gardens, homes = made_town(50)
    whole = run(table, gardens, homes, n_draws=512)
    monkeypatch.setattr(spread_module, "RANK_BYTES", 50 * 4 * 200)
    fewer = run(table, gardens, homes, n_draws=512)
    assert (whole.n_ranked, fewer.n_ranked) == (512, 128)
    assert np.array_equal(whole.low_m3_y, fewer.low_m3_y)
    assert abs(whole.rank_best - fewer.rank_best).max() <= 5
    monkeypatch.setattr(spread_module, "RANK_BYTES", 1)
    assert run(table, gardens, homes, n_draws=512).n_ranked == spread_module.LEAST_RANKED


def test_gardens_without_soil_or_figures_are_refused():
    table = storm_table()
    gardens, homes = made_town(5)
    for soil, words in ((-1, "soil classes -1 to"), (2, "to 2 of 2")):
        wrong = gardens.soil.copy()
        wrong[0] = soil
        with pytest.raises(ValueError, match=words):
            run(table, gardens._replace(soil=wrong), homes)
    with pytest.raises(ValueError, match="lacks a figure"):
        run(table, gardens._replace(ln_rate=np.full(len(gardens.soil), np.nan)), homes)
    with pytest.raises(ValueError, match="3 soils for 2"):
        run(storm_table(n_soils=3), gardens, homes)


def test_no_home_at_all():
    gardens, homes = made_town(0)
    out = run(storm_table(), gardens, homes, (np.empty(0, int),))
    assert len(out.low_m3_y) == 0
    assert out.total.high_m3_y.tolist() == [0.0]
    assert len(out.groups[0].low_m3_y) == 0


def test_the_mean_year_keeps_what_all_years_keep():
    table = storm_table(losses_mm=(0.5, 1.27))
    mean = mean_year(table)
    assert mean.kept_frac.shape[:3] == (1, 1, 2)
    ratio = np.geomspace(0.01, 1.0, 20)
    arguments = (ratio, np.full(20, 150.0), np.full(20, 7.6), 1.27)
    assert kept_of_gardens(mean, *arguments) == pytest.approx(kept_of_gardens(table, *arguments), rel=1e-12)
    assert mean.runoff_mm_y[0] == pytest.approx(table.runoff_mm_y.mean(axis=0))


# Do the ranges keep what they say? -------------------------------------------------------------------------


def true_volumes(table, gardens, homes, soils, params, rng, n_cities):
    """Volumes (n_cities, n) of cities that obey the distributions as the manual states them, drawn at random."""
    p, roof = params.uncertainty, params.roof
    n = len(homes.home_id)

    def normal(shared_frac):
        return math.sqrt(shared_frac) * rng.normal(size=(n_cities, 1)) + math.sqrt(1 - shared_frac) * rng.normal(
            size=(n_cities, n)
        )

    own = 1.0 - p.soil_city_frac - p.soil_class_frac
    z_soil = math.sqrt(p.soil_city_frac) * rng.normal(size=(n_cities, 1)) + math.sqrt(own) * rng.normal(
        size=(n_cities, n)
    )
    z_class = math.sqrt(p.soil_class_frac) * rng.normal(size=(n_cities, len(soils.name)))
    factor = np.where(homes.is_measured, p.roof_share_measured_factor, p.roof_share_factor)
    share = factor ** (normal(p.roof_share_shared_frac) / special.ndtri(0.9))
    is_gable = rng.random((n_cities, n)) < p.gable_frac
    likely = roof.initial_loss_mm
    loss = three_point_quantile(
        special.ndtr(normal(p.initial_loss_shared_frac)),
        likely * p.initial_loss_low_factor,
        likely,
        likely * p.initial_loss_high_factor,
    )
    connection = three_point_quantile(
        special.ndtr(normal(p.connection_shared_frac)),
        roof.connection_low_frac,
        roof.connection_likely_frac,
        roof.connection_high_frac,
    ).clip(0.0, 1.0)
    year = np.broadcast_to(rng.integers(0, len(table.runoff_mm_y), (n_cities, 1)), (n_cities, n))
    runoff = np.array([np.interp(loss, table.loss_mm, one) for one in table.runoff_mm_y])
    runoff = np.take_along_axis(runoff, year[None], axis=0)[0]
    served = [np.bincount(gardens.home, weights=roofs, minlength=n) for roofs in gardens[3:5]]
    together = np.where(is_gable, served[1], served[0])
    share = np.minimum(share, np.maximum(homes.roof_area_m2 / together, 1.0))
    out = np.zeros((n_cities, n))
    for g, h in enumerate(gardens.home):
        mine = np.where(is_gable[:, h], gardens.gable_roof_m2[g], gardens.roof_m2[g]) * share[:, h] * connection[:, h]
        soil = gardens.soil[g]
        sigma = math.log(soils.factor[soil]) / special.ndtri(0.9)
        ln_rate = gardens.ln_rate[g] + sigma * (z_soil[:, h] + z_class[:, soil])
        zero = np.zeros(n_cities, dtype=int)
        depth = np.full(n_cities, gardens.depth_mm[g])
        kept = kept_many(
            table, zero, year[:, h].copy(), loss[:, h].copy(), ln_rate, depth, np.log(gardens.area_m2[g] / mine)
        )
        out[:, h] += mine * kept * runoff[:, h] / 1000.0
    return out


@pytest.mark.parametrize("rain_year", ["one", "mean"])
def test_four_fifths_of_the_truth_lie_in_the_range(rain_year):
    table = storm_table(n_years=12)
    gardens, homes = made_town(60)
    params = params_of(n_draws=4096, rain_year=rain_year)
    out = run(table, gardens, homes, (np.arange(60) // 6,), n_draws=4096, rain_year=rain_year)
    truth_table = mean_year(table) if rain_year == "mean" else table
    truth = true_volumes(truth_table, gardens, homes, SOILS, params, np.random.default_rng(77), 3000)
    within = (truth >= out.low_m3_y) & (truth <= out.high_m3_y)
    assert 0.77 <= within.mean() <= 0.83
    # neither is it right on average only: each home by itself
    assert 0.74 <= within.mean(axis=0).min() <= within.mean(axis=0).max() <= 0.86
    total = truth.sum(axis=1)
    assert 0.77 <= ((total >= out.total.low_m3_y[0]) & (total <= out.total.high_m3_y[0])).mean() <= 0.83
    streets = truth.reshape(3000, 10, 6).sum(axis=2)
    low, _, high = out.groups[0][:3]
    assert 0.77 <= ((streets >= low) & (streets <= high)).mean() <= 0.83
    assert (truth <= out.middle_m3_y).mean() == pytest.approx(0.5, abs=0.02)


def test_ranks_of_the_truth_lie_in_their_range():
    table = storm_table()
    gardens, homes = made_town(80)
    params = params_of(n_draws=2048, n_first=10)
    out = run(table, gardens, homes, n_draws=2048, n_first=10)
    truth = true_volumes(table, gardens, homes, SOILS, params, np.random.default_rng(5), 2000)
    rank = (-truth).argsort(axis=1).argsort(axis=1) + 1
    within = (rank >= out.rank_best) & (rank <= out.rank_worst)
    # whole ranks, outwards: a little more than four fifths
    assert 0.80 <= within.mean() <= 0.90
    assert np.abs((rank <= 10).mean(axis=0) - out.first_n_frac).max() < 0.05


# Parameters -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given_values", "words"),
    [
        ({"n_draws": 1000}, "must be a power of two, for example 512 or 1024"),
        ({"soil_city_frac": 0.7, "soil_class_frac": 0.4}, "must not exceed 1 together"),
        ({"rain_year": "wet"}, "rain_year"),
        ({"gable_frac": 1.2}, "gable_frac"),
    ],
)
def test_contradictions_are_named(given_values, words):
    with pytest.raises(ParameterError, match=words):
        params_of(**given_values)


def test_the_causes_stand_in_the_kernels_order():
    names = [getattr(kernel, name.upper()) for name in ("soil", *CAUSES[1:])]
    assert names == list(range(kernel.N_CAUSES))
