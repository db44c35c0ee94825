"""Mutations of elevation rasters: sizes, places, tags, cells, text grids, and descriptions of other files."""

from __future__ import annotations

import math
import struct

import numpy as np
import rasterio
from affine import Affine

DIMENSIONS = (1, 2, 2**15, 2**20, 2**24, 2**30, 2**31 - 1)


def _write(path, z, transform, **more):
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(
            path,
            "w",
            **{
                "driver": "GTiff",
                "height": z.shape[-2],
                "width": z.shape[-1],
                "count": 1,
                "dtype": z.dtype,
                "crs": "EPSG:26915",
                "transform": transform,
                **more,
            },
        ) as file:
            file.write(z, 1)


def odd_cells(trial):
    """Heights that are not-a-number, infinite, huge; one cell or all; in every type of number."""
    trial.town()
    with rasterio.open(trial.inputs / "elevation.tif") as file:
        z, transform = file.read(1).astype("float64"), file.transform
    value = trial.one_of((math.nan, math.inf, -math.inf, 1e300, 1e29, -9999.0, 1e6, -1e6, 0.0))
    where = trial.one_of(("all", "half", "dots", "stripes", "one"))
    if where == "all":
        z[:] = value
    elif where == "half":
        z[: z.shape[0] // 2] = value
    elif where == "dots":
        z[trial.rng.random(z.shape) < 0.2] = value
    elif where == "stripes":
        z[:, ::7] = value
    else:
        z[60, 40] = value
    dtype = trial.one_of(("float32", "float64", "int16", "uint8", "int32", "uint32", "complex64", "float64"))
    trial.say(f"cells {where} {value} {dtype}")
    with np.errstate(all="ignore"):
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            z = z.astype(dtype)
    _write(trial.inputs / "elevation.tif", z, transform, nodata=trial.one_of((None, None, 0)))
    trial.screen()


def odd_place(trial):
    """A raster that lies nowhere, turned, of cells of no size, in other systems, of other bands."""
    trial.town()
    with rasterio.open(trial.inputs / "elevation.tif") as file:
        z, good = file.read(1), file.transform
    numbers = (0.0, -1.0, 1e-300, 1e300, math.nan, math.inf, 1e-6, 1e6, 4.9e5)
    part = trial.one_of("acef")
    odd = {"a": good.a, "b": 0.0, "c": good.c, "d": 0.0, "e": good.e, "f": good.f, part: trial.one_of(numbers)}
    if trial.chance(0.2):
        odd["b"] = trial.one_of(numbers)
    crs = trial.one_of(
        (
            "EPSG:26915",
            "EPSG:26915",
            "EPSG:4326",
            "EPSG:3857",
            "EPSG:4979",
            None,
            "EPSG:4978",
            "EPSG:6697",
            "EPSG:5703",
            "EPSG:2027",
        )
    )
    trial.say(f"place {part}={odd[part]} {crs}")
    _write(trial.inputs / "elevation.tif", z, Affine(*(odd[k] for k in "abcdef")), crs=crs)
    trial.screen()


def huge_raster(trial):
    """A raster of a billion cells of which none is written, or one whose header says so."""
    trial.town()
    path = trial.inputs / "elevation.tif"
    with rasterio.open(path) as file:
        good = file.transform
    if trial.chance(0.5):
        side = trial.one_of((50_000, 200_000, 1_000_000))
        cell = trial.one_of((1.0, 1e-3, 130.0 / side))
        trial.say(f"sparse raster {side} wide, cell {cell}")
        path.unlink()
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            height=side,
            width=side,
            count=1,
            dtype="float32",
            crs="EPSG:26915",
            transform=Affine(cell, 0, good.c, 0, -cell, good.f),
            tiled=True,
            blockxsize=4096,
            blockysize=4096,
            SPARSE_OK="TRUE",
            BIGTIFF="YES",
        ):
            pass
    else:
        _set_tags(trial, path, {256: trial.one_of(DIMENSIONS), 257: trial.one_of(DIMENSIONS)})
    trial.screen()


