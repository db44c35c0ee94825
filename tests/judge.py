"""A judge of finished results: is every garden of an output GeoPackage within the rules?

It shares nothing with the program: it reads the GeoPackage with sqlite3 and the inputs with fiona and rasterio, and
measures with shapely and numpy alone. It knows the meaning of the layers from their column guide and the rules as
plain numbers. What it finds wrong it returns as a list of `Break`, empty where nothing is wrong.

Distances may be broken by a millimetre, no more.
"""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import fiona
import numpy as np
import rasterio
import shapely

if TYPE_CHECKING:
    from pathlib import Path

TOLERANCE_M = 1e-3
DRAINS = ("water", "stream", "creek", "river", "lake", "pond", "ditch", "drain", "swale")
KEYS = {"candidate_homes": "home_id", "gardens": "garden_id", "downspouts": "downspout_id"}


class Break(NamedTuple):
    """A rule that is broken: whose, which, and by how much in the rule's unit."""

    who: str
    rule: str
    amount: float


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """The rules in force: metres, square metres, percent."""

    lot_line_m: float = 1.52
    foundation_m: float = 3.05
    min_area_m2: float = 4.6
    max_area_m2: float = 27.9
    min_width_m: float = 1.5
    max_slope_pct: float = 12.0
    max_run_m: float = 15.0
    min_fall_pct: float = 1.0
    spacing_m: float = 1.5
    pit_fill_m: float = 0.10
    drawdown_h: float = 24.0


@dataclass(frozen=True, kw_only=True)
class Files:
    """The inputs, all in the metric system of the output."""

    parcels: Path
    buildings: Path
    elevation: Path
    keep_away: tuple[tuple[Path, str, float], ...] = ()
    building_id: str = "building_id"


@dataclass
class Verdict:
    """What the judge found, and what it looked at."""

    breaks: list[Break] = field(default_factory=list)
    looked_at: Counter = field(default_factory=Counter)

    def least(self, who, rule, value, limit, tolerance=TOLERANCE_M):
        """Note a break where a value is below a limit."""
        self.looked_at[rule] += 1
        if not value >= limit - tolerance:
            self.breaks.append(Break(who, rule, float(limit - value)))

    def most(self, who, rule, value, limit, tolerance=TOLERANCE_M):
        """Note a break where a value is above a limit."""
        self.looked_at[rule] += 1
        if not value <= limit + tolerance:
            self.breaks.append(Break(who, rule, float(value - limit)))

    def equal(self, who, rule, value, other, tolerance=1e-6):
        """Note a break where two numbers differ."""
        self.looked_at[rule] += 1
        if not abs(value - other) <= tolerance:
            self.breaks.append(Break(who, rule, float(abs(value - other))))

    def true(self, who, rule, is_so):
        """Note a break where something is not so."""
        self.looked_at[rule] += 1
        if not is_so:
            self.breaks.append(Break(who, rule, 1.0))


