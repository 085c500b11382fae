"""Readings of any receiver as one table: NMEA 0183 logs, point lists, GPX waypoints, vector files."""

from cemgis.files.readings.cells import parse_angles, parse_times
from cemgis.files.readings.features import parse_features
from cemgis.files.readings.gpx import parse_gpx
from cemgis.files.readings.nmea import parse_nmea
from cemgis.files.readings.notebook import parse_occupations, parse_taped
from cemgis.files.readings.points import parse_points
from cemgis.files.readings.read import FORMATS, format_of, read_readings
from cemgis.files.readings.table import RawReadings
from cemgis.files.readings.words import NAMES

__all__ = [
    "FORMATS",
    "NAMES",
    "RawReadings",
    "format_of",
    "parse_angles",
    "parse_features",
    "parse_gpx",
    "parse_nmea",
    "parse_occupations",
    "parse_points",
    "parse_taped",
    "parse_times",
    "read_readings",
]
