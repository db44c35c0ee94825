"""What is written on a plan: corners, pegs, gardens, sizes, downspouts, where the overflow goes, streets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening import colours
from screening.sheets.letters import BOLD, one_line
from screening.sheets.plan import draw_spout
from screening.sheets.prepare import short_name

if TYPE_CHECKING:
    from screening.sheets.plan import Plan

SIZE: Final = 7.0
CORNER_RADIUS: Final = 4.4
_OFFSET: Final = 7.0
# straight on, half right, half left, right, left
_TURNS: Final = [
    np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    for turn in (0.0, -0.25 * math.pi, 0.25 * math.pi, -0.5 * math.pi, 0.5 * math.pi)
]
_WINDS: Final = np.array([(math.cos(k * math.pi / 8), math.sin(k * math.pi / 8)) for k in range(16)])


def write_names(plan: Plan) -> None:
    """Write it all, what matters most first, for what comes later finds less room."""
    _corners(plan)
    _garden_names(plan)
    _peg_names(plan)
    _downspouts(plan)
    _dimensions(plan)
    _roof_names(plan)
    _overflow_names(plan)
    _street_names(plan)


def _corners(plan: Plan) -> None:
    """Number the corners that tapes start from: a disc inside the house, beside its corner."""
    seen: dict[int, Any] = {}
    for bed in plan.beds:
        if bed.tapes is not None:
            seen |= dict(zip(bed.corner_numbers, bed.tapes.corners_m, strict=True))
    own = [one.geometry for one in plan.home.of("buildings") if one.row["role_code"] != "neighbour"]
    for number, corner in seen.items():
        spot_x, spot_y = plan.on_page(corner)
        body = min(own, key=shapely.Point(corner).distance) if own else plan.home.lot
        inward_x, inward_y = _inward(corner, body)
        x = float(spot_x + inward_x * (CORNER_RADIUS + 5.0))
        y = float(spot_y + inward_y * (CORNER_RADIUS + 5.0))
        plan.pen.box(spot_x - 1.6, spot_y - 1.6, 3.2, 3.2, fill=colours.INK)
        plan.pen.disc(x, y, CORNER_RADIUS, fill=colours.INK)
        plan.pen.middle(x, y, str(number), SIZE, font=BOLD, colour=colours.PAPER)
        plan.places.take(x - 4.5, y - 4.5, 9.0, 9.0)


def _inward(corner: Any, body: Any) -> tuple[float, float]:
    """Direction from a corner into a building: the middle of those in which one soon is inside."""
    around = corner + 0.7 * _WINDS
    inside = _WINDS[shapely.contains_xy(body, around[:, 0], around[:, 1])].sum(axis=0)
    far = math.hypot(*inside)
    return (float(inside[0] / far), float(inside[1] / far)) if far > 1e-6 else (0.0, 1.0)


def _peg_names(plan: Plan) -> None:
    for bed in plan.beds:
        pegs = plan.on_page(bed.pegs_m)
        middle = pegs.mean(axis=0)
        for letter, peg in zip(bed.peg_names, pegs, strict=True):
            outward = peg - middle
            outward = outward / max(1e-9, math.hypot(*outward))
            plan.pen.disc(float(peg[0]), float(peg[1]), 1.5, fill=colours.INK)
            spots = [peg + far * (_TURNS[turn] @ outward) for far in (6.0, 9.0) for turn in range(len(_TURNS))]
            plan.places.write(plan.pen, letter, SIZE, spots, font=BOLD, is_sure=True)


def _downspouts(plan: Plan) -> None:
    for spout in plan.home.of("downspouts"):
        ((x, y),) = plan.on_page(shapely.get_coordinates(spout.geometry))
        if not (plan.x < x < plan.x + plan.wide and plan.y < y < plan.y + plan.tall):
            continue
        draw_spout(
            plan.pen, x, y, is_served=spout.row["garden_id"] is not None, is_measured=bool(spout.row["is_measured"])
        )


def _garden_names(plan: Plan) -> None:
    for bed in plan.beds:
        ((x, y),) = plan.on_page(shapely.get_coordinates(bed.outline.representative_point()))
        plan.places.write(plan.pen, bed.name, SIZE + 1.5, [np.array([x, y])], font=BOLD, is_sure=True)


def _dimensions(plan: Plan) -> None:
    """Write length and width along two sides of a rectangle, those away from the house."""
    house = [one.geometry for one in plan.home.of("buildings") if one.row["role_code"] == "principal"]
    away = plan.on_page(shapely.get_coordinates((house[0] if house else plan.home.lot).centroid))[0]
    for bed in plan.beds:
        if bed.row["shape_code"] == "free" or len(bed.pegs_m) != 4:
            continue
        corners = plan.on_page(bed.pegs_m)
        sides = [(corners[i], corners[(i + 1) % 4]) for i in range(4)]
        middle = corners.mean(axis=0)
        for pair in (sides[::2], sides[1::2]):
            start, stop = max(pair, key=lambda side: math.dist((side[0] + side[1]) / 2, away))
            along = stop - start
            length = math.hypot(*along)
            along = along / length
            outward = np.array([along[1], -along[0]])
            if outward @ ((start + stop) / 2 - middle) < 0:
                outward = -outward
            text = plan.setting.units.show(length / plan.view.points_per_m, "m")
            if length < plan.pen.letters.width(text, SIZE) - 6.0:
                continue
            spot = (start + stop) / 2 + outward * _OFFSET
            angle = math.degrees(math.atan2(along[1], along[0]))
            plan.places.write(plan.pen, text, SIZE, [spot], angle_deg=(angle + 90.0) % 180.0 - 90.0)


def _roof_names(plan: Plan) -> None:
    """Write downspout and share into each roof part, or beside the downspout where the part is small."""
    shares = {spout.row["downspout_id"]: spout.row["roof_frac"] for spout in plan.home.of("downspouts")}
    spots = {spout.row["downspout_id"]: spout.geometry for spout in plan.home.of("downspouts")}
    for part in plan.home.of("roof_parts"):
        spout_id = part.row["downspout_id"]
        name = short_name(spout_id, part.row["home_id"]).lower()
        share = shares.get(spout_id)
        inside = part.geometry.intersection(plan.view.box)
        if inside.is_empty or spout_id not in spots:
            continue
        ((x, y),) = plan.on_page(shapely.get_coordinates(inside.representative_point()))
        texts = [name] if share is None else [f"{name} {100.0 * share:.0f} %", name]
        room = math.sqrt(inside.area) * plan.view.points_per_m
        for text in texts:
            if plan.pen.letters.width(text, SIZE) < 1.1 * room:
                spots_here = [np.array([x, y]), np.array([x, y + 8.0]), np.array([x, y - 8.0])]
                if plan.places.write(plan.pen, text, SIZE, spots_here, back=colours.NEIGHBOUR_BUILDING):
                    break


def _overflow_names(plan: Plan) -> None:
    words = plan.setting.words
    for path in plan.home.of("overflow_paths"):
        xy = plan.inside(path.geometry)
        if xy is None:
            continue
        end = words.overflow_ends.get(path.row["end_code"], path.row["end_code"])
        last = plan.on_page(shapely.get_coordinates(path.geometry))[-1]
        text = end if np.allclose(last, xy[-1], atol=1.0) else words.goes_on.format(end)
        half = 0.5 * plan.pen.letters.width(text, SIZE) + 4.0
        tip = xy[-1]
        spots = [
            tip + np.array(by)
            for by in (
                (half, 0.0),
                (-half, 0.0),
                (0.0, -8.0),
                (0.0, 8.0),
                (half, -9.0),
                (-half, -9.0),
                (half, 9.0),
                (-half, 9.0),
            )
        ]
        plan.places.write(plan.pen, text, SIZE, spots)


def _street_names(plan: Plan) -> None:
    for street in plan.home.streets:
        name = one_line(street.row["street"])
        lines = shapely.get_parts(shapely.intersection(street.geometry, plan.view.box))
        lines = [line for line in lines if line.geom_type == "LineString" and line.length > 0.0]
        if not name:
            continue
        if not lines:
            _street_beyond(plan, name, street.geometry)
            continue
        longest = max(lines, key=lambda line: line.length)
        size = SIZE + 1.0
        is_along = plan.pen.letters.width(name, size) < longest.length * plan.view.points_per_m
        for at in (0.5, 0.3, 0.7):
            ends = [longest.interpolate(share, normalized=True) for share in (at - 0.05, at, at + 0.05)]
            before, spot, after = (plan.on_page([(end.x, end.y)])[0] for end in ends)
            angle = math.degrees(math.atan2(after[1] - before[1], after[0] - before[0]))
            angle = (angle + 90.0) % 180.0 - 90.0
            if plan.places.write(plan.pen, name, size, [spot], angle_deg=angle if is_along else 0.0):
                break


def _street_beyond(plan: Plan, name: str, line: Any) -> None:
    """Write at the edge of the plan where a street lies that is not on it."""
    if name != one_line(plan.home.row["street"]):
        return
    middle = plan.view.box.centroid
    ((from_x, from_y), (to_x, to_y)) = shapely.get_coordinates(shapely.shortest_line(plan.home.lot, line))
    toward = np.array([to_x - from_x, to_y - from_y])
    if not toward.any():
        toward = np.array([to_x - middle.x, to_y - middle.y])
    is_upright = abs(toward[1]) * plan.wide > abs(toward[0]) * plan.tall
    arrow = ("↓", "↑")[int(toward[1] > 0)] if is_upright else ("←", "→")[int(toward[0] > 0)]
    text, _ = plan.pen.letters.fit(f"{arrow} {name}", 0.5 * plan.wide, SIZE + 1.0, least=SIZE + 1.0)
    half = 0.5 * plan.pen.letters.width(text, SIZE + 1.0) + 4.0
    ((across, up),) = plan.on_page([(from_x, from_y)])
    low, high = plan.y + 8.0, plan.y + plan.tall - 8.0
    left, right = plan.x + half, plan.x + plan.wide - half
    if is_upright:
        edge = high if toward[1] > 0 else low
        spots = [np.array([min(max(at, left), right), edge]) for at in (across, across - 60.0, across + 60.0)]
    else:
        edge = right if toward[0] > 0 else left
        spots = [np.array([edge, min(max(at, low), high)]) for at in (up, up - 20.0, up + 20.0)]
    plan.places.write(plan.pen, text, SIZE + 1.0, spots)
