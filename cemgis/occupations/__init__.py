"""From readings to found markers: occupations, how sure each is, and one position a marker."""

from cemgis.occupations.gathering import make_occupations, reading_sigmas
from cemgis.occupations.marking import make_markers
from cemgis.occupations.numbers import ReadingNumbers
from cemgis.occupations.telling import marker_keys, settle_occupations

__all__ = ["ReadingNumbers", "make_markers", "make_occupations", "marker_keys", "reading_sigmas", "settle_occupations"]
