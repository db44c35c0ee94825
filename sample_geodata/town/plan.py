"""The plan of an invented town: streets, blocks and lots.

The town is laid out as a plain grid in plan coordinates (u along the streets, v across them, both in metres) and then
bent into the map by a smooth displacement, so that its western part keeps a straight grid and its eastern part gets
curved streets. Every corner goes through the same mapping and is rounded to a millimetre: neighbouring lots share
their corners exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely

HALF_STREET_M = 9.0  # half of the street's right of way: the gap between two rows of lots is twice that
VERTEX_STEP_M = 10.0  # long edges get a vertex this often, so that they follow the bent streets
BLOCKS_PER_GREENWAY = 7  # rows of blocks between two creeks
# Share of the blocks given to each kind (at least one block of each); all others hold detached houses.
BLOCK_SHARES = {"row": 0.05, "commercial": 0.06, "apartments": 0.03, "civic": 0.02, "park": 0.03}
MEAN_LOTS_PER_BLOCK = 19.3

_STEMS = [
    "Alder",
    "Amber",
    "Bracken",
    "Candle",
    "Clover",
    "Copper",
    "Dapple",
    "Ember",
    "Fennel",
    "Flint",
    "Gorse",
    "Harrow",
    "Heron",
    "Juniper",
    "Kestrel",
    "Lantern",
    "Linnet",
    "Mallow",
    "Marl",
    "Nettle",
    "Osier",
    "Pebble",
    "Plover",
    "Quill",
    "Rowan",
    "Saffron",
    "Sedge",
    "Tansy",
    "Teasel",
    "Thistle",
    "Umber",
    "Vetch",
    "Willet",
    "Wren",
    "Yarrow",
    "Larch",
]
_ENDINGS = ["brook", "croft", "fold", "gate", "holt", "lea", "mead", "ridge", "shaw", "stile", "wick", "wold"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Warp:
    """The smooth mapping from plan coordinates to map coordinates.

    Parameters
    ----------
    x0_m, y0_m
        Map coordinates of the plan's origin [m].
    rotation_rad
        Turn of the whole town, anticlockwise [rad].
    bend
        Strength of the bending: about the tangent of the largest turn of a street [unitless].
    cell_m
        Half a wavelength of the bending [m].
    ramp_start_m, ramp_m
        Where, along u, the bending starts and the length over which it grows to its full strength [m].
    """

    x0_m: float
    y0_m: float
    rotation_rad: float
    bend: float = 0.34
    cell_m: float = 420.0
    ramp_start_m: float = 0.0
    ramp_m: float = 320.0

    def _shift(self, u_m: np.ndarray, v_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        t = np.clip((u_m - self.ramp_start_m) / self.ramp_m, 0.0, 1.0)
        k = math.pi / self.cell_m
        size_m = t * t * (3.0 - 2.0 * t) * self.bend / k
        a = k * (u_m - self.ramp_start_m)
        b = k * v_m + 0.7
        return size_m * np.sin(a) * np.cos(b), -size_m * np.cos(a) * np.sin(b)

    def to_map(self, u_m: np.ndarray, v_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Map coordinates [m] of plan coordinates [m]."""
        du, dv = self._shift(u_m, v_m)
        p, q = u_m + du, v_m + dv
        c, s = math.cos(self.rotation_rad), math.sin(self.rotation_rad)
        return self.x0_m + c * p - s * q, self.y0_m + s * p + c * q

    def to_plan(self, x_m: np.ndarray, y_m: np.ndarray, *, n_steps: int = 12) -> tuple[np.ndarray, np.ndarray]:
        """Plan coordinates [m] of map coordinates [m], by fixed-point steps (the shift is a contraction)."""
        c, s = math.cos(self.rotation_rad), math.sin(self.rotation_rad)
        dx, dy = x_m - self.x0_m, y_m - self.y0_m
        p, q = c * dx + s * dy, c * dy - s * dx
        u, v = p, q
        for _ in range(n_steps):
            du, dv = self._shift(u, v)
            u, v = p - du, q - dv
        return u, v


