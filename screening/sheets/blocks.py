"""The blocks of a sheet that differ from home to home: head, numbers, pegs, why here, materials, re-digging.

A block gets the place of its upper left corner, its width and the lowest line it may use, and returns where it ended.
What doesn't fit is set smaller, and cut off with a pointer to where the rest stands, never run over its neighbour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from screening import colours
from screening.sheets.letters import BOLD, PLAIN, one_line
from screening.sheets.materials import (
    COMPOST_DEPTH_M,
    INLET_DEPTH_M,
    INLET_SIDE_M,
    MULCH_DEPTH_M,
    PLANT_SPACING_M,
    WIDE_SPACING_M,
    together,
)
from screening.sheets.tapes import tape_text
from screening.units import FOOT_M, INCH_MM, US_GALLON_M3

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from screening.sheets.choice import Stop
    from screening.sheets.gather import SheetHome
    from screening.sheets.languages import SheetUnits
    from screening.sheets.pen import Pen
    from screening.sheets.prepare import Bed, Setting

SIZE: Final = 7.5
LEADING: Final = 9.4
LEAST_SIZE: Final = 6.2
TITLE_SIZE: Final = 8.8

# Rows of the tables of pegs, one below the other, that leave room for what comes after.
_MOST_ROWS: Final = 12

_YARD3_M3: Final = 27.0 * FOOT_M**3
_FOOT3_M3: Final = FOOT_M**3


def title(pen: Pen, x: float, y: float, wide: float, text: str) -> float:
    """Write a title with a rule below it; return where the block goes on."""
    shown, size = pen.letters.fit(text, wide, TITLE_SIZE, least=LEAST_SIZE, font=BOLD)
    pen.bold(x, y - 7.6, shown, size)
    pen.line([(x, y - 10.2), (x + wide, y - 10.2)], width=0.9)
    return y - 12.4


def paragraph(
    pen: Pen, x: float, y: float, wide: float, text: str, *, size: float = SIZE, font: str = PLAIN, hang: float = 0.0
) -> float:
    """Write a text in lines; return where the block goes on."""
    leading = size * LEADING / SIZE
    for number, line in enumerate(pen.letters.wrap(text, wide, size, font, hang=hang)):
        pen.text(x + (hang if number else 0.0), y - 0.78 * leading, line, size, font=font)
        y -= leading
    return y


def bullets(pen: Pen, x: float, y: float, wide: float, texts: Sequence[str], *, floor: float, more: str = "") -> float:
    """Write texts one below the other, smaller where they don't fit, cut off where they don't fit then."""
    size = SIZE
    while True:
        wrapped = [pen.letters.wrap(text, wide - 6.0, size) for text in texts]
        leading = size * LEADING / SIZE
        n_lines = sum(len(lines) for lines in wrapped)
        if n_lines * leading <= y - floor or size <= LEAST_SIZE:
            break
        size = max(LEAST_SIZE, size - 0.2)
    room = int((y - floor) / leading + 1e-6)
    is_cut = n_lines > room
    written = 0
    for lines in wrapped:
        for number, line in enumerate(lines):
            if is_cut and written >= room - 1:
                if room > 0 and more:
                    pen.text(x + 6.0, y - 0.78 * leading, f"… {more}", size)
                    y -= leading
                return y
            if number == 0:
                pen.disc(x + 1.6, y - 0.5 * leading, 1.1, fill=colours.INK)
            pen.text(x + 6.0, y - 0.78 * leading, line, size)
            y -= leading
            written += 1
    return y


def cells(pen: Pen, x: float, y: float, texts: Sequence[tuple[str, float, float]], size: float = SIZE) -> None:
    """Write a row of a table: each text with the offset and the width of its cell; the first is a label."""
    for number, (text, offset, wide) in enumerate(texts):
        font = PLAIN if number == 0 else BOLD
        shown, fitted = pen.letters.fit(text, wide, size, least=0.75 * size, font=font)
        pen.text(x + offset, y, shown, fitted, font=font)


def head(pen: Pen, setting: Setting, home: SheetHome, stop: Stop, *, x: float, y: float, wide: float) -> float:
    """Write address, stop, rank and names."""
    words, row = setting.words, home.row
    box = 58.0
    pen.box(x + wide - box, y - 36.0, box, 36.0, fill=colours.INK)
    number, size = pen.letters.fit(str(stop.number), box - 6.0, 22.0, least=8.0, font=BOLD)
    pen.bold(x + wide - box / 2, y - 21.0, number, size, align=0.5, colour=colours.PAPER)
    below = (words.stop if stop.is_planned else words.sheet).format(stop.number, stop.n_stops)
    if stop.day:
        below = f"{words.day.format(stop.day)} · {below}"
    below, size = pen.letters.fit(below, box - 4.0, 7.0, least=4.6)
    pen.text(x + wide - box / 2, y - 31.5, below, size, align=0.5, colour=colours.PAPER)
    room = wide - box - 10.0
    address, size = pen.letters.fit(one_line(row["address"]) or words.no_address, room, 18.0, least=9.0, font=BOLD)
    pen.bold(x, y - 15.5, address, size)
    names = [words.home.format(row["home_id"])]
    if row["parcel_id"] and row["parcel_id"] != row["home_id"]:
        names.append(words.parcel.format(row["parcel_id"]))
    names += [text for text in (one_line(row["street"]), one_line(row["district"])) if text]
    rank = words.rank.format(row["rank"], f"{setting.rules.n_candidates:,}")
    if row["rank_best"] is not None and row["rank_worst"] is not None:
        rank += words.rank_range.format(row["rank_best"], row["rank_worst"])
    line, size = pen.letters.fit(" · ".join([rank, *names]), room, 8.4, least=LEAST_SIZE)
    pen.text(x, y - 26.5, line, size)
    line, size = pen.letters.fit(words.standing, room, SIZE, least=LEAST_SIZE)
    pen.text(x, y - 36.0, line, size)
    return y - 40.0


def numbers(
    pen: Pen, setting: Setting, home: SheetHome, beds: Sequence[Bed], *, x: float, y: float, wide: float
) -> float:
    """Write what the home could keep from running off, and the numbers of its gardens."""
    words, units, row = setting.words, setting.units, home.row
    main, size = pen.letters.fit(units.rough(row["diverted_m3_y"], "m3/y"), wide, 15.0, least=9.0, font=BOLD)
    pen.bold(x, y - 11.5, main, size)
    span = units.rough_span(row["diverted_low_m3_y"], row["diverted_high_m3_y"], "m3/y")
    y = paragraph(pen, x, y - 14.0, wide, f"{words.yearly}; {words.yearly_range.format(span)}", size=7.0)
    y = title(pen, x, y - 3.0, wide, words.gardens_title)
    label = 0.44 * wide if len(beds) < 3 else 0.34 * wide
    column = (wide - label) / max(1, len(beds))
    rows = [dict(_garden_rows(setting, bed)) for bed in beds]
    if len(beds) > 1:
        names = [("", 0.0, label)]
        names += [(bed.name, label + number * column, column - 2.0) for number, bed in enumerate(beds)]
        cells(pen, x, y - 0.78 * LEADING, names)
        y -= LEADING
    for key in rows[0] if rows else ():
        texts = [(words.rows[key], 0.0, label - 3.0)]
        texts += [(one[key], label + number * column, column - 2.0) for number, one in enumerate(rows)]
        cells(pen, x, y - 0.78 * LEADING, texts)
        y -= LEADING
    return y


def _garden_rows(setting: Setting, bed: Bed) -> Iterator[tuple[str, str]]:
    units, row = setting.units, bed.row
    size = f"{units.number(row['length_m'], 'm')} × {units.show(row['width_m'], 'm')}"
    yield "size", size
    if row["shape_code"] == "free":
        yield "diagonal", "–"
    else:
        diagonal = float(np.hypot(*(bed.pegs_m[2] - bed.pegs_m[0]))) if len(bed.pegs_m) == 4 else None
        yield "diagonal", units.show(diagonal, "m")
    yield "area", units.show(row["area_m2"], "m2")
    yield "depth", units.show(row["ponding_depth_mm"], "mm")
    yield "storage", units.show(row["storage_m3"], "m3")
    yield "roof", units.show(row["treated_roof_m2"], "m2", decimals=0)
    yield "drawdown", units.show(row["drawdown_h"], "h", decimals=0)
    yield "slope", units.show(row["slope_pct"], "%")
    nearest = [row[name] for name in ("own_building_dist_m", "other_building_dist_m") if row[name] is not None]
    yield "building", units.show(min(nearest), "m") if nearest else setting.words.none_near
    yield "lot_line", units.show(row["lot_line_dist_m"], "m")
    yield "run", units.show(row["run_m"], "m")
    yield "fall", _fall(row["fall_m"], units)


def _fall(fall_m: float | None, units: SheetUnits) -> str:
    """A small height: centimetres or inches."""
    if fall_m is None:
        return units.show(None, "m")
    return units.said(f"{1000.0 * fall_m / INCH_MM:.1f} in" if units.is_us else f"{100.0 * fall_m:.0f} cm")


def pegs(pen: Pen, setting: Setting, beds: Sequence[Bed], *, x: float, y: float, wide: float, floor: float) -> float:
    """Write the tapes from house corners to the pegs."""
    words = setting.words
    y = title(pen, x, y, wide, words.pegs_title)
    taped = [bed for bed in beds if bed.tapes is not None]
    if not taped:
        return paragraph(pen, x, y, wide, words.no_pegs if setting.has_houses else words.no_house)
    units = setting.units
    heading = words.peg if units.is_us else f"{words.peg}, m"
    n_rows = sum(len(bed.peg_names) + 1 for bed in taped)
    # Side by side where that is wide enough, or where there is no height for anything else.
    half = (wide - 6.0) / 2
    is_beside = len(taped) == 2 and (n_rows > _MOST_ROWS or all(_fits(pen, bed, units, half) for bed in taped))
    if is_beside:
        rows = max(len(bed.peg_names) + 1 for bed in taped)
        size = min(SIZE, SIZE * (y - floor) / (rows * LEADING))
        y = min(
            _peg_table(pen, heading, bed, units, x=x + number * (half + 6.0), y=y, wide=half, size=size)
            for number, bed in enumerate(taped)
        )
    else:
        size = min(SIZE, SIZE * (y - floor) / (n_rows * LEADING))
        for bed in taped:
            y = _peg_table(pen, heading, bed, units, x=x, y=y, wide=wide, size=size)
    notes = [words.no_pegs] if len(taped) < len(beds) else []
    if any(bed.row["shape_code"] == "free" for bed in taped):
        notes.append(words.pegs_free_note)
    overhang_m = setting.rules.overhang_m
    notes.append(words.pegs_wall_note.format(setting.units.limit(overhang_m, "m")) if overhang_m else words.pegs_note)
    for note in notes:
        if y - floor > 2 * 8.0:
            y = paragraph(pen, x, y, wide, note, size=6.6)
    return y


def _fits(pen: Pen, bed: Bed, units: SheetUnits, wide: float) -> bool:
    """Whether the tapes of a garden are large enough to read in a narrow table."""
    longest_m = 0.0 if bed.tapes is None else float(np.nanmax(bed.tapes.lengths_m))
    longest = pen.letters.width(tape_text(longest_m, is_us=units.is_us), 0.85 * SIZE)
    return (longest + 2.0) * len(bed.corner_numbers) < wide - 20.0


def _peg_table(
    pen: Pen, heading: str, bed: Bed, units: SheetUnits, *, x: float, y: float, wide: float, size: float
) -> float:
    """One row a peg, one column a corner."""
    if bed.tapes is None:
        return y
    leading = size * LEADING / SIZE
    label = pen.letters.width(heading, 6.2) + 4.0
    column = (wide - label) / len(bed.corner_numbers)
    order = np.argsort(bed.corner_numbers)
    texts = [
        ["" if np.isnan(one) else units.said(tape_text(float(one), is_us=units.is_us)) for one in row]
        for row in bed.tapes.lengths_m[:, order]
    ]
    # all in one size, that of the longest
    longest = max(pen.letters.width(text, size) for row in texts for text in row)
    fitted = size * min(1.0, (column - 2.0) / longest)
    pen.text(x, y - 0.75 * leading, heading, 6.2)
    for index, number in enumerate(sorted(bed.corner_numbers)):
        middle = x + label + index * column + 5.0
        pen.disc(middle, y - 0.5 * leading, 0.43 * leading, fill=colours.INK)
        pen.middle(middle, y - 0.5 * leading, str(number), 0.85 * size, font=BOLD, colour=colours.PAPER)
    y -= leading
    for letter, row in zip(bed.peg_names, texts, strict=True):
        pen.bold(x + 2.0, y - 0.78 * leading, letter, size)
        for index, text in enumerate(row):
            pen.text(x + label + index * column, y - 0.78 * leading, text, fitted)
        y -= leading
    return y


def why(
    pen: Pen, setting: Setting, home: SheetHome, beds: Sequence[Bed], *, x: float, y: float, wide: float, floor: float
) -> float:
    """Write why this spot, and what the data don't know."""
    y = title(pen, x, y, wide, setting.words.why_title)
    texts = list(_reasons(setting, home, beds))
    return bullets(pen, x, y, wide, texts, floor=floor, more=setting.words.more)


