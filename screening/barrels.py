"""Barrels as temporary storage: what they and the garden or strip behind them keep of a roof's runoff."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from screening.kernels.barrel import INFLOW, SPILLED, balances_with_barrels, store_series

if TYPE_CHECKING:
    from screening.params import BarrelParams, RainParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SPILL_FIRST: Final = "yield_after_spillage"

LEAST_DEPTH_MM, LARGEST_DEPTH_MM, N_DEPTHS = 0.25, 500.0, 130
"""Axis of `BarrelCurve` besides 0: barrel volume over the roof, a step of 6 %."""


class WetSteps(Protocol):
    """The steps of a rain record in which it rains, as `screening.water_balance` makes them."""

    @property
    def rain_mm(self) -> FloatArray:
        """Rain of each step [mm], (n,)."""

    @property
    def runoff_mm(self) -> FloatArray:
        """Runoff of a roof with each initial loss [mm], (n_losses, n)."""

    @property
    def dry_h(self) -> FloatArray:
        """Hours without rain that follow each step [h], (n,)."""

    @property
    def first(self) -> IntArray:
        """Year ``y`` has the steps ``first[y]`` to ``first[y + 1]``, (n_years + 1,)."""

    @property
    def step_h(self) -> float:
        """Length of a step [h]."""


class BarrelSites(NamedTuple):
    """Roofs with barrels and what lies behind them; every field is (n,).

    Attributes
    ----------
    roof_m2 : array
        Roof that drains to the barrels [m2].
    barrel_l : array
        Volume of the barrels [L]; 0: none.
    garden_m2, garden_depth_mm : array
        Garden that takes what passes the barrel by: wetted area [m2], ponding depth [mm]. 0 m2: none, and what
        passes by is lost.
    strip_m2, strip_depth_mm : array
        Permeable strip onto which a barrel may be emptied: area [m2], depth of water that it holds [mm].
    rate_mm_h : array
        Infiltration rate [mm/h] under garden and strip.
    """

    roof_m2: FloatArray
    barrel_l: FloatArray
    garden_m2: FloatArray
    garden_depth_mm: FloatArray
    strip_m2: FloatArray
    strip_depth_mm: FloatArray
    rate_mm_h: FloatArray


class Series(NamedTuple):
    """A store with a demand, step by step; every field is (n,) in the unit of the inflow.

    Attributes
    ----------
    supplied, spilled, stored : array
        What each step yields, what it spills, what stands in the store at its end.
    """

    supplied: FloatArray
    spilled: FloatArray
    stored: FloatArray


def store_with_demand(
    inflow: FloatArray, demand: FloatArray, volume: float, *, rule: str, start: float = 0.0
) -> Series:
    """Run a store that meets a demand in each step, by one of the two rules of the trade.

    Parameters
    ----------
    inflow, demand : (n,) array
        Inflow and demand of each step, in one unit of volume or depth.
    volume : float
        Volume of the store in that unit.
    rule : str
        "yield_after_spillage" or "yield_before_spillage".
    start : float
        What stands in the store at the beginning.

    Raises
    ------
    ValueError
        If a volume, inflow or demand is negative or missing, or the store starts fuller than full.

    References
    ----------
    D. Jenkins et al. (1978), Feasibility of rainwater collection systems in California; A. Fewkes and D. Butler (2000),
    Simulating the performance of rainwater collection and reuse systems using behavioural models, BSERT 21(2).
    """
    flows = np.asarray(inflow, dtype=float), np.asarray(demand, dtype=float)
    if not all((flow >= 0.0).all() for flow in flows):
        msg = "inflow and demand of a store must be numbers of at least 0"
        raise ValueError(msg)
    if not 0.0 <= start <= volume:
        msg = f"a store of {volume:g} cannot start with {start:g}"
        raise ValueError(msg)
    out = np.empty((len(flows[0]), 3))
    store_series(flows[0], flows[1], float(volume), float(start), rule == SPILL_FIRST, out)
    return Series(out[:, 0], out[:, 1], out[:, 2])


def n_barrels(roof_m2: FloatArray, params: BarrelParams) -> IntArray:
    """How many barrels stand below each downspout.

    Parameters
    ----------
    roof_m2 : (n,) array
        Roof of each downspout [m2].
    params : BarrelParams
    """
    roof = np.asarray(roof_m2, dtype=float)
    return np.ceil(roof / params.roof_per_barrel_m2 - 1e-9).astype(np.int64).clip(min=0)


def volume_l(roof_m2: FloatArray, params: BarrelParams) -> FloatArray:
    """Volume of the barrels below each downspout [L], from its roof [m2]."""
    return np.asarray(n_barrels(roof_m2, params) * params.volume_l)


def yearly_balances(steps: WetSteps, loss: int, sites: BarrelSites, params: BarrelParams) -> FloatArray:
    """Balance of each site in each year [mm over roof, garden and strip].

    Parameters
    ----------
    steps : WetSteps
    loss : int
        Which of the initial losses of ``steps``.
    sites : BarrelSites
    params : BarrelParams
        When and where barrels are emptied, and the rule of a step.

    Returns
    -------
    (n, n_years, 6) array
        Inflow, soaked, spilled, and what stands in garden, strip and barrel at the year's end:
        ``sum(inflow) = sum(soaked + spilled) + standing at the end``.
    """
    c = BarrelSites(*(np.atleast_1d(np.asarray(field, dtype=float)) for field in sites))
    total = c.roof_m2 + c.garden_m2 + c.strip_m2
    part = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0.0)
    share, strip = c.garden_m2 * part, c.strip_m2 * part
    barrels = np.column_stack(
        [c.barrel_l * part, np.full(len(total), params.empty_after_h), np.full(len(total), params.empty_over_h)]
    )
    gardens = np.column_stack([share, share * c.garden_depth_mm, share * c.rate_mm_h])
    strips = np.column_stack([strip, strip * c.strip_depth_mm, strip * c.rate_mm_h])
    return _balances(steps, loss, barrels, gardens, strips, params, onto_strip=params.empty_onto == "strip")


def kept_frac(steps: WetSteps, loss: int, sites: BarrelSites, params: BarrelParams) -> FloatArray:
    """Part of the roof's runoff that barrel, garden and strip keep in each year, (n_years, n).

    Overflow is mixed water: its roof part is the roof's part of the year's inflow. So what is kept of the roof's runoff
    is what is kept of all inflow. A year without inflow keeps all of it.

    Parameters
    ----------
    steps, loss, sites, params
        See `yearly_balances`.
    """
    balance = yearly_balances(steps, loss, sites, params)
    inflow, spilled = balance[:, :, INFLOW].T, balance[:, :, SPILLED].T
    lost = np.divide(spilled, inflow, out=np.zeros_like(inflow), where=inflow > 0.0)
    return np.asarray(1.0 - lost)


class BarrelCurve(NamedTuple):
    """Part of a roof's runoff that a barrel alone keeps, by its volume over the roof.

    Attributes
    ----------
    depth_mm : (n,) array
        Volume over the roof [mm], rising from 0.
    kept_frac : (n,) array
        Part of the runoff of all years; the rest passed the barrel by.
    """

    depth_mm: FloatArray
    kept_frac: FloatArray

    def kept(self, depth_mm: FloatArray | float) -> FloatArray:
        """Part of the runoff that barrels of a volume over their roof [mm] keep; larger ones as the largest."""
        return np.asarray(np.interp(depth_mm, self.depth_mm, self.kept_frac))


def barrel_curve(steps: WetSteps, loss: int, params: BarrelParams) -> BarrelCurve:
    """What barrels of any volume keep that are emptied onto ground that takes all of it.

    Parameters
    ----------
    steps, loss, params
        See `yearly_balances`.
    """
    depth = _depth_axis()
    n = len(depth)
    barrels = np.column_stack([depth, np.full(n, params.empty_after_h), np.full(n, params.empty_over_h)])
    nothing = np.zeros((n, 3))
    # ground that holds whatever is emptied onto it
    ground = np.tile([0.0, np.inf, 0.0], (n, 1))
    balance = _balances(steps, loss, barrels, nothing, ground, params, onto_strip=True)
    inflow, spilled = balance[:, :, INFLOW].sum(axis=1), balance[:, :, SPILLED].sum(axis=1)
    return BarrelCurve(depth, np.divide(inflow - spilled, inflow, out=np.ones(n), where=inflow > 0.0))


def storm_barrel_curve(rain: RainParams, loss_mm: float, params: BarrelParams) -> BarrelCurve:
    """What barrels keep where there is no rain record, from the statistics of storms.

    Parameters
    ----------
    rain : RainParams
        Number, mean depth, duration and dry time of storms.
    loss_mm : float
        Initial loss of the roofs [mm].
    params : BarrelParams
        When barrels are emptied.

    Notes
    -----
    Storms with exponentially distributed depths of mean ``mu`` begin at random. Those that give runoff bring it in
    exponentially distributed amounts of the same mean, and begin ``exp(-l / mu)`` times as often. A barrel of ``c`` mm
    is emptied a time ``T`` after the first of them, so that a cycle holds ``n = 1 + Poisson(m)`` storms, with ``m`` the
    mean number that begin in ``T``. Their sum ``X_n`` is gamma distributed, and the part kept is

    ``sum_n P(n) E[min(X_n, c)] / (mu (1 + m))``, ``E[min(X_n, c)] = n mu G(n + 1, c / mu) + c (1 - G(n, c / mu))``

    with the regularised lower incomplete gamma function ``G``. It holds for storms that are short against ``T``, and
    emptying that is.
    """
    from scipy import special  # noqa: PLC0415 - a tenth of a second that a worker without barrels is spared

    mu = rain.storm_mean_mm
    depth = _depth_axis()
    mean = params.empty_after_h / (rain.storm_duration_h + rain.mean_dry_h) * float(np.exp(-loss_mm / mu))
    # all that a Poisson variable can be but for a chance of less than 1e-15
    more = np.arange(int(mean + 12.0 * np.sqrt(mean) + 40.0))
    chance = np.exp(more * np.log(mean) - mean - special.gammaln(more + 1.0))
    n = 1.0 + more[:, np.newaxis]
    x = depth / mu
    kept = n * special.gammainc(n + 1.0, x) + x * special.gammaincc(n, x)
    return BarrelCurve(depth, np.asarray(chance @ kept / (1.0 + mean)))


def _depth_axis() -> FloatArray:
    """Volumes over the roof [mm], from 0."""
    return np.append(0.0, np.geomspace(LEAST_DEPTH_MM, LARGEST_DEPTH_MM, N_DEPTHS))


def _balances(
    steps: WetSteps,
    loss: int,
    barrels: FloatArray,
    gardens: FloatArray,
    strips: FloatArray,
    params: BarrelParams,
    *,
    onto_strip: bool,
) -> FloatArray:
    """Run the record through every site."""
    out = np.zeros((len(barrels), len(steps.first) - 1, 6))
    balances_with_barrels(
        steps.rain_mm,
        np.ascontiguousarray(steps.runoff_mm[loss]),
        steps.dry_h,
        steps.step_h,
        steps.first,
        np.ascontiguousarray(barrels),
        np.ascontiguousarray(gardens),
        np.ascontiguousarray(strips),
        onto_strip,
        params.rule == SPILL_FIRST,
        0,
        len(barrels),
        out,
    )
    return out