@dataclass(slots=True)
class Lots:
    """Lots as arrays of one length; ``side`` is +1 where the front lies at ``v0``, -1 where it lies at ``v1``."""

    block: list[int] = field(default_factory=list)
    number: list[int] = field(default_factory=list)  # within the block, from 1
    u0: list[float] = field(default_factory=list)
    u1: list[float] = field(default_factory=list)
    v0: list[float] = field(default_factory=list)
    v1: list[float] = field(default_factory=list)
    side: list[int] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)
    row_run: list[int] = field(default_factory=list)  # row houses that share one footprint; -1 for others
    street: list[str] = field(default_factory=list)
    house_number: list[int] = field(default_factory=list)
    back_cuts: list[np.ndarray] = field(default_factory=list)  # u of every lot corner on the block's rear line

    def __len__(self) -> int:
        """Return the number of lots."""
        return len(self.block)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A town before its buildings: the mapping, the street lines, the creeks and the lots."""

    warp: Warp
    street_u_m: np.ndarray
    street_v_m: np.ndarray
    street_u_names: list[str]
    street_v_names: list[str]
    creek_v_m: np.ndarray
    creek_phase_rad: np.ndarray
    lots: Lots

    def creek_line_v_m(self, creek: np.ndarray | int, u_m: np.ndarray) -> np.ndarray:
        """Return the v [m] of a creek's middle at u [m]: it winds inside its greenway."""
        phase = self.creek_phase_rad[creek]
        return self.creek_v_m[creek] + 7.0 * np.sin(2 * math.pi * u_m / 170.0 + phase) + 3.0 * np.sin(u_m / 19.0)


