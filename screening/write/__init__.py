"""The one writer of the result: a GeoPackage that is whole, or not there at all."""

from screening.write.destination import check_output
from screening.write.package import write_package

__all__ = ["check_output", "write_package"]
