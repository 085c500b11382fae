"""The GeoPackage a ground is built into: written whole, described, styled; read back; and what others changed in it.

A file written here holds, besides the layers: the schema extension (what each column means, its choices and ranges),
ISO 19115 metadata, a style for each layer in ``layer_styles``, and two tables of our own, ``cemgis_file`` (form, unit,
time) and ``cemgis_written`` (each layer's hash and a compressed copy of it as it was written). ``layer_styles`` is a
table without geometry among the contents: GDAL 3.6 hides it from a desktop program where it is not. The two of our own
are registered as an extension, so strict conformance to requirement 4 ("no extension from elsewhere") fails. All other
requirements hold.

One process never opens one file through two copies of SQLite at the same time: closing one would drop the other's
locks. Here GDAL is always closed before ``sqlite3`` opens the file, and the other way round.
"""

from cemgis.files.geopackage.changed import Changes, changes, keep_copy
from cemgis.files.geopackage.held import refuse_if_held
from cemgis.files.geopackage.reading import FileInfo, info, layer_hashes, read_ground, read_layer
from cemgis.files.geopackage.writing import FROM_THE_TOP, write_ground

__all__ = [
    "FROM_THE_TOP",
    "Changes",
    "FileInfo",
    "changes",
    "info",
    "keep_copy",
    "layer_hashes",
    "read_ground",
    "read_layer",
    "refuse_if_held",
    "write_ground",
]
