"""The search of one frame: which nodes are looked at, in which order, and when it is enough."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from screening.kernels.canvas import Canvas, draw_ground
from screening.kernels.compiled import inlined, kernel, leaf
from screening.kernels.outlets import Outlets, count_outlets, may_leave, no_outlets
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
    better,
    fits,
    length_of,
    look_at_node,
    middle_of,
    most_of,
    shape_of,
    sides,
    try_node,
)

if TYPE_CHECKING:
    from screening.kernels.ground import Ground, Home, Rules, Yield

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


class Queue(NamedTuple):
    """Nodes of a frame by what they promise: a heap, the best on top.

    ``nodes`` (n, 4) has the node, the width in cells and the bits of the downspouts; ``bounds`` (n, 2) the most that it
    could keep and its least sum of runs; ``order`` (n,) is the heap.
    """

    nodes: Array
    bounds: Array
    order: Array


SOME_TRIES = 20
"""So many places without a harmless overflow make it worth its time to follow the water from every cell."""


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
    most_nodes = (nu // stride + 2) * (nv // stride + 2)
    nodes = np.empty((most_nodes, 2), dtype=np.int64)
    n_nodes = _list_nodes(home, rules, canvas, stride, ratios, nodes)
    queue = Queue(np.empty((n_nodes, 4), dtype=np.int64), np.empty((n_nodes, 2)), np.empty(n_nodes, dtype=np.int64))
    outlets = no_outlets(ground, canvas)
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
            queue,
            outlets,
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

    Nodes far apart come first: where any place will do, one is found sooner.
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


@inlined
def _comes_before(queue: Queue, a: int, b: int) -> bool:
    """Whether node ``a`` promises more than ``b``, or as much with shorter runs; else the one listed first."""
    bounds = queue.bounds
    if bounds[a, 0] != bounds[b, 0]:
        return bounds[a, 0] > bounds[b, 0]
    if bounds[a, 1] != bounds[b, 1]:
        return bounds[a, 1] < bounds[b, 1]
    return a < b


@leaf
def _sift(queue: Queue, i: int, n: int) -> None:
    """Let entry ``i`` of the heap of the first ``n`` sink to its place."""
    order = queue.order
    moved = order[i]
    while 2 * i + 1 < n:
        child = 2 * i + 1
        if child + 1 < n and _comes_before(queue, order[child + 1], order[child]):
            child += 1
        if not _comes_before(queue, order[child], moved):
            break
        order[i] = order[child]
        i = child
    order[i] = moved


@leaf
def _search_shape(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    canvas: Canvas,
    shape: Shape,
    nodes: Array,
    queue: Queue,
    outlets: Outlets,
    taken: Array,
    path: Array,
    best: Array,
) -> int:
    """Try the rectangles of one ratio at the nodes, the most promising first; returns at how many one fits."""
    fitted = 0
    n = 0
    rival = 1 if best[1, TROUBLE] == 1.0 else 0
    least = _least_worth(canvas, shape, gain, rules, best[rival])
    for i in range(nodes.shape[0]):
        p = nodes[i, 0]
        q = nodes[i, 1]
        width, among, most, run = look_at_node(home, rules, gain, indoors, canvas, shape, least, p, q)
        if width > 0:
            fitted += 1
        if most > 0.0 and better(most, run, best[rival]):
            queue.nodes[n, 0] = p
            queue.nodes[n, 1] = q
            queue.nodes[n, 2] = width
            queue.nodes[n, 3] = among
            queue.bounds[n, 0] = most
            queue.bounds[n, 1] = run
            queue.order[n] = n
            n += 1
    for i in range(n // 2 - 1, -1, -1):
        _sift(queue, i, n)
    tries = 0
    while n > 0:
        i = queue.order[0]
        n -= 1
        queue.order[0] = queue.order[n]
        _sift(queue, 0, n)
        most = queue.bounds[i, 0]
        if best[rival, FOUND] == 1.0 and most < best[rival, VOLUME] * (1.0 - 1e-9):
            break
        p = queue.nodes[i, 0]
        q = queue.nodes[i, 1]
        width = queue.nodes[i, 2]
        against = rival
        if tries > SOME_TRIES and rival == 0 and best[0, FOUND] == 0.0 and best[1, FOUND] == 1.0:
            # a place that can only trouble a neighbour has to beat the best of those
            if outlets.clean[0, 0] < 0:
                outlets.clean[0, 0] = 0
                n_clean = count_outlets(home, ground, rules, canvas, outlets, path)
                if best[1, TROUBLE] == 0.0:
                    best[1, TROUBLE] = 2.0 if n_clean > 0 else 1.0
            rival = 1 if best[1, TROUBLE] == 1.0 else 0
            n_u, n_v = sides(shape, width)
            cx, cy = middle_of(canvas, p, q, n_u, n_v)
            reach_x = 0.5 * canvas.step * (n_u * abs(canvas.ux) + n_v * abs(canvas.uy))
            reach_y = 0.5 * canvas.step * (n_u * abs(canvas.uy) + n_v * abs(canvas.ux))
            against = 0 if rival == 0 and may_leave(ground, outlets, cx, cy, reach_x, reach_y) else 1
        if better(most, queue.bounds[i, 1], best[against]):
            tries += 1
            among = queue.nodes[i, 3]
            try_node(home, ground, rules, gain, canvas, shape, width, among, p, q, taken, path, against, best)
    return fitted


@leaf
def _first_place(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    canvas: Canvas,
    shape: Shape,
    nodes: Array,
    taken: Array,
    path: Array,
    best: Array,
) -> int:
    """Try the nodes in their order until one will do; returns at how many a rectangle of a ratio fitted."""
    fitted = 0
    for i in range(nodes.shape[0]):
        p = nodes[i, 0]
        q = nodes[i, 1]
        width, among, most, _ = look_at_node(home, rules, gain, indoors, canvas, shape, shape.least, p, q)
        if width > 0:
            fitted += 1
        if most > 0.0:
            try_node(home, ground, rules, gain, canvas, shape, width, among, p, q, taken, path, 0, best)
            if is_enough(best, True):
                break
    return fitted


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
    queue: Queue,
    outlets: Outlets,
    taken: Array,
    path: Array,
    best: Array,
) -> int:
    """Search one drawing in one direction; see `search_frame`."""
    fitted = 0
    for k in range(ratios.shape[0]):
        shape = shape_of(home, rules, gain, canvas, angle, across, ratios[k])
        if any_will_do:
            fitted += _first_place(home, ground, rules, gain, indoors, canvas, shape, nodes, taken, path, best)
        else:
            fitted += _search_shape(
                home, ground, rules, gain, indoors, canvas, shape, nodes, queue, outlets, taken, path, best
            )
        if is_enough(best, any_will_do):
            break
    row = 0 if best[0, FOUND] == 1.0 else 1
    if best[row, FOUND] == 1.0 and best[row, ANGLE] == angle and not any_will_do:
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
                if (dp == 0 and dq == 0) or not (0 <= p <= nu and 0 <= q <= nv):
                    continue
                width, among, most, run = look_at_node(home, rules, gain, indoors, canvas, shape, shape.least, p, q)
                if most > 0.0 and better(most, run, best[row]):
                    try_node(home, ground, rules, gain, canvas, shape, width, among, p, q, taken, path, row, best)
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
