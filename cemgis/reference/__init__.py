"""Reference systems: which one coordinates are in, putting them into the ground's grid, and what a mistake costs."""

from cemgis.reference.grid import combined_factor, convergence, declination, scale_factor, suggest
from cemgis.reference.mistakes import explain_shift, say_stakes, stakes
from cemgis.reference.moving import in_area, say_operation, to_grid, to_lonlat
from cemgis.reference.named import ground_crs, parse_reference
from cemgis.reference.systems import FRAMES, GroundCRS, Reference
from cemgis.reference.written import decimal_year, parse_angle, parse_angles

__all__ = [
    "FRAMES",
    "GroundCRS",
    "Reference",
    "combined_factor",
    "convergence",
    "decimal_year",
    "declination",
    "explain_shift",
    "ground_crs",
    "in_area",
    "parse_angle",
    "parse_angles",
    "parse_reference",
    "say_operation",
    "say_stakes",
    "scale_factor",
    "stakes",
    "suggest",
    "to_grid",
    "to_lonlat",
]
