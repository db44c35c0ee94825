"""Bringing geometries, coordinates and boxes from one system into another."""

from __future__ import annotations

import warnings
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from pyproj.transformer import AreaOfInterest, TransformerGroup

from screening.crs.system import describe, horizontal, length_unit, metric_twin, network_off, same_crs, transformer
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

    def geometries(self, geometry: GeometryArray, where: str = "the layer") -> GeometryArray:
        """Transform geometries, drop Z and M, and round coordinates to 1e-5 of the unit of `dst`.

        Parameters
        ----------
        geometry : ndarray of shapely geometries, shape (n,)
            In `src`; None and empty geometries are left as they are.
        where : str
            Name of the file or layer, for the message.

        Returns
        -------
        ndarray of shapely geometries, shape (n,)

        Raises
        ------
        CRSError
            If a coordinate is not finite afterwards; the message names the first such record.
        """
        flat: GeometryArray = np.asarray(shapely.force_2d(geometry), dtype=object)
        coords, owner = shapely.get_coordinates(flat, return_index=True)
        if not len(coords):
            return flat
        x, y = self.xy(coords[:, 0], coords[:, 1])
        finite = np.isfinite(x) & np.isfinite(y)
        if not finite.all():
            first = int(np.argmin(finite))
            msg = (
                f"{where}: record {int(owner[first]) + 1} has coordinates "
                f"({coords[first, 0]:.6g}, {coords[first, 1]:.6g}) that {describe(self.src)} can't "
                f"bring to {describe(self.dst)}; the file is probably in another system: state it "
                "under [inputs.crs]."
            )
            raise CRSError(msg)
        # Adding 0.0 turns -0.0 into 0.0, which would otherwise differ in the output's bytes.
        new = np.round(np.column_stack((x, y)), COORDINATE_DECIMALS) + 0.0
        moved: GeometryArray = shapely.set_coordinates(flat.copy(), new)
        return moved

    def bounds(self, bounds: Bounds, *, inverse: bool = False) -> Bounds:
        """Transform a box; its edges are densified so that nothing inside is left out."""
        if self.scale is not None:
            factor = 1.0 / self.scale if inverse else self.scale
            west, south, east, north = (v * factor for v in bounds)
            return west, south, east, north
        one = transformer(self.dst, self.src) if inverse else self._forward
        return one.transform_bounds(*bounds, densify_pts=41)

    def accuracy_note(self, lonlat_bounds: Bounds | None = None) -> str:
        """Sentence about a rough or crippled datum shift, or ``""``.

        Notes
        -----
        Official grids of differences between old and new datums are not shipped with this program
        and are never fetched.  Where the best operation needs one, positions may be metres off.
        """
        if self.scale is not None:
            return ""
        network_off()
        area = AreaOfInterest(*lonlat_bounds) if lonlat_bounds else None
        with warnings.catch_warnings():
            # PROJ's warning names a grid file; the sentence below says what it means.
            warnings.simplefilter("ignore", UserWarning)
            group = TransformerGroup(self.src, self.dst, always_xy=True, area_of_interest=area)
        best = group.transformers[0].accuracy if group.transformers else -1.0
        lost = [op.accuracy for op in group.unavailable_operations if op.accuracy >= 0]
        rough = best < 0 or (bool(lost) and min(lost) < best and best > ROUGH_ACCURACY_M)
        if not rough:
            return ""
        how = "of unknown accuracy" if best < 0 else f"good to about {best:g} m"
        return (
            f"Bringing {describe(self.src)} to {describe(self.dst)} is {how} without PROJ's grid "
            "files; give all layers on the same datum to avoid this."
        )
