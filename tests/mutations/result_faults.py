"""Mutations of a finished result, for the commands that read one."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import shapely

from mutations.scramble import scramble
from mutations.trial import PAYLOADS
from mutations.vector_faults import SQL, edit_tables

LAYERS = (
    "candidate_homes",
    "gardens",
    "downspouts",
    "inlet_runs",
    "overflow_paths",
    "buildings",
    "roof_parts",
    "open_ground",
    "other_parcels",
    "streets",
    "run_record",
    "column_guide",
)
VALUES = (
    "NULL",
    "''",
    "'x'",
    "1e999",
    "-1e999",
    "-1",
    "0",
    "1e300",
    "x'ff00'",
    "zeroblob(3000000)",
    "9223372036854775807",
    "'NaN'",
    "2.5",
    "char(0)",
)


def _result(trial):
    return trial.take("result.gpkg")


def bytes_of_a_result(trial):
    """Bytes flipped, cut, moved."""
    path = _result(trial)
    scramble(trial, path, [trial.good / "parcels.gpkg"])
    trial.read_result(path)


def values_of_a_result(trial):
    """A value in a column of a layer changed to what a run never writes."""
    path = _result(trial)
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        for _ in range(1 + trial.below(3)):
            layer = trial.one_of(LAYERS)
            columns = [row[1] for row in base.execute(f'PRAGMA table_info("{layer}")')]
            column = trial.one_of(columns or ["geom"])
            one = "" if trial.chance(0.5) else " WHERE rowid = 1"
            if trial.chance(0.5):
                statement, values = f'UPDATE "{layer}" SET "{column}" = ?{one}', (trial.one_of(PAYLOADS),)
            else:
                statement, values = f'UPDATE "{layer}" SET "{column}" = {trial.one_of(VALUES)}{one}', ()
            trial.say(f"{statement} {str(values)[:50]}")
            try:
                base.execute(statement, values)
            except sqlite3.Error as error:
                trial.say(f"({error})")
    trial.read_result(path)


def tables_of_a_result(trial):
    """Layers and columns missing, renamed, empty, of other types; the catalogue changed."""
    path = _result(trial)
    layer = trial.one_of(LAYERS)
    with closing(sqlite3.connect(path)) as base:
        columns = [row[1] for row in base.execute(f'PRAGMA table_info("{layer}")')]
    column = trial.one_of(columns or ["geom"])
    wkb = shapely.to_wkb(shapely.Point(1, 2)).hex()
    own = (
        f'DROP TABLE "{layer}"',
        f'DELETE FROM "{layer}"',
        f'DELETE FROM "{layer}" WHERE rowid % 2 = 0',
        f'ALTER TABLE "{layer}" DROP COLUMN "{column}"',
        f'ALTER TABLE "{layer}" RENAME COLUMN "{column}" TO "other"',
        f'ALTER TABLE "{layer}" RENAME TO "other"',
        f"DELETE FROM gpkg_contents WHERE table_name = '{layer}'",
        f"UPDATE \"{layer}\" SET geom = x'47500001ffffffff{wkb}'",
        f'UPDATE "{layer}" SET geom = NULL',
        f'INSERT INTO "{layer}" SELECT * FROM "{layer}"',
        f"UPDATE \"{layer}\" SET home_id = 'same'",
        "UPDATE run_record SET value = 'x'",
        "UPDATE run_record SET key = 'x'",
        "UPDATE run_record SET value = 'EPSG:4326' WHERE key LIKE '%crs%'",
        "UPDATE run_record SET value = '' WHERE key LIKE 'param.%'",
        "UPDATE gpkg_geometry_columns SET srs_id = 4326",
        "UPDATE gpkg_contents SET srs_id = 4326",
    )
    statements = [trial.one_of(own) if trial.chance(0.75) else trial.one_of(SQL) for _ in range(1 + trial.below(2))]
    edit_tables(trial, path, statements, layer)
    trial.read_result(path)


def no_result(trial):
    """Something else in the place of a result."""
    path = trial.inputs / "result.gpkg"
    other = trial.one_of(("parcels.gpkg", "elevation.tif", "rain.csv", "parcels.zip", "run.toml", "parcels.parquet"))
    path.write_bytes((trial.good / other).read_bytes())
    trial.say(f"{other} as a result")
    trial.read_result(path)


def plans(trial):
    """Lists of homes and areas given to the sheets, the map and the street plan."""
    path = trial.good / "result.gpkg"
    plan = trial.inputs / trial.one_of(("plan.csv", "plan.gpkg", "plan.geojson", "plan.txt"))
    text = trial.one_of(
        (
            "home_id\n0001\n",
            "home_id\n" + "\n".join(f'"{p}"' for p in PAYLOADS),
            "",
            "x\n1\n",
            "home_id\n" + "0001\n" * 5_000,
            "home_id,home_id\n1,2\n",
            "home_id\n" + "x" * 1_000_000,
            '"home_id\n0001',
            "home_id;visit\n0001;1\n",
            "\x00" * 100,
            '{"type": "FeatureCollection", "features": []}',
            "[" * 100_000,
            "﻿home_id\r\n0002\r\n",
            "home_id\n\n\n",
        )
    )
    if plan.suffix == ".gpkg" and trial.chance(0.6):
        plan.write_bytes((trial.good / "parcels.gpkg").read_bytes())
        if trial.chance(0.5):
            scramble(trial, plan)
    else:
        plan.write_text(text, encoding="utf-8")
    odd = trial.one_of(PAYLOADS).replace("\x00", "")
    out = trial.out
    menu = (
        ["sheets", str(path), "-o", str(out / "s.pdf"), "--plan", str(plan)],
        ["map", str(path), "-o", str(out / "m.html"), "--plan", str(plan)],
        ["streets", str(path), "--visits", "3", "--priority", str(plan), "--priority-pct", "50"],
        ["streets", str(path), "--visits", "99999999999", "--per-day", "99999999"],
        ["streets", str(path), "--visits", "3", "--lock-in", odd],
        ["streets", str(path), "--visits", "3", "--start", odd],
        [
            "streets",
            str(path),
            "--visits",
            "3",
            "--start",
            trial.one_of(("nan,nan", "1e300,1", "-93,45", "0,0", "inf,0")),
        ],
        [
            "streets",
            str(path),
            "--visits",
            "3",
            "--response-pct",
            trial.one_of(("nan,1,2", "0,0,0", "100,1,1", "1e300", "-1,2,3", ",,,")),
        ],
        ["sheets", str(path), "-o", str(out / "s.pdf"), "--home", odd],
        ["sheets", str(path), "-o", str(out / "s.pdf"), "--street", odd],
        ["sheets", str(path), "-o", str(out / "s.pdf"), "--font", str(plan)],
        ["explain", str(path), odd],
        ["map", str(path), "-o", str(out / "m.html"), "--bbox", trial.one_of(("0,0,1,1", "-1e300,-1e300,1e300,1e300"))],
    )
    trial.say(f"plan {text[:30]!r} or {odd[:30]!r}")
    trial.runs.append(trial.one_of(menu))
