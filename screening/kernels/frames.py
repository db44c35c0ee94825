"""The search of one frame: which nodes are looked at, in which order, and when it is enough."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels import flow
from screening.kernels.canvas import Canvas, draw_ground
from screening.kernels.compiled import kernel, leaf
from screening.kernels.ground import Ground, Home, Rules, Yield, overflow_end
from screening.kernels.placement import (
    ANGLE,
    CX,
    CY,
    FOUND,
    LENGTH,
    TARGET,
    TROUBLE,
    VOLUME,
    WIDTH,
    Shape,
    block_of,
    fits,
    length_of,
    middle_of,
    most_of,
    row_of,
    shape_of,
    try_node,
)

Array = np.ndarray


class Sweep(NamedTuple):
    """How a frame is searched: cell size [m], nodes every ``stride`` cells, how the ground is drawn.

    ``most_nodes`` bounds the nodes: the stride grows where there are more. ``both_ways``: the long side along the
    frame's first axis, then along the second. Where ``any_will_do`` the first place found ends the search.
    """

    step: float
    stride: int
    strict: bool
    most_nodes: int
    both_ways: bool
    any_will_do: bool


@leaf
def _longest_diagonal(rules: Rules, ratios: Array) -> float:
    """Diagonal [m] of the longest rectangle of the greatest area."""
    longest = 1.0
    for k in range(ratios.shape[0]):
        longest = max(longest, ratios[k])
    return math.sqrt(rules.max_area_m2 * (longest + 1.0 / longest))


@kernel
def search_frame(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    taken: Array,
    angle: float,
    ratios: Array,
    sweep: Sweep,
    clip: Array,
    path: Array,
    best: Array,
) -> int:
    """Search one frame over all ratios; returns how many positions fit (0: none lies in the allowed ground).

    Nodes are looked at as the sweep says, then ever nearer around the best one.
    """
    # a rectangle reaches no farther from the point where it is served than its diagonal
    reach = home.max_run_m + _longest_diagonal(rules, ratios) + sweep.step
    canvas = draw_ground(
        home,
        ground,
        rules,
        taken,
        math.cos(angle),
        math.sin(angle),
        sweep.step,
        reach,
        sweep.strict,
        clip,
    )
    nu = canvas.usable.shape[0] - 1
    nv = canvas.usable.shape[1] - 1
    if nu < 1 or nv < 1 or canvas.usable[nu, nv] * sweep.step * sweep.step < rules.min_area_m2 * 0.5:
        return 0
    stride = sweep.stride
    while (nu // stride) * (nv // stride) > sweep.most_nodes:
        stride += 1
    nodes = np.empty(((nu // stride + 2) * (nv // stride + 2), 2), dtype=np.int64)
    n_nodes = _list_nodes(home, rules, canvas, stride, ratios, nodes)
    fitted = 0
    for turn in range(2 if sweep.both_ways else 1):
        fitted += search_canvas(
            home,
            ground,
            rules,
            gain,
            indoors,
            canvas,
            angle + 0.5 * math.pi * turn,
            turn == 1,
            ratios,
            stride,
            sweep.any_will_do,
            nodes[:n_nodes],
            taken,
            path,
            best,
        )
        if is_enough(best, sweep.any_will_do):
            break
    return fitted


@leaf
def _least_worth(canvas: Canvas, shape: Shape, gain: Yield, rules: Rules, best: Array) -> int:
    """Least width in cells that could keep as much as the best place so far, even from the whole roof."""
    if best[FOUND] == 0.0:
        return shape.least
    low = shape.least - 1
    high = shape.most
    while high - low > 1:
        mid = (low + high) // 2
        area = length_of(shape.ratio, mid) * mid * canvas.step * canvas.step
        most = most_of(shape.roof_m2, area, shape.band_low, shape.band_high, gain, rules)
        if most >= best[VOLUME] * (1.0 - 1e-9):
            high = mid
        else:
            low = mid
    return high


@leaf
def _list_nodes(home: Home, rules: Rules, canvas: Canvas, stride: int, ratios: Array, nodes: Array) -> int:
    """List the nodes at which the least width fits both ways and from which a downspout may be in reach.

    Nodes far apart come first: a good place found early spares the look at most others.
    """
    nu = canvas.usable.shape[0] - 1
    nv = canvas.usable.shape[1] - 1
    least = max(1, int(math.ceil(rules.min_width_m / canvas.step - 1e-9)))
    # from its middle no rectangle reaches farther than half the diagonal
    reach = home.max_run_m + 0.5 * _longest_diagonal(rules, ratios) + canvas.step
    n = 0
    for level in (4, 2, 1):
        wide = level * stride
        # (i0 + p) a multiple of the stride: the same nodes whatever part of the ground is drawn
        for p in range((-canvas.i0) % wide, nu + 1, wide):
            for q in range((-canvas.j0) % wide, nv + 1, wide):
                if level < 4 and (canvas.i0 + p) % (2 * wide) == 0 and (canvas.j0 + q) % (2 * wide) == 0:
                    continue
                if not fits(canvas.usable, p, q, least, least):
                    continue
                x, y = middle_of(canvas, p, q, 0, 0)
                for j in range(home.downspouts.shape[0]):
                    dx = home.downspouts[j, 0] - x
                    dy = home.downspouts[j, 1] - y
                    if dx * dx + dy * dy <= reach * reach:
                        nodes[n, 0] = p
                        nodes[n, 1] = q
                        n += 1
                        break
    return n


@leaf
def _all_trouble(home: Home, ground: Ground, rules: Rules, canvas: Canvas, path: Array) -> bool:
    """Whether the overflow from every place troubles a neighbour, ends at a building or can't be followed.

    Looks at the cells that the drawn ground lies in and at those around them, where an overflow may set out.
    """
    if rules.ignore_overflow:
        return False
    grid = ground.grid
    nu = canvas.usable.shape[0] - 1
    nv = canvas.usable.shape[1] - 1
    last_r = -1
    last_c = -1
    every = max(1, int(0.5 * grid[4] / canvas.step))
    for i in range(0, nu, every):
        for j in range(0, nv, every):
            if block_of(canvas.usable, i, j, min(every, nu - i), min(every, nv - j)) == 0:
                continue
            u = (canvas.i0 + i + 0.5) * canvas.step
            v = (canvas.j0 + j + 0.5) * canvas.step
            r = int(math.floor((grid[1] - u * canvas.uy - v * canvas.ux) / grid[4] - grid[2]))
            c = int(math.floor((u * canvas.ux - v * canvas.uy - grid[0]) / grid[4] - grid[3]))
            if r == last_r and c == last_c:
                continue
            last_r = r
            last_c = c
            for dr in range(-1, 2):
                for dc in range(-1, 2):
                    end = overflow_end(home, ground, rules, r + dr, c + dc, path)
                    if end != flow.BUILDING_SETBACK and row_of(end) == 0:
                        return False
    return True


@leaf
def search_canvas(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    canvas: Canvas,
    angle: float,
    across: bool,
    ratios: Array,
    stride: int,
    any_will_do: bool,
    nodes: Array,
    taken: Array,
    path: Array,
    best: Array,
) -> int:
    """Search one drawing in one direction; see `search_frame`."""
    fitted = 0
    # found once and kept with the best places
    rival = 1 if best[1, TROUBLE] == 1.0 else 0
    for k in range(ratios.shape[0]):
        shape = shape_of(home, rules, gain, canvas, angle, across, ratios[k])
        least = _least_worth(canvas, shape, gain, rules, best[rival])
        volume = best[rival, VOLUME]
        for i in range(nodes.shape[0]):
            p = nodes[i, 0]
            q = nodes[i, 1]
            if try_node(home, ground, rules, gain, indoors, canvas, shape, least, p, q, taken, path, rival, best):
                fitted += 1
            if any_will_do and is_enough(best, any_will_do):
                return fitted
            if best[rival, VOLUME] > volume:
                volume = best[rival, VOLUME]
                least = _least_worth(canvas, shape, gain, rules, best[rival])
        if best[0, FOUND] == 0.0 and best[1, FOUND] == 1.0 and best[1, TROUBLE] == 0.0:
            best[1, TROUBLE] = 1.0 if _all_trouble(home, ground, rules, canvas, path) else 2.0
            rival = 1 if best[1, TROUBLE] == 1.0 else 0
        if is_enough(best, any_will_do):
            break
    row = 0 if best[0, FOUND] == 1.0 else 1
    if best[row, FOUND] == 1.0 and best[row, ANGLE] == angle:
        _look_nearer(home, ground, rules, gain, indoors, canvas, across, ratios, stride, taken, path, row, best)
    return fitted


@leaf
def _look_nearer(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    canvas: Canvas,
    across: bool,
    ratios: Array,
    stride: int,
    taken: Array,
    path: Array,
    row: int,
    best: Array,
) -> None:
    """Try the eight neighbours of the best place so far, twice as near each time."""
    step = canvas.step
    nu = canvas.usable.shape[0] - 1
    nv = canvas.usable.shape[1] - 1
    angle = best[row, ANGLE]
    move = stride // 2
    while move >= 1:
        ratio = best[row, LENGTH] / best[row, WIDTH]
        for k in range(ratios.shape[0]):
            if abs(ratios[k] - ratio) < 0.26:
                ratio = ratios[k]
                break
        shape = shape_of(home, rules, gain, canvas, angle, across, ratio)
        u = best[row, CX] * canvas.ux + best[row, CY] * canvas.uy
        v = -best[row, CX] * canvas.uy + best[row, CY] * canvas.ux
        pc = int(math.floor(u / step + 0.5)) - canvas.i0
        qc = int(math.floor(v / step + 0.5)) - canvas.j0
        for dp in range(-1, 2):
            for dq in range(-1, 2):
                p = pc + dp * move
                q = qc + dq * move
                if (dp != 0 or dq != 0) and 0 <= p <= nu and 0 <= q <= nv:
                    try_node(
                        home, ground, rules, gain, indoors, canvas, shape, shape.least, p, q, taken, path, row, best
                    )
        move //= 2


@leaf
def is_enough(best: Array, any_will_do: bool) -> bool:
    """Whether the best place so far ends the search.

    The best whose overflow troubles nobody, or where there can be none such, the best of all.
    """
    row = 0 if best[0, FOUND] == 1.0 or best[1, TROUBLE] != 1.0 else 1
    if any_will_do:
        return best[0, FOUND] == 1.0 or best[1, FOUND] == 1.0
    return best[row, FOUND] == 1.0 and reached_target(best[row])


@leaf
def reached_target(row: Array) -> bool:
    """Whether a place has room for enough of the area its roof asks for.

    A garden 30 % smaller still controls about 90 % of the runoff (quoted from a household guide, see
    docs/method/siting.md), so four fifths are no reason to look for another shape.
    """
    return row[LENGTH] * row[WIDTH] >= 0.8 * row[TARGET]