def _reasons(setting: Setting, home: SheetHome, beds: Sequence[Bed]) -> Iterator[str]:
    words, units, row = setting.words, setting.units, home.row
    spouts = home.of("downspouts")
    n_served = sum(1 for spout in spouts if spout.row["garden_id"] is not None)
    yield words.why_roof.format(n_served, len(spouts), units.percent(row["treated_roof_frac"]))
    slope, direction = row["ground_slope_pct"], row["downslope_deg"]
    if slope is not None and direction is not None:
        wind = words.winds[round(direction / 45.0) % 8]
        yield words.why_slope.format(units.show(slope, "%"), wind)
    elif slope is not None:
        yield words.why_level
    ways: dict[str, list[str]] = {}
    for bed in beds:
        if bed.overflow is not None:
            length = units.show(bed.overflow.row["length_m"], "m", decimals=0)
            ways.setdefault(bed.overflow.row["end_code"], []).append(f"{bed.name} ({length})")
    for code, names in ways.items():
        end = words.overflow_ends.get(code, code)
        yield words.why_overflow.format(", ".join(names), end, words.overflow_advice.get(code, ""))
    told = {"neighbour_overflow", "low_spot_overflow"} if all(bed.overflow is not None for bed in beds) else set()
    codes = [code for code in (row["flags"] or "").split(";") if code and code not in told]
    # What asks for a look on the ground comes first.
    first = ("neighbour_overflow", "falls_toward_house", "low_spot_overflow", "steep_ground", "small_garden")
    assumed = [words.assumed_flags[code] for code in codes if code in words.assumed_flags]
    if assumed:
        yield words.assumed.format(", ".join(assumed))
    for code in sorted(codes, key=lambda code: first.index(code) if code in first else len(first)):
        if code not in words.assumed_flags:
            yield words.flags.get(code, code.replace("_", " "))
    cause = row["main_cause_code"]
    if row["confidence_frac"] is not None and cause is not None:
        yield words.why_trust.format(units.percent(row["confidence_frac"]), words.causes.get(cause, cause))


