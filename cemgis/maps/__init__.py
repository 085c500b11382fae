"""Maps on paper: tables of a ground become a figure, and a figure becomes the bytes of a PDF and a PNG."""

from cemgis.maps.book import pages
from cemgis.maps.printing import Printed, save, save_all
from cemgis.maps.section import section_sheet
from cemgis.maps.whole import bounds, whole_ground

__all__ = ["Printed", "bounds", "pages", "save", "save_all", "section_sheet", "whole_ground"]
