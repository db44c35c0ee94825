"""Calls into GDAL's vector side, whose complaints become sentences."""

from __future__ import annotations

import logging
import os
import re
import warnings
from typing import TYPE_CHECKING, Any, Final

from screening.errors import InputError
from screening.foreign import kept_out

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

logger = logging.getLogger(__name__)

OFFLINE: Final = {
    "GDAL_HTTP_PROXY": "http://0.0.0.0:0",
    "GDAL_HTTPS_PROXY": "http://0.0.0.0:0",
    "GDAL_HTTP_MAX_RETRY": "0",
}
"""Settings of GDAL under which it reaches no server."""

LONGEST_REASON: Final = 120
"""Characters of a library's message after which only its last clause is shown."""


def call_gdal(path: Path, call: Callable[[], Any]) -> Any:
    """Run a pyogrio call; what GDAL can't do becomes one sentence, what it mutters goes to the log.

    Raises
    ------
    InputError
        If the file can't be opened or read.
    """
    from pyarrow import ArrowException  # noqa: PLC0415 - heavy
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError  # noqa: PLC0415

    keep_gdal_in()
    try:
        with warnings.catch_warnings(record=True) as caught, kept_out(with_folders=False):
            warnings.simplefilter("always")
            result = call()
    except (
        DataLayerError,
        DataSourceError,
        FeatureError,
        FieldError,
        GeometryError,
        ArrowException,
        OSError,
    ) as error:
        msg = f"{path.name} can't be read ({first_sentence(error)}); check that the file is complete and of its kind."
        raise InputError(msg, code="file_unreadable") from error
    except UnicodeDecodeError as error:
        msg = f"{path.name} has names of fields or layers that aren't UTF-8 text; export the file again as UTF-8."
        raise InputError(msg, code="file_unreadable") from error
    except UnboundLocalError as error:
        # pyogrio 0.13 stumbles over a definition that isn't text, before it can say so itself.
        msg = f"{path.name} names a coordinate system that can't be understood; mend its .prj file, or export it again."
        raise InputError(msg, code="crs_unknown") from error
    for warning in caught:
        logger.info("%s: %s", path.name, warning.message)
    return result


def keep_gdal_in() -> None:
    """Keep GDAL's vector side off the network and off the terminal, whatever a file asks for.

    A GeoJSON may name a server for its coordinate system; with a proxy that can't be, nothing is fetched. What GDAL
    says comes as an exception, or goes to the log; what it prints besides has no place among a person's messages.
    """
    import pyogrio  # noqa: PLC0415 - heavy

    pyogrio.set_gdal_config_options({**OFFLINE, "CPL_LOG": os.devnull})


def first_sentence(error: BaseException) -> str:
    """First sentence of a library's message, without line breaks and advice about its own options."""
    text = " ".join(str(error).split()).split("; It might help")[0]
    text = re.split(r"[.!]\s+(?=[A-Z])", text)[0].strip()
    # SQLite repeats its query before it says what is wrong.
    return (text.split("; ")[-1] if len(text) > LONGEST_REASON else text).rstrip(".;") or type(error).__name__