def materials(
    pen: Pen, setting: Setting, beds: Sequence[Bed], *, x: float, y: float, wide: float, floor: float
) -> float:
    """Write the draft of what to dig and to buy, for all gardens together."""
    words, units = setting.words, setting.units
    y = title(pen, x, y, wide, words.materials_title)
    for key, value, details in _material_rows(units, beds):
        name, how = (text.format(*details) for text in words.materials[key])
        shown, size = pen.letters.fit(name, wide - 62.0, SIZE, least=LEAST_SIZE)
        pen.text(x, y - 0.78 * LEADING, shown, size)
        shown, size = pen.letters.fit(value, 60.0, SIZE, least=LEAST_SIZE, font=BOLD)
        pen.bold(x + wide, y - 0.78 * LEADING, shown, size, align=1.0)
        y -= LEADING
        if how:
            y = paragraph(pen, x + 6.0, y + 0.6, wide - 6.0, how, size=6.7) - 0.6
    if len(pen.letters.wrap(words.materials_note, wide, 6.5)) * 6.5 * LEADING / SIZE <= y - floor:
        y = paragraph(pen, x, y, wide, words.materials_note, size=6.5)
    return y


def _material_rows(units: SheetUnits, beds: Sequence[Bed]) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    parts = together(bed.materials for bed in beds)
    yield (
        "dug",
        bulk(parts.dug_m3, units),
        tuple(bulk(one, units) for one in (parts.bowl_m3, parts.level_m3, parts.bed_m3)),
    )
    side = thickness(INLET_SIDE_M, units)
    pad = f"{side.split()[0]} × {side} × {thickness(INLET_DEPTH_M, units)}"
    yield "stone", bulk(parts.stone_m3, units), (str(parts.n_inlets), str(parts.n_outlets), pad)
    yield "run", units.show(parts.run_m, "m", decimals=0 if units.is_us else 1), (str(parts.n_inlets),)
    yield "compost", bulk(parts.compost_m3, units), (thickness(COMPOST_DEPTH_M, units),)
    yield "mulch", bulk(parts.mulch_m3, units), (thickness(MULCH_DEPTH_M, units),)
    spacing, wide = thickness(PLANT_SPACING_M, units), thickness(WIDE_SPACING_M, units)
    counts = (str(parts.n_floor), str(parts.n_side), str(parts.n_edge))
    yield "plants", str(parts.n_plants), (spacing, *counts, wide, str(parts.n_wide))
    yield "water", weekly(parts.weekly_m3, units), ()


