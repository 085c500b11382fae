"""Pages: tables become one self-contained HTML text, which is returned and not saved."""

from cemgis.web.public import BaseImage, public_page
from cemgis.web.staff import staff_page

__all__ = ["BaseImage", "public_page", "staff_page"]