def tags_of_a_tiff(trial):
    """Single tags of a TIFF set to what they can't be."""
    trial.town(elevation=trial.one_of(("elevation.tif", "tiled.tif")))
    path = next(trial.inputs.glob("*.tif"))
    _set_tags(trial, path, {})
    trial.screen()
    if trial.chance(0.2):
        trial.start("parcels.gpkg", elevation=path.name)


def _set_tags(trial, path, wanted):
    """Overwrite values of tags of the first directory of a little-endian TIFF."""
    data = bytearray(path.read_bytes())
    at = struct.unpack_from("<I", data, 4)[0]
    entries = [at + 2 + 12 * i for i in range(struct.unpack_from("<H", data, at)[0])]
    if not wanted:
        chosen = [trial.one_of(entries) for _ in range(1 + trial.below(2))]
        values = (0, 1, 2, 3, 7, 255, 65535, 2**31 - 1, 2**32 - 1, 12345)
        for entry in chosen:
            field = trial.one_of((0, 2, 4, 8, 8, 8))
            trial.say(f"tag {struct.unpack_from('<H', data, entry)[0]} field {field}")
            if field in {0, 2}:
                struct.pack_into("<H", data, entry + field, trial.one_of(values) % 65536)
            else:
                struct.pack_into("<I", data, entry + field, trial.one_of(values))
    for entry in entries:
        tag = struct.unpack_from("<H", data, entry)[0]
        if tag in wanted:
            trial.say(f"tag {tag} = {wanted[tag]}")
            struct.pack_into("<HII", data, entry + 2, 4, 1, wanted[tag])
    path.write_bytes(data)


def text_grid(trial):
    """An ASCII grid with headers and cells out of measure."""
    trial.town(elevation="elevation.asc")
    trial.take("elevation.prj")
    path = trial.inputs / "elevation.asc"
    lines = path.read_text().split("\n")
    odd = (
        "0",
        "-1",
        "nan",
        "inf",
        "1e300",
        "1e-300",
        "99999999999",
        "2147483647",
        "50000",
        "x",
        "",
        "1e5",
        "0x10",
        "1" * 10_000,
        "\x00",
        "-0",
        "1 2 3",
    )
    way = trial.below(8)
    trial.say(f"grid, way {way}")
    if way < 4:
        for _ in range(1 + trial.below(2)):
            row = trial.below(6)
            lines[row] = f"{lines[row].split(' ')[0]} {trial.one_of(odd)}"
    elif way == 4:
        lines[10] = " ".join(trial.one_of(odd) for _ in range(trial.one_of((1, 130, 100_000))))
    elif way == 5:
        lines = lines[: 6 + trial.below(100)]
    elif way == 6:
        trial.rng.shuffle(lines[:6])
        lines.insert(trial.below(6), trial.one_of(("", "ncols 7", "dx 1\ndy 2", "byteorder LSBFIRST", "# grid")))
    else:
        lines = [" ".join(lines[6:]) * 3]
    path.write_text("\n".join(lines), encoding="utf-8")
    trial.screen()