def read_layers(package: Path) -> dict[str, list[dict]]:
    """Every table of a GeoPackage as a list of rows; the outline under ``geometry``."""
    connection = sqlite3.connect(f"file:{package}?mode=ro", uri=True)
    connection.row_factory = sqlite3.Row
    try:
        names = [r[0] for r in connection.execute("SELECT table_name FROM gpkg_contents ORDER BY table_name")]
        geometry = dict(connection.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
        out = {}
        for name in names:
            rows = [dict(r) for r in connection.execute(f'SELECT * FROM "{name}"')]  # noqa: S608 - names of our own file
            for row in rows:
                if name in geometry:
                    row["geometry"] = outline(row.pop(geometry[name]))
            out[name] = rows
        return out
    finally:
        connection.close()


def outline(blob: bytes | None):
    """Geometry of a GeoPackage blob: 'GP', version, flags, srs, envelope, then WKB (OGC 12-128r19, 2.1.3)."""
    if blob is None:
        return None
    envelope = (0, 32, 48, 48, 64)[(blob[3] >> 1) & 7]
    return shapely.from_wkb(blob[8 + envelope :])


def read_input(path: Path, id_field: str | None = None):
    """Outlines and ids of the features of a file, in its order; invalid ones mended, and which these are."""
    shapes, names, is_mended = [], [], []
    with fiona.open(path) as features:
        for feature in features:
            is_mended.append(False)
            shape = None if feature.geometry is None else shapely.geometry.shape(feature.geometry.__geo_interface__)
            if shape is not None:
                shape = shapely.force_2d(shape)
                if not shape.is_valid:
                    is_mended[-1] = True
                    shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
            shapes.append(shape)
            names.append(None if id_field is None else feature.properties.get(id_field))
    return np.array(shapes, dtype=object), names, np.array(is_mended)


class Ground:
    """The elevation raster: own bilinear samples, own slopes after Horn."""

    def __init__(self, path: Path, buildings) -> None:
        with rasterio.open(path) as raster:
            self.z = raster.read(1).astype("float64")
            if raster.nodata is not None:
                self.z[self.z == raster.nodata] = np.nan
            self.x0, self.y0, self.cell = raster.transform.c, raster.transform.f, raster.transform.a
        x, y = np.meshgrid(
            self.x0 + (np.arange(self.z.shape[1]) + 0.5) * self.cell,
            self.y0 - (np.arange(self.z.shape[0]) + 0.5) * self.cell,
        )
        # a cell is ground if no building holds its middle
        middles = shapely.points(x.ravel(), y.ravel())
        tree = shapely.STRtree(middles)
        hit = tree.query(buildings, predicate="intersects")[1]
        under = np.zeros(self.z.size, dtype=bool)
        under[hit] = True
        self.ground = ~under.reshape(self.z.shape) & ~np.isnan(self.z)
        self.slope_pct = self._horn()

    def _horn(self):
        """Horn (1981), Proc. IEEE 69:14-47; only where the whole window is ground."""
        out = np.full(self.z.shape, np.nan)
        z = np.where(self.ground, self.z, np.nan)
        a, b, c = z[:-2, :-2], z[:-2, 1:-1], z[:-2, 2:]
        d, f = z[1:-1, :-2], z[1:-1, 2:]
        g, h, i = z[2:, :-2], z[2:, 1:-1], z[2:, 2:]
        east = ((c + 2 * f + i) - (a + 2 * d + g)) / (8 * self.cell)
        south = ((g + 2 * h + i) - (a + 2 * b + c)) / (8 * self.cell)
        out[1:-1, 1:-1] = 100.0 * np.hypot(east, south) + 0.0 * z[1:-1, 1:-1]
        return out

    def cell_of(self, x, y):
        """Row and column of the cell that holds a point."""
        return int(np.floor((self.y0 - y) / self.cell)), int(np.floor((x - self.x0) / self.cell))

    def under(self, shape):
        """Rows and columns of every cell of which a shape covers more than a millimetre's breadth."""
        inner = shapely.buffer(shape, -TOLERANCE_M, join_style="mitre")
        x1, y1, x2, y2 = shape.bounds
        rows = np.arange(int((self.y0 - y2) // self.cell), int((self.y0 - y1) // self.cell) + 1)
        cols = np.arange(int((x1 - self.x0) // self.cell), int((x2 - self.x0) // self.cell) + 1)
        r, c = (v.ravel() for v in np.meshgrid(rows, cols, indexing="ij"))
        left, top = self.x0 + c * self.cell, self.y0 - r * self.cell
        touched = shapely.intersects(inner, shapely.box(left, top - self.cell, left + self.cell, top))
        return r[touched], c[touched]

    def height(self, x, y):
        """Bilinear between the four nearest cell middles where all are ground.

        Beside a house some are not: then the least-squares plane through the ground cells of the 5 x 5 (7 x 7, 9 x 9)
        block around the nearest middle (docs/method/terrain.md of the program).
        """
        fc, fr = (x - self.x0) / self.cell - 0.5, (self.y0 - y) / self.cell - 0.5
        c, r = int(np.floor(fc)), int(np.floor(fr))
        if self.ground[r : r + 2, c : c + 2].all() and min(r, c) >= 0:
            u, v = fc - c, fr - r
            z = self.z
            return (1 - v) * ((1 - u) * z[r, c] + u * z[r, c + 1]) + v * ((1 - u) * z[r + 1, c] + u * z[r + 1, c + 1])
        rc, cc = int(np.floor(fr + 0.5)), int(np.floor(fc + 0.5))
        for reach in (2, 3, 4):
            rows = np.arange(max(rc - reach, 0), min(rc + reach + 1, self.z.shape[0]))
            cols = np.arange(max(cc - reach, 0), min(cc + reach + 1, self.z.shape[1]))
            rr, qq = np.meshgrid(rows, cols, indexing="ij")
            use = self.ground[rr, qq]
            rr, qq = rr[use], qq[use]
            if len(rr) < 5 or len(set(rr)) == 1 or len(set(qq)) == 1:
                continue
            spread = np.cov(np.vstack([rr, qq]))
            if np.linalg.det(spread) < 0.05 * spread[0, 0] * spread[1, 1]:
                continue
            design = np.column_stack([np.ones(len(rr)), rr - fr, qq - fc])
            return float(np.linalg.lstsq(design, self.z[rr, qq], rcond=None)[0][0])
        return np.nan


def nearest(shapes, things, tree=None):
    """Distance of each shape to the nearest of some things; infinite where there are none."""
    out = np.full(len(shapes), np.inf)
    if len(things) and len(shapes):
        tree = shapely.STRtree(things) if tree is None else tree
        row, _ = tree.query_nearest(shapes, all_matches=False)
        found = tree.query_nearest(shapes, all_matches=False, return_distance=True)
        out[row] = found[1]
    return out


def judge(package: Path, files: Files, numbers: Numbers | None = None) -> Verdict:
    """Look at every row of a result."""
    court = _Court(package, files, numbers or Numbers())
    court.parcels()
    court.tables()
    if court.verdict.breaks:
        # rows that belong to nothing cannot be looked at any further
        return court.verdict
    court.roofs()
    court.gardens()
    court.runs()
    court.overflow()
    court.volumes()
    return court.verdict


class _Court:
    def __init__(self, package: Path, files: Files, numbers: Numbers) -> None:
        self.numbers = numbers
        self.verdict = Verdict()
        self.layers = read_layers(package)
        self.record = {row["key"]: row["value"] for row in self.layers["run_record"]}
        self.lots, _, self.is_mended = read_input(files.parcels)
        shapes, names, _ = read_input(files.buildings, files.building_id)
        usable = np.array([s is not None and not s.is_empty for s in shapes])
        self.footprints = shapes[usable]
        self.footprint_ids = [n for n, ok in zip(names, usable, strict=True) if ok]
        self.building_tree = shapely.STRtree(self.footprints)
        self.keep_away = [(read_input(path)[0], kind, distance) for path, kind, distance in files.keep_away]
        self.ground = Ground(files.elevation, self.footprints)
        self.home = {row["home_id"]: row for row in self.layers["candidate_homes"]}
        self.garden = {row["garden_id"]: row for row in self.layers["gardens"]}
        self.spout = {row["downspout_id"]: row for row in self.layers["downspouts"]}
        self.part = {}
        self.house = {}
        for name, row in self.home.items():
            self.house[name] = self._house(row)
            pieces = shapely.get_parts(row["geometry"])
            overlap = shapely.area(shapely.intersection(pieces, self.house[name]))
            self.part[name] = pieces[int(np.argmax(overlap))]

    def _house(self, home):
        """The house of a home from the input footprints: by its id, or by place where ids say nothing."""
        rows = [k for k, name in enumerate(self.footprint_ids) if name is not None and str(name) == home["building_id"]]
        if not rows:
            rows = self.building_tree.query(home["geometry"], predicate="intersects")
            shares = shapely.area(shapely.intersection(self.footprints[rows], home["geometry"]))
            return self.footprints[rows[int(np.argmax(shares))]]
        return self.footprints[rows[0]]

    def tables(self) -> None:
        """Ids are unique, references hold, the counts add up."""
        v, layers = self.verdict, self.layers
        for name, key in KEYS.items():
            values = [row[key] for row in layers[name]]
            v.true(name, "ids are unique", len(set(values)) == len(values) and None not in values)
        for name in ("inlet_runs", "overflow_paths", "roof_parts"):
            key = "garden_id" if name == "overflow_paths" else "downspout_id"
            values = [row[key] for row in layers[name]]
            v.true(name, "ids are unique", len(set(values)) == len(values))
        for name, rows in layers.items():
            for row in rows:
                if name not in ("candidate_homes", "other_parcels") and row.get("home_id") is not None:
                    v.true(f"{name} {row['home_id']}", "home_id is a candidate", row["home_id"] in self.home)
                if row.get("garden_id") is not None:
                    known = self.garden.get(row["garden_id"])
                    v.true(f"{name} {row['garden_id']}", "garden_id is a garden of the home",
                           known is not None and known["home_id"] == row["home_id"])  # fmt: skip
                if row.get("downspout_id") is not None:
                    known = self.spout.get(row["downspout_id"])
                    v.true(f"{name} {row['downspout_id']}", "downspout_id is a downspout of the home",
                           known is not None and known["home_id"] == row["home_id"])  # fmt: skip
        names = ("n_parcels_read", "n_candidate_homes", "n_other_parcels", "n_parcels_merged", "n_gardens")
        counts = {name: int(self.record[name]) for name in names}
        total = counts["n_candidate_homes"] + counts["n_other_parcels"] + counts["n_parcels_merged"]
        v.true("run_record", "read = candidates + others + merged", counts["n_parcels_read"] == total)
        v.true("run_record", "n_parcels_read is the file's", counts["n_parcels_read"] == len(self.lots))
        v.true("run_record", "n_candidate_homes", counts["n_candidate_homes"] == len(layers["candidate_homes"]))
        v.true("run_record", "n_other_parcels", counts["n_other_parcels"] == len(layers["other_parcels"]))
        v.true("run_record", "n_gardens", counts["n_gardens"] == len(layers["gardens"]))
        ranks = [row["rank"] for row in layers["candidate_homes"]]
        v.true("candidate_homes", "rank is 1 to n in order", ranks == list(range(1, len(ranks) + 1)))
        scores = [row["score"] for row in layers["candidate_homes"]]
        v.true("candidate_homes", "score does not rise with rank", all(a >= b - 1e-9 for a, b in pairwise(scores)))
        per_home = Counter(row["home_id"] for row in layers["gardens"])
        for name, home in self.home.items():
            v.true(name, "n_gardens", home["n_gardens"] == per_home[name] and per_home[name] >= 1)

    def parcels(self) -> None:
        """Every feature of the input is somewhere, with its outline; merged ones stand on a row's place."""
        v = self.verdict

        def key(shape):
            if shape is None or shape.is_empty:
                return None
            return shapely.normalize(shapely.set_precision(shape, 1e-4)).wkb

        both = [*self.layers["candidate_homes"], *self.layers["other_parcels"]]
        rows = Counter(key(row["geometry"]) for row in both)
        given = Counter(key(shape) for shape in self.lots)
        mended = {key(shape) for shape, bad in zip(self.lots, self.is_mended, strict=True) if bad}
        # an outline that crosses itself may be refused: then its row stands without one
        refused = sum(given[place] for place in mended if place is not None and place not in rows)
        v.true("other_parcels", "rows without outline", rows.pop(None, 0) == given[None] + refused)
        for place in given:
            if place is not None and not (place in mended and place not in rows):
                v.true("a parcel of the input", "has one row", rows.pop(place, 0) == 1)
        v.true("other_parcels", "no outline that the input lacks", not rows)
        merged = sum(count - 1 for place, count in given.items() if place is not None)
        v.true("run_record", "n_parcels_merged", int(self.record["n_parcels_merged"]) == merged)
        v.true("other_parcels", "every row has a reason", all(r["reason_code"] and r["reason_text"]
                                                               for r in self.layers["other_parcels"]))  # fmt: skip

    def roofs(self) -> None:
        """Shares sum to one, parts cover the roof, treated roof is the sum of what is served."""
        v = self.verdict
        spouts, parts = defaultdict(list), defaultdict(list)
        for row in self.layers["downspouts"]:
            spouts[row["home_id"]].append(row)
        for row in self.layers["roof_parts"]:
            parts[row["home_id"]].append(row)
        split = {row["home_id"] for row in self.layers["candidate_homes"] if "split_building" in (row["flags"] or "")}
        for name, home in self.home.items():
            mine = spouts[name]
            roof = home["roof_area_m2"]
            outline_m2 = self.house[name].area
            if name in split:
                outline_m2 = self.house[name].intersection(self.part[name]).area
            v.equal(name, "roof area is the footprint's", roof, outline_m2, 0.002 * outline_m2)
            v.true(name, "n_downspouts", home["n_downspouts"] == len(mine) >= 1)
            v.equal(name, "shares sum to 1", sum(s["roof_frac"] for s in mine), 1.0, 1e-9)
            v.equal(name, "roof areas sum to the roof", sum(s["roof_area_m2"] for s in mine), roof, 1e-6 * roof)
            served = sum(s["roof_area_m2"] for s in mine if s["garden_id"] is not None)
            v.equal(name, "treated roof", home["treated_roof_m2"], served, 1e-6 * roof)
            v.equal(name, "treated part", home["treated_roof_frac"], served / roof, 1e-6)
            area = {row["downspout_id"]: row["area_m2"] for row in parts[name]}
            for spout in mine:
                v.true(spout["downspout_id"], "share is between 0 and 1", 0.0 <= spout["roof_frac"] <= 1.0 + 1e-12)
                v.equal(spout["downspout_id"], "roof part has the downspout's area",
                        area.get(spout["downspout_id"], 0.0), spout["roof_area_m2"], 1e-6)  # fmt: skip
                v.most(spout["downspout_id"], "downspout is on the outline",
                       self.house[name].boundary.distance(spout["geometry"]), 0.0, 0.16)  # fmt: skip
            shapes = [row["geometry"] for row in parts[name]]
            whole = shapely.union_all(shapes)
            v.most(name, "roof parts do not overlap", sum(s.area for s in shapes) - whole.area, 0.0, 0.01 * roof)
            house = self.house[name] if name not in split else self.house[name].intersection(self.part[name])
            v.most(name, "roof parts cover the roof", whole.symmetric_difference(house).area, 0.0, 0.03 * roof)
            for row in parts[name]:
                v.equal(row["downspout_id"], "outline of a roof part has its area",
                        row["geometry"].area, row["area_m2"], 0.02 * roof)  # fmt: skip

    def gardens(self) -> None:
        """Distances, area, width, ground, spacing of every garden."""
        v, n = self.verdict, self.numbers
        rows = self.layers["gardens"]
        shapes = np.array([row["geometry"] for row in rows], dtype=object)
        to_building = nearest(shapes, self.footprints, self.building_tree)
        for row, distance in zip(rows, to_building, strict=True):
            v.least(row["garden_id"], "foundation", distance, n.foundation_m)
        for things, kind, distance in self.keep_away:
            for row, apart in zip(rows, nearest(shapes, things), strict=True):
                v.least(row["garden_id"], f"keep away: {kind}", apart, distance)
        ground_of = defaultdict(list)
        for row in self.layers["open_ground"]:
            ground_of[row["home_id"]].append(row["geometry"])
        of_home = defaultdict(list)
        for row, apart in zip(rows, to_building, strict=True):
            who, shape = row["garden_id"], row["geometry"]
            part = self.part[row["home_id"]]
            of_home[row["home_id"]].append(shape)
            v.true(who, "valid polygon", shape.is_valid and shape.geom_type == "Polygon" and not shape.is_empty)
            v.most(who, "inside the lot", shapely.area(shape.difference(part)), 0.0, 1e-6)
            v.least(who, "lot line", part.boundary.distance(shape), n.lot_line_m)
            v.equal(who, "lot_line_dist_m", row["lot_line_dist_m"], part.boundary.distance(shape), TOLERANCE_M)
            told = [d for d in (row["own_building_dist_m"], row["other_building_dist_m"]) if d is not None]
            v.equal(who, "nearest building told", min(told, default=np.inf), apart, 0.01) if apart < 29.0 else None
            v.least(who, "least area", shape.area, n.min_area_m2, 1e-4)
            v.most(who, "greatest area", shape.area, n.max_area_m2, 1e-4)
            v.equal(who, "area_m2", row["area_m2"], shape.area, 1e-6)
            beyond = shapely.difference(shape, shapely.buffer(ground_of[row["home_id"]][0], TOLERANCE_M))
            v.most(who, "within the open ground", beyond.area, 0.0, 1e-6)
            self._width(row)
            self._ground(row)
        for name, mine in of_home.items():
            for i, one in enumerate(mine):
                for other in mine[:i]:
                    v.least(name, "spacing", one.distance(other), n.spacing_m)
        for name, shapes_open in ground_of.items():
            lot, shape = self.part[name], shapes_open[0]
            v.equal(name, "one open ground", len(shapes_open), 1, 0)
            v.equal(name, "open_area_m2", self.home[name]["open_area_m2"], shape.area, 1e-6)
            v.least(name, "open ground: lot line", lot.boundary.distance(shape), n.lot_line_m)
            apart = nearest([shape], self.footprints, self.building_tree)[0]
            v.least(name, "open ground: foundation", apart, n.foundation_m)
            for things, kind, distance in self.keep_away:
                v.least(name, f"open ground: {kind}", nearest([shape], things)[0], distance)
            self._nothing_missing(name, lot, shape)

    def _nothing_missing(self, name, lot, shape) -> None:
        """Open ground is all the ground that the distances leave, but for the chords of its arcs."""
        n = self.numbers
        slack = 0.012
        allowed = shapely.buffer(lot, -(n.lot_line_m * (1 + slack)), quad_segs=64)
        near = self.building_tree.query(lot, predicate="dwithin", distance=n.foundation_m + 1)
        zones = [shapely.buffer(self.footprints[near], n.foundation_m * (1 + slack), quad_segs=64)]
        for things, _, distance in self.keep_away:
            close = things[shapely.dwithin(things, lot, distance + 1)]
            zones.append(shapely.buffer(close, distance * (1 + slack), quad_segs=64))
        allowed = allowed.difference(shapely.union_all(np.concatenate(zones)))
        self.verdict.most(name, "open ground: nothing left out", allowed.difference(shape).area, 0.0, 1e-3)

    def _width(self, row) -> None:
        """A rectangle's short side, or everywhere in a bed a disc of the least width."""
        v, who, shape, width = self.verdict, row["garden_id"], row["geometry"], self.numbers.min_width_m
        if row["shape_code"] == "rectangle":
            xy = shapely.get_coordinates(shape)
            side = np.hypot(*np.diff(xy, axis=0).T)
            v.true(who, "rectangle has four corners", len(xy) == 5)
            v.least(who, "least width", side.min(), width)
            v.equal(who, "width_m", row["width_m"], side.min(), TOLERANCE_M)
            v.equal(who, "length_m", row["length_m"], side.max(), TOLERANCE_M)
            v.equal(who, "rectangle is right-angled", shape.area, side.max() * side.min(), 1e-4)
            k = int(np.argmax(np.round(side[:2], 3)))
            azimuth = np.degrees(np.arctan2(*(xy[k + 1] - xy[k]))) % 180.0
            if side.max() - side.min() > 0.01:
                off = abs(row["long_axis_deg"] - azimuth)
                v.most(who, "long_axis_deg", min(off, 180.0 - off), 0.0, 0.1)
            return
        # two millimetres of the width, so that chords for arcs don't matter
        core = shapely.buffer(shape, -(0.5 * width - TOLERANCE_M), quad_segs=64)
        reached = shapely.buffer(core, 0.5 * width + TOLERANCE_M, quad_segs=64)
        v.most(who, "bed is nowhere too narrow", shape.difference(reached).area, 0.0, 1e-4)
        v.true(who, "bed holds a disc of the least width", not core.is_empty)
        v.least(who, "width_m", row["width_m"], width)

    def _ground(self, row) -> None:
        """Every cell under the garden is known and no steeper than allowed."""
        r, c = self.ground.under(row["geometry"])
        slope = self.ground.slope_pct[r, c]
        self.verdict.true(row["garden_id"], "elevation is known under it", not np.isnan(self.ground.z[r, c]).any())
        known = slope[~np.isnan(slope)]
        self.verdict.looked_at["cells without a whole window"] += len(slope) - len(known)
        self.verdict.most(row["garden_id"], "slope", known.max(initial=0.0), self.numbers.max_slope_pct, 1e-3)

    def runs(self) -> None:
        """Every served downspout has one straight run, short enough, on the lot, free, and falling."""
        v, n = self.verdict, self.numbers
        inner = shapely.buffer(self.footprints, -TOLERANCE_M)
        runs = {row["downspout_id"]: row for row in self.layers["inlet_runs"]}
        served = {name for name, row in self.spout.items() if row["garden_id"] is not None}
        v.true("inlet_runs", "one for each served downspout", set(runs) == served)
        longest, falls, count = defaultdict(float), defaultdict(lambda: np.inf), Counter()
        for name, run in runs.items():
            line, garden, spout = run["geometry"], self.garden[run["garden_id"]], self.spout[name]
            v.true(name, "run goes to the downspout's garden", run["garden_id"] == spout["garden_id"])
            xy = shapely.get_coordinates(line)
            v.true(name, "run is straight", len(xy) == 2)
            v.most(name, "run begins at the downspout", spout["geometry"].distance(shapely.Point(xy[0])), 0.0)
            v.most(name, "run ends at the garden", garden["geometry"].boundary.distance(shapely.Point(xy[-1])), 0.0)
            v.equal(name, "length_m of a run", run["length_m"], line.length, TOLERANCE_M)
            v.most(name, "run", line.length, n.max_run_m)
            v.most(name, "run is on the lot", line.difference(self.part[run["home_id"]]).length, 0.0)
            hit = self.building_tree.query(line, predicate="intersects")
            v.most(name, "run goes through no building", shapely.length(line.intersection(inner[hit])).sum(), 0.0)
            fall = self.ground.height(*xy[0]) - self.ground.height(*xy[-1])
            v.least(name, "fall", fall, n.min_fall_pct / 100.0 * line.length)
            v.equal(name, "fall_m of a run", run["fall_m"], fall, TOLERANCE_M)
            mean = self.mean_height(garden["geometry"])
            v.least(name, "fall to the mean ground", self.ground.height(*xy[0]) - mean,
                    n.min_fall_pct / 100.0 * line.length, 0.02)  # fmt: skip
            gid = run["garden_id"]
            longest[gid] = max(longest[gid], run["length_m"])
            falls[gid] = min(falls[gid], run["fall_m"])
            count[gid] += 1
        for gid, garden in self.garden.items():
            v.true(gid, "serves a downspout", count[gid] >= 1)
            v.true(gid, "n_downspouts of a garden", garden["n_downspouts"] == count[gid])
            v.equal(gid, "run_m", garden["run_m"], longest[gid])
            v.equal(gid, "fall_m", garden["fall_m"], falls[gid])
            treated = sum(s["roof_area_m2"] for s in self.spout.values() if s["garden_id"] == gid)
            v.equal(gid, "treated_roof_m2", garden["treated_roof_m2"], treated, 1e-6 * max(treated, 1.0))

    def mean_height(self, shape):
        """Mean height of a garden's ground from samples a quarter of a metre apart."""
        x1, y1, x2, y2 = shape.bounds
        x, y = (v.ravel() for v in np.meshgrid(np.arange(x1 + 0.125, x2, 0.25), np.arange(y1 + 0.125, y2, 0.25)))
        inside = shapely.contains_xy(shape, x, y)
        return float(np.nanmean([self.ground.height(a, b) for a, b in zip(x[inside], y[inside], strict=True)]))

    def overflow(self) -> None:
        """Ways of the overflow: from the rim, on the own lot, off every setback, downhill, to where they say."""
        v, n = self.verdict, self.numbers
        # lots whose outline is refused are nobody's ground
        known = {row["geometry"].wkb for row in self.layers["other_parcels"] if row["geometry"] is not None}
        usable = [
            shape
            for shape, bad in zip(self.lots, self.is_mended, strict=True)
            if shape is not None and not shape.is_empty and (not bad or shape.wkb in known)
        ]
        usable = np.array(usable, dtype=object)
        lot_tree = shapely.STRtree(usable)
        drains = [things for things, kind, _ in self.keep_away if kind in DRAINS]
        drains = np.concatenate(drains) if drains else np.empty(0, dtype=object)
        cell = self.ground.cell
        paths = {row["garden_id"]: row for row in self.layers["overflow_paths"]}
        for gid, garden in self.garden.items():
            v.true(gid, "overflow may not end in a setback", garden["overflow_code"] != "building_setback")
            if gid not in paths:
                v.true(gid, "no way means a low spot", garden["overflow_code"] in ("own_low_spot", "off_elevation"))
        for gid, row in paths.items():
            line, code = row["geometry"], row["end_code"]
            garden = self.garden[gid]
            own = self.part[row["home_id"]]
            whole = self.home[row["home_id"]]["geometry"]
            xy = shapely.get_coordinates(line)
            v.true(gid, "end_code is the garden's", code == garden["overflow_code"])
            v.equal(gid, "length_m of a way", row["length_m"], line.length, TOLERANCE_M)
            v.most(gid, "way begins at the rim", garden["geometry"].boundary.distance(shapely.Point(xy[0])), 0.0)
            v.least(gid, "way and foundation", nearest([line], self.footprints, self.building_tree)[0], n.foundation_m)
            heights = [self.ground.z[self.ground.cell_of(x, y)] for x, y in xy[1:]]
            lowest = np.minimum.accumulate(heights)
            v.most(gid, "way goes downhill", np.max(heights - lowest, initial=0.0), n.pit_fill_m)
            steps = np.abs(np.diff(xy[1:], axis=0)).max(axis=1, initial=0.0) if len(xy) > 2 else np.zeros(1)
            v.most(gid, "way goes from cell to cell", steps.max(), cell)
            # every point before the last is on the own lot, or in the gap between two lots before the street is reached
            inside = shapely.intersects_xy(whole, *xy[:-1].T)
            for x, y in xy[:-1][~inside]:
                there = lot_tree.query(shapely.Point(x, y), predicate="intersects")
                v.true(gid, "way is on no other lot before its end", len(there) == 0)
            v.looked_at["points of ways outside every lot"] += int((~inside).sum())
            end = shapely.Point(xy[-1])
            there = [k for k in lot_tree.query(end, predicate="intersects") if not usable[k].equals(whole)]
            on_own = whole.intersects(end)
            at_drain = len(drains) > 0 and shapely.dwithin(drains, end, cell).any()
            wanted = {
                "street": not on_own and not there,
                "neighbour_lot": bool(there) and not on_own,
                "drainage": at_drain,
                "own_ground": own.intersects(end),
                "own_low_spot": on_own or not there,
                "off_elevation": True,
            }
            v.true(gid, f"way ends where it says: {code}", wanted.get(code, False))

    def volumes(self) -> None:
        """Low, likely, high; sums; storage; drawdown."""
        v = self.verdict
        runoff_mm = float(self.record["runoff_roof_mm_y"])
        sums = defaultdict(Counter)
        for gid, garden in self.garden.items():
            likely = garden["all_likely_m3_y"]
            v.true(gid, "0 <= likely", likely >= 0.0 and garden["diverted_m3_y"] >= 0.0)
            v.most(gid, "likely <= its roof's runoff", likely, garden["treated_roof_m2"] * runoff_mm / 1000, 1e-6)
            stored = garden["storage_area_m2"] * garden["ponding_depth_mm"] / 1000
            v.equal(gid, "storage", garden["storage_m3"], stored, 1e-6)
            v.most(gid, "storage area <= area", garden["storage_area_m2"], garden["area_m2"], 1e-9)
            v.most(gid, "drawdown", garden["drawdown_h"], self.numbers.drawdown_h, 1e-9)
            drawdown = garden["ponding_depth_mm"] / garden["soil_rate_mm_h"]
            v.equal(gid, "drawdown is depth over rate", garden["drawdown_h"], drawdown, 1e-9)
            for column in ("diverted_m3_y", "all_likely_m3_y", "storage_m3"):
                sums[garden["home_id"]][column] += garden[column]
            sums[garden["home_id"]]["garden_area_m2"] += garden["area_m2"]
        wettest_mm = float(self.record.get("runoff_roof_wettest_mm_y", "inf"))
        for name, home in self.home.items():
            for column, total in sums[name].items():
                v.equal(name, f"{column} is the gardens' sum", home[column], total, 1e-6 * max(total, 1.0))
            low, likely, high = (home[f"diverted{k}_m3_y"] for k in ("_low", "", "_high"))
            v.true(name, "0 <= low <= likely <= high of a home", 0.0 <= low <= likely + 1e-9 <= high + 2e-9)
            runoff = home["roof_area_m2"] * runoff_mm / 1000
            v.equal(name, "runoff_roof_m3_y", home["runoff_roof_m3_y"], runoff, 1e-6 * runoff)
            v.most(name, "all likely <= runoff of the roof", home["all_likely_m3_y"], runoff, 1e-6 * runoff)
            most = home["roof_area_m2"] * wettest_mm / 1000
            v.most(name, "high <= runoff of the roof in the wettest year", high, most, 1e-6 * runoff)
            best, rank, worst = home["rank_best"], home["rank"], home["rank_worst"]
            v.true(name, "ranks are ranks", 1 <= best <= worst <= len(self.home) and rank >= 1)
            v.true(name, "chance is one", 0.0 <= home["first_n_chance_frac"] <= 1.0)
            v.true(name, "treated part is between 0 and 1", 0.0 < home["treated_roof_frac"] <= 1.0)
            v.true(name, "confidence is between 0 and 1", 0.0 <= home["confidence_frac"] <= 1.0)