def bulk(volume_m3: float, units: SheetUnits) -> str:
    """Write a volume as it is ordered: cubic metres, cubic yards or cubic feet."""
    if not units.is_us:
        return units.said(f"{volume_m3:.1f} m³" if volume_m3 >= 0.95 else f"{volume_m3:.2f} m³")
    if volume_m3 >= 0.999 * _YARD3_M3:
        return units.said(f"{volume_m3 / _YARD3_M3:.1f} yd³")
    return units.said(f"{volume_m3 / _FOOT3_M3:.1f} ft³")


def weekly(volume_m3: float, units: SheetUnits) -> str:
    """Write a volume of water to carry: litres or gallons, to two digits."""
    if units.is_us:
        return units.rough(float(f"{volume_m3 / US_GALLON_M3:.2g}") * US_GALLON_M3, "m3")
    return units.said(f"{float(f'{1000.0 * volume_m3:.2g}'):,.0f} L")


def thickness(depth_m: float, units: SheetUnits) -> str:
    """Write a small length: whole centimetres, or inches, feet where they are whole."""
    if not units.is_us:
        return f"{100.0 * depth_m:.0f} cm"
    inches = 1000.0 * depth_m / INCH_MM
    return f"{round(inches / 12)} ft" if abs(inches / 12 - round(inches / 12)) < 0.02 else f"{inches:.0f} in"


