"""A raster file: its header, and blocks of its own cells."""

from __future__ import annotations

import logging
import os
import warnings
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError

from screening.errors import CRSError, InputError
from screening.foreign import DATA_FOLDERS, kept_out
from screening.paths import why_unreadable
from screening.raster.text_grid import DRIVERS, check_text_grid_whole
from screening.raster.virtual import check_virtual

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    Bounds = tuple[float, float, float, float]

logger = logging.getLogger(__name__)

FORMATS: Final = (
    "GTiff", "VRT", "AAIGrid", "GRASSASCIIGrid", "AIG", "HFA", "EHdr", "ENVI", "GSAG", "GSBG", "GS7BG", "SAGA", "BT",
    "USGSDEM", "DTED", "SRTMHGT", "JP2OpenJPEG", "PCIDSK", "ERS", "RST", "ILWIS", "XYZ", "GPKG", "PNG",
)  # fmt: skip
"""GDAL's names of the formats that are opened: grids in files. Those that fetch from servers or gather other files are
not among them, for a file may be one of them under any name."""

NO_PROXY: Final = "http://0.0.0.0:0"
"""A proxy that can't be: whatever a file asks for, GDAL fetches nothing."""

IMPOSSIBLE_HEIGHT: Final = 1e30
"""Any larger number is a filler of floating-point rasters (-3.4e38 and the like), in any unit."""

_NODATA_REL: Final = 1e-6  # float32 fillers are often written with fewer digits than they have


@contextmanager
def _own_gdal() -> Iterator[Any]:
    """Give rasterio with the data files of its own wheel, whatever the environment names.

    Another program's ``PROJ_LIB`` makes GDAL lose vertical units without a word.  rasterio looks at
    the environment whenever it opens its own, so the foreign names are hidden from it meanwhile.
    Installations whose packages bring no data files (conda) keep theirs.
    """
    folders = {name: os.environ[name] for name in DATA_FOLDERS if name in os.environ}
    with kept_out():
        import rasterio  # noqa: PLC0415 - heavy, and to be imported without the foreign names
        from rasterio.env import GDALDataFinder, PROJDataFinder, set_proj_data_search_path  # noqa: PLC0415

        proj_data, gdal_data = PROJDataFinder().search_wheel(), GDALDataFinder().search_wheel()
        if not proj_data:
            os.environ.update(folders)
        elif folders:
            set_proj_data_search_path(proj_data)
        options = {"GDAL_DATA": gdal_data} if gdal_data else {}
        with rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="FALSE", GDAL_HTTP_PROXY=NO_PROXY, **options):
            yield rasterio


