"""Bringing geometries, coordinates and boxes from one system into another."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from pyproj.exceptions import ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from screening.crs.system import (
    describe,
    geodetic,
    horizontal,
    length_unit,
    metric_twin,
    network_off,
    same_crs,
    transformer,
)
from screening.errors import CRSError

if TYPE_CHECKING:
    import numpy.typing as npt
    from pyproj import CRS, Transformer

    FloatArray = npt.NDArray[np.float64]
    GeometryArray = npt.NDArray[np.object_]
    Bounds = tuple[float, float, float, float]

COORDINATE_DECIMALS: Final = 5
"""Coordinates are rounded to 1e-5 m: far below any survey, far above floating-point noise."""

ROUGH_ACCURACY_M: Final = 1.0
"""Datum shifts that are less accurate than this, or of unknown accuracy, are worth a note [m]."""


class Reprojector:
    """Brings coordinates from one CRS into another.

    Where only the length unit differs it is a pure scaling, so that feet and metres give the same
    town; otherwise PROJ's operation, chosen without network access.

    Parameters
    ----------
    src, dst : pyproj.CRS
        Only the horizontal parts count.
    """

    def __init__(self, src: CRS, dst: CRS) -> None:
        self.src = horizontal(src)
        self.dst = horizontal(dst)
        self.scale: float | None = None
        if same_crs(self.src, self.dst):
            self.scale = 1.0
        elif self.src.is_projected and self.dst.is_projected:
            factor = length_unit(self.src)[1]
            if factor != 1.0 and same_crs(metric_twin(self.src), self.dst):
                self.scale = factor

    @cached_property
    def _forward(self) -> Transformer:
        return transformer(self.src, self.dst)

    def xy(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Transform coordinate arrays; what can't be transformed becomes infinite."""
        if self.scale is not None:
            return x * self.scale, y * self.scale
        new_x, new_y = self._forward.transform(x, y)
        return np.asarray(new_x, dtype=np.float64), np.asarray(new_y, dtype=np.float64)

    def geometries(self, geometry: GeometryArray, where: str = "the layer", first: int = 0) -> GeometryArray:
        """Transform geometries, drop Z and M, and round coordinates to 1e-5 of the unit of `dst`.

        Parameters
        ----------
        geometry : ndarray of shapely geometries, shape (n,)
            In `src`; None and empty geometries are left as they are.
        where : str
            Name of the file or layer, for the message.
        first : int
            Number of the first record, from 0, likewise.

        Returns
        -------
        ndarray of shapely geometries, shape (n,)

        Raises
        ------
        CRSError
            If a coordinate is not finite afterwards; the message names the first such record.
        """
        flat: GeometryArray = np.array(geometry, dtype=object)
        is_high = shapely.has_z(flat) | shapely.has_m(flat)
        if is_high.any():
            flat[is_high] = shapely.force_2d(flat[is_high])
        coords, owner = shapely.get_coordinates(flat, return_index=True)
        if not len(coords):
            return flat
        x, y = self.xy(coords[:, 0], coords[:, 1])
        finite = np.isfinite(x) & np.isfinite(y)
        if not finite.all():
            bad = int(np.argmin(finite))
            msg = (
                f"{where}: record {first + int(owner[bad]) + 1} has coordinates "
                f"({coords[bad, 0]:.6g}, {coords[bad, 1]:.6g}) that {describe(self.src)} can't "
                f"bring to {describe(self.dst)}; the file is probably in another system: state it "
                "under [inputs.crs]."
            )
            raise CRSError(msg, code="crs_doubtful")
        # Adding 0.0 turns -0.0 into 0.0, which would otherwise differ in the output's bytes.
        new = np.round(np.column_stack((x, y)), COORDINATE_DECIMALS) + 0.0
        moved: GeometryArray = shapely.set_coordinates(flat, new)
        return moved

    def bounds(self, bounds: Bounds, *, inverse: bool = False) -> Bounds:
        """Transform a box; its edges are densified so that nothing inside is left out."""
        if self.scale is not None:
            factor = 1.0 / self.scale if inverse else self.scale
            west, south, east, north = (v * factor for v in bounds)
            return west, south, east, north
        one = transformer(self.dst, self.src) if inverse else self._forward
        return one.transform_bounds(*bounds, densify_pts=41)

    def step(self, x: float, y: float) -> Step | None:
        """The operation that PROJ takes at a place, None where nothing but the unit changes.

        Parameters
        ----------
        x, y : float
            Place in `src` [its unit].

        Raises
        ------
        CRSError
            If no operation leads from there.
        """
        if self.scale is not None:
            return None
        self._forward.transform(x, y)
        try:
            used = self._forward.get_last_used_operation()
        except ProjError as error:
            msg = (
                f"the place ({x:.6g}, {y:.6g}) of {describe(self.src)} can't be brought to {describe(self.dst)}; the "
                "file is probably in another system: state it under [inputs.crs]."
            )
            raise CRSError(msg, code="crs_doubtful") from error
        lon, lat = transformer(self.src, geodetic(self.src)).transform(x, y)
        network_off()
        area = AreaOfInterest(lon, lat, lon, lat) if np.isfinite(lon) and np.isfinite(lat) else None
        with warnings.catch_warnings():
            # PROJ's warning names a grid file; the note says what it means.
            warnings.simplefilter("ignore", UserWarning)
            group = TransformerGroup(self.src, self.dst, always_xy=True, area_of_interest=area)
        lost = sorted(
            (float(op.accuracy), next((grid.short_name for grid in op.grids), ""))
            for op in group.unavailable_operations
            if op.accuracy >= 0
        )
        better_m, grid = lost[0] if lost else (float("nan"), "")
        name = str(used.description).removeprefix("axis order change (2D) + ")
        return Step(name, float(used.accuracy) if used.accuracy >= 0 else None, grid, better_m)

    def accuracy_note(self, x: float, y: float) -> str:
        """Sentence about a rough or crippled datum shift at a place of `src`, or ``""``.

        Notes
        -----
        Official grids of differences between old and new datums are not shipped with this program
        and are never fetched.  Where the best operation needs one, positions may be metres off.
        """
        step = self.step(x, y)
        if step is None:
            return ""
        has_better = bool(step.grid) and not step.better_m >= (step.accuracy_m or float("inf"))
        if step.accuracy_m is not None and not (has_better and step.accuracy_m > ROUGH_ACCURACY_M):
            return ""
        how = "of unknown accuracy" if step.accuracy_m is None else f"good to about {step.accuracy_m:g} m"
        with_grid = (
            f"; with PROJ's grid file {step.grid}, which is not here, it would be good to {step.better_m:g} m"
            if has_better
            else ""
        )
        return (
            f"Bringing {describe(self.src)} to {describe(self.dst)} is {how}{with_grid}: give all layers on the same "
            "datum to avoid this."
        )


@dataclass(frozen=True, slots=True)
class Step:
    """A change from one CRS to another.

    Attributes
    ----------
    name : str
        PROJ's name of the operation.
    accuracy_m : float or None
        Its stated accuracy [m]; None where PROJ does not know.
    grid : str
        Grid file of the best operation that can't be used for want of it; "" where none is missing.
    better_m : float
        Accuracy of that operation [m].
    """

    name: str
    accuracy_m: float | None
    grid: str
    better_m: float

    @property
    def text(self) -> str:
        """Name and accuracy, for the record."""
        sure = "accuracy unknown" if self.accuracy_m is None else f"accuracy {self.accuracy_m:g} m"
        return f"{self.name}; {sure}"