def foreign_raster(trial):
    """A raster that describes other files, code or the network, under a familiar name."""
    good = trial.good / "elevation.tif"
    url = f"http://127.0.0.1:{trial.port}/elevation.tif"
    band = "<VRTRasterBand dataType='Float32' band='1'"
    place = "<SRS>EPSG:26915</SRS><GeoTransform>479980,1,0,4980100,0,-1</GeoTransform>"
    head = f"<VRTDataset rasterXSize='130' rasterYSize='120'>{place}"
    python = (
        f"{head}{band} subClass='VRTDerivedRasterBand'><PixelFunctionType>f</PixelFunctionType>"
        "<PixelFunctionLanguage>Python</PixelFunctionLanguage><PixelFunctionCode><![CDATA[\nimport os\n"
        f"open({str(trial.folder / 'escape')!r}, 'w').write('x')\ndef f(*a, **k): pass\n]]></PixelFunctionCode>"
    )

    def source(name, relative="0"):
        return f"<SimpleSource><SourceFilename relativeToVRT='{relative}'>{name}</SourceFilename></SimpleSource>"

    menu = {
        "good VRT": f"{head}{band}>{source(good)}</VRTRasterBand></VRTDataset>",
        "VRT to the network": f"{head}{band}>{source('/vsicurl/' + url)}</VRTRasterBand></VRTDataset>",
        "VRT to itself": f"{head}{band}>{source('elevation.tif', '1')}</VRTRasterBand></VRTDataset>",
        "VRT upwards": f"{head}{band}>{source('../../../../../etc/passwd', '1')}</VRTRasterBand></VRTDataset>",
        "VRT to a device": f"{head}{band}>{source('/dev/zero')}</VRTRasterBand></VRTDataset>",
        "VRT without source": f"{head}{band}>{source('nowhere.tif', '1')}</VRTRasterBand></VRTDataset>",
        "VRT with code": f"{python}{source(good)}</VRTRasterBand></VRTDataset>",
        "huge VRT": f"{head}{band}>{source(good)}</VRTRasterBand></VRTDataset>".replace("'130'", "'2000000000'"),
        "nested VRT": "<VRTDataset>" * 20_000,
        "WMS": f"<GDAL_WMS><Service name='TMS'><ServerUrl>{url}?${{z}}/${{x}}/${{y}}</ServerUrl></Service><DataWindow>"
        "<UpperLeftX>479980</UpperLeftX><UpperLeftY>4980100</UpperLeftY><LowerRightX>480110</LowerRightX><LowerRightY>"
        "4979980</LowerRightY><SizeX>130</SizeX><SizeY>120</SizeY></DataWindow><Projection>EPSG:26915</Projection>"
        "<BandsCount>1</BandsCount><DataType>Float32</DataType></GDAL_WMS>",
        "WCS": f"<WCS_GDAL><ServiceURL>{url}</ServiceURL><CoverageName>a</CoverageName></WCS_GDAL>",
        "an address": url,
        "raw": "ENVI\nsamples = 1000000\nlines = 1000000\nbands = 1\ndata type = 4\n",
        "XYZ": "\n".join(f"{x} {y} 1" for y in range(3) for x in range(3)),
        "noise": "P5 99999 99999 255\n",
    }
    name = trial.one_of(menu)
    file = f"elevation.{trial.one_of(('tif', 'tif', 'vrt', 'asc', 'img', 'xyz', 'txt'))}"
    trial.say(f"{file} is {name}")
    trial.town(elevation=file)
    (trial.inputs / file).write_text(menu[name])
    trial.screen()
    if trial.chance(0.2):
        trial.start("parcels.gpkg", elevation=file)


def beside_the_raster(trial):
    """Files beside a raster that speak for it: statistics, world files, overviews."""
    trial.town()
    inputs = trial.inputs
    name = trial.one_of(
        (
            "elevation.tif.aux.xml",
            "elevation.tfw",
            "elevation.tif.ovr",
            "elevation.tif.msk",
            "elevation.wld",
            "elevation.prj",
            "elevation.IMD",
            "elevation_RPC.TXT",
        )
    )
    text = trial.one_of(
        (
            "",
            "x" * 100_000,
            "<PAMDataset>" * 5000,
            "0\n0\n0\n0\n0\n0\n",
            "1e300\n0\n0\n-1e300\nnan\ninf\n",
            "<PAMDataset><SRS>EPSG:2027</SRS><GeoTransform>1,2,3,4,5,6</GeoTransform></PAMDataset>",
            (
                "<PAMDataset><PAMRasterBand band='1'><Scale>1e300</Scale><Offset>nan</Offset><UnitType>league"
                "</UnitType><NoDataValue>x</NoDataValue></PAMRasterBand></PAMDataset>"
            ),
        )
    )
    trial.say(f"{name} beside the raster")
    (inputs / name).write_text(text)
    trial.screen()
