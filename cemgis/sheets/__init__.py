"""Sheets for opening a grave: data for the page from a plan, typeset to PDF or joined to one page for a phone."""

from cemgis.sheets.data import Context, sheet_data
from cemgis.sheets.niches import niche_sheet
from cemgis.sheets.pages import checker_sheet, foundation_sheet, opening_sheet, phone_page

__all__ = ["Context", "checker_sheet", "foundation_sheet", "niche_sheet", "opening_sheet", "phone_page", "sheet_data"]
