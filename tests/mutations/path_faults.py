"""Paths that lead elsewhere, are no files, or change while they are read."""

from __future__ import annotations

import json
import os
import time

ROLES = ("parcels", "parcels", "buildings", "elevation", "rain", "streets")


def odd_input(trial):
    """An input that is a device, a pipe, a folder, a link in a circle, or whose name is no name."""
    role = trial.one_of(ROLES)
    suffix = trial.one_of(
        {"elevation": ("tif", "asc", "vrt"), "rain": ("csv",)}.get(
            role, ("gpkg", "shp", "geojson", "parquet", "zip", "fgb")
        )
    )
    inputs = trial.inputs
    plain = inputs / f"odd.{suffix}"
    way = trial.one_of(
        (
            "pipe",
            "device",
            "zero",
            "full",
            "stdin",
            "folder",
            "full folder",
            "circle",
            "dangling",
            "long name",
            "deep",
            "NUL",
            "newline",
            "upwards",
            "vsicurl",
            "vsizip",
            "vsimem",
            "vsistdin",
            "vsisubfile",
            "database",
            "tilde",
            "dollar",
            "empty",
            "one byte",
            "url",
            "query",
            "percent",
            "driver",
            "link",
            "secret",
        )
    )
    good = trial.good / f"{role if role != 'rain' else 'rain'}.{suffix}"
    url = f"http://127.0.0.1:{trial.port}/x.{suffix}"
    menu = {
        "device": "/dev/null",
        "zero": "/dev/zero",
        "full": "/dev/full",
        "stdin": "/dev/stdin",
        "long name": "x" * 5_000,
        "deep": "a/" * 3_000,
        "NUL": "x\x00.gpkg",
        "newline": "a\nb.gpkg",
        "upwards": f"../../../../../..{good}",
        "vsicurl": f"/vsicurl/{url}",
        "vsizip": f"/vsizip/{trial.good}/parcels.zip/parcels.shp",
        "vsimem": "/vsimem/x",
        "vsistdin": "/vsistdin/",
        "vsisubfile": f"/vsisubfile/0_100,{good}",
        "database": "PG:host=127.0.0.1",
        "tilde": "~nobody/../x",
        "dollar": "$HOME/x",
        "url": url,
        "query": "parcels.gpkg?mode=rwc&vfs=unix",
        "percent": "parcels%00.gpkg",
        "driver": f"GPKG:{trial.good}/parcels.gpkg:parcels",
        "folder": ".",
        "secret": "/proc/self/mem",
    }
    named = menu.get(way)
    if way == "pipe":
        os.mkfifo(plain)
    elif way == "full folder":
        plain.mkdir()
        (plain / "readme.txt").write_text("x")
        (plain / "a.gdbtable").write_bytes(bytes(100))
    elif way == "circle":
        plain.symlink_to(plain)
    elif way == "dangling":
        plain.symlink_to(inputs / "gone")
    elif way == "link" and good.exists():
        plain.symlink_to(good)
    elif way == "empty":
        plain.write_bytes(b"")
    elif way == "one byte":
        plain.write_bytes(b"{")
    trial.say(f"{role} ({suffix}): {way}")
    name = json.dumps(named or plain.name)
    if role in {"parcels", "buildings", "elevation"}:
        path = trial.town()
        good_name = "elevation.tif" if role == "elevation" else f"{role}.gpkg"
        path.write_text(path.read_text().replace(f'"{good_name}"', name, 1))
    else:
        trial.town(head=f"{role} = {name}\n")
    if trial.chance(0.2):
        trial.start(named or plain.name)
    trial.screen()


