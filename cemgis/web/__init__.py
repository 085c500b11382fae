"""Pages: tables become one self-contained HTML text, which is returned and not saved."""

from cemgis.web.staff import staff_page

__all__ = ["staff_page"]