@contextmanager
def open_raster(path: Path) -> Iterator[Any]:
    """Open a raster for reading; whatever GDAL can't do becomes one sentence.

    Raises
    ------
    InputError
        If the file is missing, no raster, or breaks off while it is read.
    """
    wrong = why_unreadable(path, may_be_folder=True)
    if wrong:
        msg = f"{path} {wrong}; check elevation under [inputs]."
        raise InputError(msg, code="file_missing")
    check_virtual(path)
    with _own_gdal() as rasterio:
        try:
            with warnings.catch_warnings():
                # A raster without a place is told by whoever needs one.
                warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
                dataset = rasterio.io.DatasetReader(str(path), driver=list(FORMATS))
            with dataset:
                yield dataset
        except rasterio.errors.RasterioIOError as error:
            reason = str(error.__cause__ or error).strip().rstrip(".").replace("\n", " ")
            msg = (
                f"{path.name} can't be read as an elevation raster ({reason}); check that the file "
                "is complete and is a GeoTIFF, VRT or ASCII grid."
            )
            raise InputError(msg, code="file_unreadable") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterPiece:
    """A file of a mosaic: where its cells lie in the common grid, and how they become heights.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    row, col : int
        Place of its north-west cell in the common grid.
    height, width : int
        Rows and columns.
    runs_north : bool
        Whether the file's first row is its southernmost.
    band_scale, band_offset : float
        Height = raw x scale + offset, in the band's unit.
    files : tuple of pathlib.Path
        Every file it is made of.
    """

    path: Path
    row: int
    col: int
    height: int
    width: int
    runs_north: bool
    band_scale: float
    band_offset: float
    files: tuple[Path, ...] = field(default=(), repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterHeader:
    """What a raster file, or a mosaic of several, says about itself.

    Attributes
    ----------
    path : pathlib.Path
        The file; of a mosaic the folder, or the first file of the list.
    files : tuple of pathlib.Path
        Every file it is made of (a VRT's sources, world files, the tiles of a mosaic).
    crs : pyproj.CRS or None
        Its CRS with the vertical part, if it has one.
    x_step, y_step : float
        Cell size [CRS unit]; `y_step` is negative for rows that run south.
    x0, y0 : float
        Outer corner of the first cell of the first row [CRS unit].
    width, height : int
        Columns and rows.
    is_rotated : bool
        Whether rows are not parallel to the x axis.
    has_place : bool
        Whether the file says where it lies.
    n_bands : int
        Number of bands.
    dtype, band_unit : str
        Of the first band.
    band_scale, band_offset : float
        Height = raw x scale + offset, in the band's unit.
    nodata : float or None
        Declared filler value; a mosaic has none, for every file keeps its own.
    pieces : tuple of RasterPiece
        Files of a mosaic in the order in which they count; empty for a single file.
    label : str
        Name for messages and the record, where it isn't the file's.
    """

    path: Path
    files: tuple[Path, ...]
    crs: CRS | None
    x_step: float
    y_step: float
    x0: float
    y0: float
    width: int
    height: int
    is_rotated: bool
    has_place: bool
    n_bands: int
    dtype: str
    band_unit: str
    band_scale: float
    band_offset: float
    nodata: float | None
    pieces: tuple[RasterPiece, ...] = field(default=(), repr=False)
    label: str = ""

    @property
    def name(self) -> str:
        """Name for people: the file's, or the mosaic's."""
        return self.label or self.path.name

    @property
    def bounds(self) -> Bounds:
        """West, south, east, north [CRS unit]."""
        other_x = self.x0 + self.width * self.x_step
        other_y = self.y0 + self.height * self.y_step
        return min(self.x0, other_x), min(self.y0, other_y), max(self.x0, other_x), max(self.y0, other_y)

    @property
    def known_crs(self) -> CRS:
        """The CRS.

        Raises
        ------
        CRSError
            If the file names none.
        """
        if self.crs is None:
            msg = f'{self.name} names no coordinate system; write it as elevation = "EPSG:..." under [inputs.crs].'
            raise CRSError(msg, code="crs_missing")
        return self.crs


def read_header(path: Path) -> RasterHeader:
    """Look at a raster file without reading its cells.

    Raises
    ------
    InputError
        If it can't be opened as a raster.
    """
    with open_raster(path) as dataset:
        if dataset.driver in DRIVERS:
            check_text_grid_whole(path, dataset.width * dataset.height)
        transform = dataset.transform
        crs: CRS | None = None
        if dataset.crs:
            try:
                crs = CRS.from_wkt(dataset.crs.to_wkt())
            except ProjCRSError:
                logger.warning("%s: its coordinate system can't be understood", path.name)
        return RasterHeader(
            path=path,
            files=tuple(sorted({path, *(Path(name) for name in dataset.files)})),
            crs=crs,
            x_step=transform.a,
            y_step=transform.e,
            x0=transform.c,
            y0=transform.f,
            width=dataset.width,
            height=dataset.height,
            is_rotated=bool(transform.b or transform.d or transform.a < 0),
            has_place=not transform.is_identity,
            n_bands=dataset.count,
            dtype=dataset.dtypes[0],
            band_unit=dataset.units[0] or "",
            band_scale=dataset.scales[0],
            band_offset=dataset.offsets[0],
            nodata=dataset.nodata,
        )


def read_heights(
    header: RasterHeader,
    nodata: tuple[float, ...],
    rows: tuple[int, int],
    cols: tuple[int, int],
    *,
    out_shape: tuple[int, int] | None = None,
) -> FloatArray:
    """Read a block of the file's own cells, row 0 = north.

    Parameters
    ----------
    header : RasterHeader
        The file, or a mosaic.
    nodata : tuple of float
        Raw values to turn into NaN, beside the declared one.
    rows, cols : tuple of int
        Half-open ranges inside the raster, rows counted from the north.
    out_shape : tuple of int, optional
        Fewer rows and columns: every n-th cell is taken, nothing is averaged.

    Returns
    -------
    ndarray of float64, shape (rows, cols)
        Heights in the band's unit, NaN where nothing is known.

    Raises
    ------
    InputError
        If the file breaks off or can't be decoded there.
    """
    if header.pieces:
        return _read_pieces(header, nodata, rows, cols, out_shape)
    return read_piece(_whole(header), nodata, rows, cols, out_shape)


def _whole(header: RasterHeader) -> RasterPiece:
    """A single file as the only piece of its grid."""
    return RasterPiece(
        path=header.path,
        row=0,
        col=0,
        height=header.height,
        width=header.width,
        runs_north=header.y_step > 0,
        band_scale=header.band_scale,
        band_offset=header.band_offset,
    )


def _read_pieces(
    header: RasterHeader,
    nodata: tuple[float, ...],
    rows: tuple[int, int],
    cols: tuple[int, int],
    out_shape: tuple[int, int] | None,
) -> FloatArray:
    """Read a block of a mosaic: the first piece that knows a height gives it."""
    n_rows, n_cols = rows[1] - rows[0], cols[1] - cols[0]
    shape = out_shape or (n_rows, n_cols)
    z = np.full(shape, np.nan)
    for piece in header.pieces:
        top, bottom = max(rows[0], piece.row), min(rows[1], piece.row + piece.height)
        left, right = max(cols[0], piece.col), min(cols[1], piece.col + piece.width)
        if top >= bottom or left >= right:
            continue
        r = [(edge - rows[0]) * shape[0] // n_rows for edge in (top, bottom)]
        c = [(edge - cols[0]) * shape[1] // n_cols for edge in (left, right)]
        part = z[r[0] : r[1], c[0] : c[1]]
        lacking = np.isnan(part)
        if not lacking.any():
            continue
        in_piece = (top - piece.row, bottom - piece.row), (left - piece.col, right - piece.col)
        block = read_piece(piece, nodata, *in_piece, None if out_shape is None else part.shape)
        part[lacking] = block[lacking]
    return z


def read_piece(
    piece: RasterPiece,
    nodata: tuple[float, ...],
    rows: tuple[int, int],
    cols: tuple[int, int],
    out_shape: tuple[int, ...] | None = None,
) -> FloatArray:
    """Read a block of one file, rows and columns counted from its own north-west cell; see `read_heights`."""
    file_rows = (piece.height - rows[1], piece.height - rows[0]) if piece.runs_north else rows
    with open_raster(piece.path) as dataset:
        masked = dataset.read(1, window=(file_rows, cols), masked=True, out_shape=out_shape)
    raw: FloatArray = masked.data.astype(np.float64)
    # whole windows are gone through: every array that need not be made anew counts
    missing = np.abs(raw) < IMPOSSIBLE_HEIGHT
    np.logical_not(missing, out=missing)
    missing |= masked.mask
    for value in nodata:
        missing |= np.abs(raw - value) <= _NODATA_REL * abs(value)
    z = raw
    if piece.band_scale != 1.0:
        z *= piece.band_scale
    if piece.band_offset != 0.0:
        z += piece.band_offset
    z[missing] = np.nan
    return z[::-1] if piece.runs_north else z
