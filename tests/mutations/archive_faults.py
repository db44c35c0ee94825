"""Mutations of zip archives: bombs, names that lead outside, lies about sizes, locks, nests."""

from __future__ import annotations

import io
import struct
import zipfile


def archive(trial):
    """An archive that is a bomb, a maze or a lie."""
    trial.town(parcels="parcels.zip")
    path = trial.inputs / "parcels.zip"
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    way = trial.one_of(MENU)
    trial.say(way.__name__)
    way(trial, path, parts)
    trial.screen()
    if trial.chance(0.25):
        trial.start("parcels.zip")


def _write(path, parts, **more):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, **more) as new:
        for name, data in parts.items():
            new.writestr(name, data)


def bomb(trial, path, parts):
    """A part that unpacks to hundreds of megabytes of zeros."""
    name = trial.one_of(("parcels.shp", "parcels.dbf", "parcels.gpkg", "parcels.geojson", "parcels.prj", "readme.txt"))
    kept = {} if name in {"parcels.gpkg", "parcels.geojson"} else parts
    _write(path, kept)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED, compresslevel=1) as new:
        with new.open(name, "w", force_zip64=True) as file:
            head = parts.get(
                name, b"SQLite format 3\x00" if name.endswith("gpkg") else b'{"type": "FeatureCollection",'
            )
            file.write(head)
            block = b" " * (1 << 20) if name.endswith(("json", "prj")) else bytes(1 << 20)
            for _ in range(trial.one_of((50, 400))):
                file.write(block)


def lie_about_size(trial, path, parts):
    """Sizes in the catalogue that are not true."""
    data = bytearray(path.read_bytes())
    at = data.find(b"PK\x01\x02", trial.below(len(data)))
    if at >= 0:
        struct.pack_into("<II", data, at + 20, *(trial.one_of((0, 1, 2**31, 2**32 - 1)) for _ in range(2)))
    path.write_bytes(data)


def names_outside(trial, path, parts):
    """Members whose names lead out of the archive."""
    prefix = trial.one_of(
        ("../", "../../../../", "/", "/tmp/", "C:\\", "..\\..\\", "./", "a/../../", "~/", "a\x00", "//host/")
    )
    _write(path, {prefix + name: data for name, data in parts.items()})


def links(trial, path, parts):
    """Members that are symbolic links."""
    with zipfile.ZipFile(path, "w") as new:
        for name, data in parts.items():
            info = zipfile.ZipInfo(name)
            if name.endswith((".dbf", ".shp")):
                info.external_attr = 0o120777 << 16
                new.writestr(info, "/etc/passwd")
            else:
                new.writestr(info, data)


def locked(trial, path, parts):
    """Members that say they are encrypted."""
    data = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(mark, at + 4)
    path.write_bytes(data)


def nested(trial, path, parts):
    """Archives in archives."""
    data = path.read_bytes()
    for _ in range(trial.one_of((1, 5))):
        inner = io.BytesIO()
        with zipfile.ZipFile(inner, "w") as new:
            new.writestr("parcels.zip", data)
        data = inner.getvalue()
    path.write_bytes(data)


def crowd(trial, path, parts):
    """Thousands of members."""
    n = trial.one_of((3_000, 12_000))
    suffix = trial.one_of(("txt", "shp", "gpkg"))
    with zipfile.ZipFile(path, "w") as new:
        for i in range(n):
            new.writestr(f"{i}.{suffix}", b"")


def twice(trial, path, parts):
    """The same name twice, with other content."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with zipfile.ZipFile(path, "w") as new:
            for name, data in parts.items():
                new.writestr(name, data)
                new.writestr(name, data[::-1])


def lacking(trial, path, parts):
    """A part is gone, empty, or in another folder."""
    name = trial.one_of(parts)
    way = trial.below(3)
    changed = {one: data for one, data in parts.items() if one != name}
    if way:
        changed[name if way == 1 else f"elsewhere/{name}"] = b"" if way == 1 else parts[name]
    _write(path, changed)


def long_names(trial, path, parts):
    """Names of thousands of characters, or with characters that end lines."""
    prefix = trial.one_of(("x" * 5000, "a/" * 800, "line\nbreak", "\x1b[2J", "{0}%s", "é" * 100))
    _write(path, {prefix + name: data for name, data in parts.items()})


def odd_method(trial, path, parts):
    """A way of packing that nobody knows."""
    data = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        at = data.find(mark)
        while at >= 0:
            struct.pack_into("<H", data, at + offset, trial.one_of((9, 12, 14, 97, 99, 65535)))
            at = data.find(mark, at + 4)
    path.write_bytes(data)


MENU = (
    bomb,
    bomb,
    lie_about_size,
    lie_about_size,
    names_outside,
    links,
    locked,
    nested,
    crowd,
    twice,
    lacking,
    long_names,
    odd_method,
)
