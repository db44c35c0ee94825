"""Virtual rasters (VRT): a text that names other files, which GDAL would open whatever they are."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from screening.errors import InputError
from screening.paths import why_unreadable

_SOURCE: Final = re.compile(
    rb"<(?:SourceFilename|SourceDataset)(?P<how>[^>]*)>(?P<name>[^<]*)</(?:SourceFilename|SourceDataset)>"
)
_CODE: Final = re.compile(rb"<PixelFunctionLanguage>\s*Python", re.IGNORECASE)
_ENTITIES: Final = ((b"&amp;", b"&"), (b"&lt;", b"<"), (b"&gt;", b">"), (b"&quot;", b'"'), (b"&apos;", b"'"))
_MARK: Final = b"\xef\xbb\xbf"

LARGEST_B: Final = 64_000_000
"""A longer text is no list of tiles."""

DEEPEST: Final = 4
"""Virtual rasters made of virtual rasters made of ..."""


def check_virtual(path: Path, depth: int = 0) -> None:
    """Refuse a virtual raster that names anything but grids in files, however deep; let everything else pass.

    Parameters
    ----------
    path : pathlib.Path
        A raster file, or a folder.
    depth : int
        How many virtual rasters lead to it.

    Raises
    ------
    InputError
        If it names a server, a device or a file that isn't there, holds code, or is a description of another kind.
    """
    if path.is_dir() or path.stat().st_size == 0:
        return
    try:
        with path.open("rb") as file:
            if not file.read(1024).removeprefix(_MARK).lstrip().startswith(b"<"):
                return
            file.seek(0)
            text = file.read(LARGEST_B + 1)
    except OSError as error:
        msg = f"{path.name} can't be read ({error.strerror or error}); check the file and its permissions."
        raise InputError(msg, code="file_unreadable") from error
    if b"<VRTDataset" not in text[:4096]:
        msg = f"{path.name} is no elevation raster but a text of another kind; give a GeoTIFF, VRT or ASCII grid."
        raise InputError(msg, code="file_unreadable")
    if len(text) > LARGEST_B or depth > DEEPEST:
        msg = f"{path.name} is a virtual raster of more layers than one can be made of; give the rasters themselves."
        raise InputError(msg, code="file_unreadable")
    if _CODE.search(text):
        msg = f"{path.name} holds program code, which is never run; give a raster with the heights themselves."
        raise InputError(msg, code="file_unreadable")
    for found in _SOURCE.finditer(text):
        name = found["name"].strip()
        for entity, sign in _ENTITIES:
            name = name.replace(entity, sign)
        source = Path(name.decode("utf-8", "replace"))
        if b'relativeToVRT="1"' in found["how"] or b"relativeToVRT='1'" in found["how"]:
            source = path.parent / source
        # GDAL's own names for what isn't a file (/vsicurl/..., HDF5:"..."...) are no files either.
        wrong = why_unreadable(source, may_be_folder=True)
        if wrong:
            msg = f"{path.name} is made of {source}, which {wrong}; put the rasters where it looks for them."
            raise InputError(msg, code="file_missing")
        check_virtual(source, depth + 1)