def odd_output(trial):
    """An output that is a folder, a device, a link, an input, of another kind, or nowhere."""
    path = trial.town()
    out = trial.out
    (out / "there").mkdir()
    (out / "old.gpkg").write_bytes(b"an older file")
    (out / "link.gpkg").symlink_to(trial.inputs / "parcels.gpkg")
    (out / "circle.gpkg").symlink_to(out / "circle.gpkg")
    os.mkfifo(out / "pipe.gpkg")
    target = trial.one_of(
        (
            str(out / "there"),
            str(out),
            "/dev/null",
            "/dev/full",
            str(out / "pipe.gpkg"),
            str(trial.inputs / "parcels.gpkg"),
            str(trial.inputs / "run.toml"),
            str(out / "link.gpkg"),
            str(out / "circle.gpkg"),
            str(out / "nowhere" / "a.gpkg"),
            str(out / "old.gpkg"),
            str(out / "old.gpkg" / "a.gpkg"),
            str(out / ("x" * 300 + ".gpkg")),
            str(out / "a.txt"),
            str(out / "a"),
            "",
            ".",
            "..",
            str(out / "a\nb.gpkg"),
            str(out / "é\u202e.gpkg"),
            str(out / ".gpkg"),
            str(out / "a?mode=ro#x%00.gpkg"),
            "/proc/self/mem",
            "/nowhere/a.gpkg",
            str(out / "-a.gpkg"),
            str(out / "a'\"b.gpkg"),
            str(out / "a b.gpkg"),
            str(out / "a.gpkg-wal"),
            str(trial.inputs / "elevation.tif"),
        )
    )
    more = ["--overwrite"] if trial.chance(0.4) else []
    trial.say(f"output {target[:80]!r} {more}")
    kind = trial.one_of(("run", "run", "table", "map", "sheets", "explain", "streets"))
    if kind == "run":
        trial.runs.append(["run", str(path), "-o", target, "--jobs", "1", "--no-progress", *more])
        return
    target = str(out / "list.gpkg") if target.startswith(str(trial.inputs)) else target
    result = str(trial.good / "result.gpkg")
    swap = {"table": ".csv", "map": ".html", "sheets": ".pdf", "explain": ".svg", "streets": ".xlsx"}[kind]
    if trial.chance(0.6):
        target = target.replace(".gpkg", swap)
    trial.runs.append(
        [kind, result, *{"explain": ["0001"], "streets": ["--visits", "2"]}.get(kind, []), "-o", target, *more]
    )


def changing_input(trial):
    """A file that grows, shrinks, vanishes or becomes another while it is read."""
    role = trial.one_of(("parcels", "buildings", "elevation", "rain"))
    kinds = {"elevation": ("elevation.tif", "elevation.asc"), "rain": ("rain.csv",)}
    name = trial.one_of(kinds.get(role, [f"{role}.{s}" for s in ("gpkg", "shp", "geojson", "fgb", "parquet")]))
    if role == "rain":
        trial.town(head='rain = "rain.csv"\n')
        trial.take("rain.csv")
    else:
        trial.town(**{role: name})
    path = trial.inputs / name
    way = trial.one_of(("grow", "shrink", "empty", "vanish", "other", "flicker", "overwrite"))
    delay_s = float(trial.rng.random()) * trial.one_of((0.02, 0.1, 0.3))
    noise = trial.rng.bytes(5_000)
    trial.say(f"{name}: {way} after {delay_s:.3f} s")
    trial.inputs_may_change = True

    def meddle():
        time.sleep(delay_s)
        data = path.read_bytes()
        if way == "grow":
            with path.open("ab") as file:
                for _ in range(200):
                    file.write(noise)
                    file.flush()
        elif way == "shrink":
            os.truncate(path, len(data) // 2)
        elif way == "empty":
            os.truncate(path, 0)
        elif way == "vanish":
            path.unlink()
        elif way == "other":
            path.unlink()
            path.write_bytes(noise)
        elif way == "flicker":
            for _ in range(50):
                path.unlink()
                time.sleep(0.002)
                path.write_bytes(data)
                time.sleep(0.002)
        else:
            with path.open("r+b") as file:
                file.seek(len(data) // 3)
                file.write(noise)

    trial.meddle = meddle
    trial.run()


def stale_leftovers(trial):
    """What a broken run may have left beside the output: folders of parts, locks, half-written files."""
    trial.town()
    out = trial.out
    name = trial.one_of(
        (
            "homes.gpkg.parts",
            "homes.gpkg.part",
            "homes.gpkg-journal",
            "homes.gpkg-wal",
            "homes.gpkg.lock",
            ".homes.gpkg",
        )
    )
    way = trial.one_of(("file", "folder", "manifest", "link"))
    path = out / name
    if way == "file":
        path.write_bytes(trial.rng.bytes(100))
    elif way == "folder":
        path.mkdir()
        (path / "tile_0_0").mkdir()
        (path / "tile_0_0" / "gardens.parquet").write_bytes(b"x")
    elif way == "manifest":
        path.mkdir()
        (path / "manifest.json").write_text(
            trial.one_of(("", "[]", "{", '{"format": 1}', "null", "[" * 100_000, "\x00"))
        )
        (path / "lock").write_text(trial.one_of(("", "1", "99999999999", "x", "-1")))
    else:
        path.symlink_to(trial.inputs)
    trial.say(f"{name}: {way}")
    more = trial.one_of(([], ["--resume"], ["--overwrite"], ["--resume", "--overwrite"]))
    trial.run(*more)
