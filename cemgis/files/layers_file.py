"""Layers that are no part of a ground's own file, such as a plan: written into a GeoPackage of their own."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import pyogrio
import pyproj

from cemgis.errors import InputError
from cemgis.files.geopackage import refuse_if_held
from cemgis.files.whole import try_room, whole

__all__ = ["write_layers"]


def write_layers(path: Path | str, layers: Mapping[str, gpd.GeoDataFrame], crs: pyproj.CRS, stamp: datetime) -> None:
    """Write tables with geometry as layers of one GeoPackage, all or nothing; empty ones are left out.

    Parameters
    ----------
    path : Path or str
    layers : mapping of str to GeoDataFrame
    crs : pyproj.CRS
    stamp : datetime
        The only time in the file.

    Raises
    ------
    InputError
        When it cannot be written.
    """
    path = Path(path)
    refuse_if_held(path)
    moment = stamp.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    with whole(path) as beside:
        try:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": moment})
            for name, table in layers.items():
                if len(table):
                    table.set_crs(crs, allow_override=True).to_file(beside, layer=name, driver="GPKG", engine="pyogrio")
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, RuntimeError) as error:
            try_room(beside.parent, 4 * sum(int(table.memory_usage().sum()) for table in layers.values()))
            said = " ".join(str(error).split())[:300]
            raise InputError.of(str(path), f"not written ({said})", "Mend that and run it again.") from error
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