def digging_out(
    pen: Pen, setting: Setting, beds: Sequence[Bed], *, x: float, y: float, wide: float, floor: float
) -> float:
    """Write when the bowls have to be dug out again, and what they hold if nobody does."""
    words = setting.words
    known = [bed for bed in beds if bed.row["year_5_frac"] is not None and bed.row["year_10_frac"] is not None]
    if not known:
        return y
    ages = [
        words.dig_out_later.format(bed.name, setting.rules.horizon_y)
        if bed.row["dig_out_after_y"] is None
        else words.dig_out_after.format(bed.name, bed.row["dig_out_after_y"])
        for bed in known
    ]
    units = setting.units
    left = [_percent_span([bed.row[name] for bed in known], units) for name in ("year_5_frac", "year_10_frac")]
    text = words.dig_out.format(", ".join(ages), *left)
    size = 7.0
    while size > LEAST_SIZE and len(pen.letters.wrap(text, wide, size)) * size * LEADING / SIZE > y - floor:
        size -= 0.2
    return paragraph(pen, x, y, wide, text, size=size)


def _percent_span(fractions: Sequence[float], units: SheetUnits) -> str:
    """Write one percentage, or the lowest and the highest."""
    low, high = units.percent(min(fractions)), units.percent(max(fractions))
    return low if low == high else f"{low.removesuffix(' %')}–{high}"
