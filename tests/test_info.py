"""``screening info``: what is loaded and what it means; and settings of other programs that change nothing."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner
from made_files import SOUTH_M, WEST_M, make_city, parcels_frame, plane, write_frame, write_raster

import screening
from screening.cli.main import main
from screening.foreign import HIDDEN, OBEYED, kept_out


def info(monkeypatch, **settings):
    """Data and text of the command under some settings, without those of the machine."""
    for name in (*HIDDEN, *OBEYED):
        monkeypatch.delenv(name, raising=False)
    for name, value in settings.items():
        monkeypatch.setenv(name, value)
    data = json.loads(CliRunner().invoke(main, ["info", "--json"]).output)
    return data, CliRunner().invoke(main, ["info"]).output


def test_versions_and_every_gdal(monkeypatch):
    data, text = info(monkeypatch)
    assert data["versions"]["screening"] == screening.__version__
    for name, version in data["versions"].items():
        assert re.search(rf"^{re.escape(name)} +{re.escape(version)}$", text, re.MULTILINE)
    libraries = {(one["name"], one["package"]): one for one in data["libraries"]}
    assert set(libraries) == {("GDAL", "pyogrio"), ("GDAL", "rasterio"), ("GDAL", "fiona"), ("PROJ", "pyproj")}
    for (name, package), one in libraries.items():
        assert f"{name} {one['version']} of {package} " in text
        assert one["data"]
    assert re.fullmatch(r"v[0-9.]+", libraries["PROJ", "pyproj"]["epsg"])


def test_nothing_to_mend_says_so(monkeypatch):
    data, text = info(monkeypatch)
    assert data["settings"] == []
    assert "None that GDAL, PROJ or the compiler would see." in text
    assert data["problems"] == []
    assert text.rstrip().endswith("Nothing.")


def test_settings_are_told_with_what_they_do(monkeypatch):
    data, text = info(monkeypatch, PROJ_LIB="/elsewhere", GDAL_SKIP="GPKG", OGR_OWN="1", GDAL_CACHEMAX="64")
    effects = {one["name"]: one["effect"] for one in data["settings"]}
    assert effects == {"PROJ_LIB": "ignored", "GDAL_SKIP": "obeyed", "OGR_OWN": "obeyed", "GDAL_CACHEMAX": "obeyed"}
    assert [problem.split(":")[0] for problem in data["problems"]] == ["GDAL_SKIP is set"]
    assert "PROJ_LIB=/elsewhere" in text
    assert "loses coordinate systems" in text


def test_every_line_fits_a_terminal(monkeypatch):
    _, text = info(monkeypatch, SHAPE_ENCODING="CP437", NUMBA_DISABLE_JIT="1")
    assert max(map(len, text.splitlines())) <= 110


def test_settings_come_back_after_an_error(monkeypatch):
    monkeypatch.setenv("SHAPE_ENCODING", "CP437")
    monkeypatch.setenv("GDAL_DATA", "/elsewhere")

    def look():
        with kept_out():
            assert "SHAPE_ENCODING" not in os.environ
            assert "GDAL_DATA" not in os.environ
            raise KeyError

    with pytest.raises(KeyError):
        look()
    assert (os.environ["SHAPE_ENCODING"], os.environ["GDAL_DATA"]) == ("CP437", "/elsewhere")
    with kept_out(with_folders=False):
        assert os.environ["GDAL_DATA"] == "/elsewhere"


READ = """
import hashlib, sys
from pathlib import Path
from screening.params import load_params
from screening.read import read_city
folder = Path(sys.argv[1])
got = read_city(load_params(None, {
    "inputs.parcels": folder / "lots.shp", "inputs.buildings": folder / "buildings.gpkg",
    "inputs.elevation": folder / "heights.tif", "fields.parcel_id": "PIN"}))
z = got.elevation.read(got.elevation.bounds_m)
print(ascii((got.crs.to_authority(), got.parcels.parcel_id.tolist(), got.elevation.z_factor, got.elevation.x0_m,
      hashlib.sha256(z.z_m.tobytes()).hexdigest(), got.notes)))
"""


def test_foreign_settings_change_nothing(tmp_path):
    """The same city under the settings that a desktop program or a database might leave."""
    make_city(tmp_path)
    frame = parcels_frame()
    frame["PIN"] = [f"Łódź {k}" for k in range(9)]
    write_frame(frame, tmp_path / "lots.shp", encoding="utf-8")
    place = {"west": WEST_M - 20, "north": SOUTH_M + 110, "cell": 1.0}
    # their unit stands in the vertical part of the system only
    write_raster(tmp_path / "heights.tif", plane(130, 130, base=800), **place, crs="EPSG:26915+6360", tiled=True)
    (tmp_path / "foreign").mkdir()
    (tmp_path / "foreign" / "proj.db").write_bytes(b"")

    def read(**settings):
        plain = {name: value for name, value in os.environ.items() if name not in HIDDEN}
        done = subprocess.run(
            [sys.executable, "-c", READ, str(tmp_path)],
            env={**plain, **settings}, capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    folder = str(tmp_path / "foreign")
    foreign = read(
        PROJ_LIB=folder, PROJ_DATA=folder, GDAL_DATA=folder, PROJ_NETWORK="ON", SHAPE_ENCODING="CP437",
        GTIFF_REPORT_COMPD_CS="NO", GTIFF_POINT_GEO_IGNORE="TRUE", GDAL_PAM_ENABLED="NO",
    )  # fmt: skip
    assert foreign == read()
    assert "0.3048" in foreign