def _street_names(n: int, rng: np.random.Generator) -> list[str]:
    pairs = [stem + ending for stem in _STEMS for ending in _ENDINGS]
    order = rng.permutation(len(pairs))
    names = [pairs[i] for i in order]
    n_rounds = -(-n // len(names))
    return [name if r == 0 else f"{name} {r + 1}" for r in range(n_rounds) for name in names][:n]


def _block_kinds(
    rows: list[int], n_cols: int, n_grid_cols: int, rng: np.random.Generator
) -> dict[tuple[int, int], str]:
    """Give each block (row, col) its kind; row houses, shops and flats stand in the straight grid."""
    kinds = {(r, c): "detached" for r in rows for c in range(n_cols)}
    # The southern row stays with detached houses, opposite the rural lots.
    grid = [(r, c) for r, c in kinds if c < n_grid_cols and r != rows[0]]
    anywhere = [(r, c) for r, c in kinds if c >= n_grid_cols and r != rows[0]]
    rng.shuffle(grid)
    rng.shuffle(anywhere)
    for kind, share in BLOCK_SHARES.items():
        pool = anywhere if kind == "park" else grid
        for _ in range(max(1, round(share * len(kinds)))):
            if pool:
                kinds[tuple(pool.pop())] = kind
    return kinds


def _cuts(length_m: float, mean_m: float, rng: np.random.Generator, *, spread: float = 0.16) -> np.ndarray:
    """Lot corners along a front of ``length_m``, corner lots a little wider; rounded to 1 cm."""
    n = max(1, round(length_m / mean_m))
    width = 1.0 + spread * (2.0 * rng.random(n) - 1.0)
    if n > 2:
        width[[0, -1]] *= 1.15
    edges = np.concatenate([[0.0], np.cumsum(width)])
    return np.round(edges * length_m / edges[-1], 2)


def _row_house_cuts(length_m: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Corners of narrow lots in rows of 4 to 8, and the row each lot belongs to; end lots are 2 m wider."""
    widths: list[float] = []
    runs: list[int] = []
    run = 0
    while True:
        n = int(rng.integers(4, 9))
        unit_m = 5.6 + 1.6 * rng.random()
        row = [unit_m + 2.0, *[unit_m] * (n - 2), unit_m + 2.0]
        if sum(widths) + sum(row) > length_m:
            break
        widths += row
        runs += [run] * n
        run += 1
    edges = np.concatenate([[0.0], np.cumsum(widths)])
    return np.round(edges * length_m / edges[-1], 2), np.array(runs)


def _fill_block(
    lots: Lots,
    block: int,
    kind: str,
    *,
    box: tuple[float, float, float, float],
    names: tuple[str, str],
    first_number: int,
    rng: np.random.Generator,
) -> None:
    """Cut one block into lots: two rows back to back, or one lot where the whole block is a single place."""
    u0, u1, v0, v1 = box
    length_m = u1 - u0
    if kind in {"civic", "park", "greenway"}:
        sides = [(v0, v1, 1, names[0], np.array([0.0, length_m]), np.array([-1]))]
    else:
        mean_m = {"commercial": 48.0, "apartments": 46.0}.get(kind) or float(rng.choice([15.5, 18.0, 21.0, 26.0]))
        middle = round(v0 + (v1 - v0) * (0.47 + 0.06 * rng.random()), 2)
        sides = []
        for a, b, side, name in ((v0, middle, 1, names[0]), (middle, v1, -1, names[1])):
            if kind == "row":
                cuts, run = _row_house_cuts(length_m, rng)
            else:
                cuts = _cuts(length_m, mean_m, rng)
                run = np.full(len(cuts) - 1, -1)
            sides.append((a, b, side, name, cuts, run))
    back = np.unique(np.concatenate([side[4] for side in sides])) + u0
    number = 0
    for a, b, side, name, cuts, run in sides:
        for i in range(len(cuts) - 1):
            number += 1
            lots.block.append(block)
            lots.number.append(number)
            lots.u0.append(u0 + cuts[i])
            lots.u1.append(u0 + cuts[i + 1])
            lots.v0.append(a)
            lots.v1.append(b)
            lots.side.append(side)
            lots.kind.append(kind)
            # A row's number is unique in the town: block, side and row within the side.
            lots.row_run.append(-1 if run[i] < 0 else block * 200 + (side > 0) * 100 + int(run[i]))
            lots.street.append(name)
            lots.house_number.append(first_number + 2 * i + (side < 0))
            lots.back_cuts.append(back)


def make_plan(n_lots: int, rng: np.random.Generator, *, x0_m: float, y0_m: float) -> Plan:
    """Lay out streets, blocks, creeks and lots of a town of about ``n_lots`` lots.

    Parameters
    ----------
    n_lots
        Wanted number of lots; the result differs by a few per cent.
    rng
        The seeded source of every choice.
    x0_m, y0_m
        Map coordinates of the plan's origin [m].
    """
    n_blocks = n_lots / MEAN_LOTS_PER_BLOCK
    n_cols = max(2, round(math.sqrt(n_blocks * 96.0 / 200.0)))
    n_built_rows = max(2, round(n_blocks / n_cols))
    n_creeks = max(1, round(n_built_rows / BLOCKS_PER_GREENWAY))
    # Greenways stand in the middle of their share of the rows.
    creek_rows = {round((i + 0.5) * n_built_rows / n_creeks) + i for i in range(n_creeks)}
    n_rows = n_built_rows + n_creeks

    block_length_m = np.round(165.0 + 60.0 * rng.random(n_cols), 1)
    row_depth_m = np.array([52.0 if r in creek_rows else round(70.0 + 18.0 * rng.random(), 1) for r in range(n_rows)])
    street_u = np.concatenate([[0.0], np.cumsum(block_length_m + 2 * HALF_STREET_M)])
    street_v = np.concatenate([[0.0], np.cumsum(row_depth_m + 2 * HALF_STREET_M)])
    n_grid_cols = max(1, round(0.4 * n_cols))
    warp = Warp(x0_m=x0_m, y0_m=y0_m, rotation_rad=math.radians(11.0), ramp_start_m=float(street_u[n_grid_cols]))

    names = _street_names(len(street_u) + len(street_v), rng)
    v_names = [f"{name} {'Street' if i % 3 else 'Lane'}" for i, name in enumerate(names[: len(street_v)])]
    u_names = [f"{name} Avenue" for name in names[len(street_v) :]]
    built = [r for r in range(n_rows) if r not in creek_rows]
    kinds = _block_kinds(built, n_cols, n_grid_cols, rng)

    lots = Lots()
    block = 0
    for r in range(n_rows):
        for c in range(n_cols):
            block += 1
            box = (
                street_u[c] + HALF_STREET_M,
                street_u[c + 1] - HALF_STREET_M,
                street_v[r] + HALF_STREET_M,
                street_v[r + 1] - HALF_STREET_M,
            )
            kind = kinds.get((r, c), "greenway")
            _fill_block(
                lots,
                block,
                kind,
                box=box,
                names=(v_names[r], v_names[r + 1]),
                first_number=100 * (c + 1) + 2,
                rng=rng,
            )
    _add_rural_lots(lots, block + 1, n_lots, street_u=street_u, name=v_names[0], rng=rng)
    creek_v = np.array([(street_v[r] + street_v[r + 1]) / 2 for r in sorted(creek_rows)])
    return Plan(
        warp=warp,
        street_u_m=street_u,
        street_v_m=street_v,
        street_u_names=u_names,
        street_v_names=v_names,
        creek_v_m=creek_v,
        creek_phase_rad=2 * math.pi * rng.random(len(creek_v)),
        lots=lots,
    )


def _add_rural_lots(
    lots: Lots, block: int, n_lots: int, *, street_u: np.ndarray, name: str, rng: np.random.Generator
) -> None:
    """Long narrow lots south of the southernmost street, at its western end."""
    u = HALF_STREET_M
    for i in range(6 + n_lots // 160):
        width_m = round(26.0 + 12.0 * rng.random(), 2)
        if u + width_m > street_u[-1]:
            break
        lots.block.append(block)
        lots.number.append(i + 1)
        lots.u0.append(u)
        lots.u1.append(u + width_m)
        lots.v0.append(-HALF_STREET_M - round(120.0 + 60.0 * rng.random(), 2))
        lots.v1.append(-HALF_STREET_M)
        lots.side.append(-1)
        lots.kind.append("rural")
        lots.row_run.append(-1)
        lots.street.append(name)
        lots.house_number.append(101 + 4 * i)
        lots.back_cuts.append(np.empty(0))
        u = round(u + width_m, 2)


def _between(a: float, b: float, extra: np.ndarray | None = None) -> np.ndarray:
    """Vertices strictly between a and b: every ``VERTEX_STEP_M``, plus ``extra``."""
    step = np.arange(math.floor(a / VERTEX_STEP_M) + 1, math.ceil(b / VERTEX_STEP_M)) * VERTEX_STEP_M
    if extra is not None:
        step = np.unique(np.concatenate([step, extra]))
    return step[(step > a + 0.005) & (step < b - 0.005)]


def lot_polygons(plan: Plan) -> np.ndarray:
    """Polygons of all lots in map coordinates, (n,), corners rounded to 1 mm."""
    lots = plan.lots
    u_parts: list[np.ndarray] = []
    v_parts: list[np.ndarray] = []
    ring: list[np.ndarray] = []
    for i in range(len(lots)):
        u0, u1, v0, v1 = lots.u0[i], lots.u1[i], lots.v0[i], lots.v1[i]
        cuts = lots.back_cuts[i]
        low = np.array([u0, *_between(u0, u1, cuts if lots.side[i] < 0 else None)])
        high = np.array([u1, *_between(u0, u1, cuts if lots.side[i] > 0 else None)[::-1]])
        side = np.linspace(0.0, 1.0, 3 if v1 - v0 < 60 else 12)[1:-1] * (v1 - v0) + v0
        u = np.concatenate([low, np.full(1 + len(side), u1), high, np.full(1 + len(side), u0)])
        v = np.concatenate([np.full(len(low), v0), [v0], side, np.full(len(high), v1), [v1], side[::-1]])
        u_parts.append(np.append(u, u[0]))
        v_parts.append(np.append(v, v[0]))
        ring.append(np.full(len(u) + 1, i))
    x, y = plan.warp.to_map(np.concatenate(u_parts), np.concatenate(v_parts))
    xy = np.round(np.column_stack([x, y]), 3)
    return shapely.polygons(shapely.linearrings(xy, indices=np.concatenate(ring)))


def street_lines(plan: Plan) -> tuple[list[str], np.ndarray]:
    """Street centre lines between crossings: their names and LineStrings."""
    names: list[str] = []
    lines: list[shapely.LineString] = []
    su, sv = plan.street_u_m, plan.street_v_m
    for j, v in enumerate(sv):
        for i in range(len(su) - 1):
            u = np.array([su[i], *_between(su[i], su[i + 1]), su[i + 1]])
            lines.append(_line(plan.warp, u, np.full(len(u), v)))
            names.append(plan.street_v_names[j])
    for i, u in enumerate(su):
        for j in range(len(sv) - 1):
            v = np.array([sv[j], *_between(sv[j], sv[j + 1]), sv[j + 1]])
            lines.append(_line(plan.warp, np.full(len(v), u), v))
            names.append(plan.street_u_names[i])
    return names, np.array(lines)


def creek_lines(plan: Plan) -> np.ndarray:
    """Middle lines of the creeks as LineStrings, across the whole town and 60 m past its ends."""
    u = np.arange(plan.street_u_m[0] - 60.0, plan.street_u_m[-1] + 60.1, 6.0)
    return np.array([_line(plan.warp, u, plan.creek_line_v_m(i, u)) for i in range(len(plan.creek_v_m))])


def _line(warp: Warp, u_m: np.ndarray, v_m: np.ndarray) -> shapely.LineString:
    return shapely.linestrings(np.round(np.column_stack(warp.to_map(u_m, v_m)), 3))
