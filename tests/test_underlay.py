"""A picture lies under the map where it lies on the ground."""

import io

import drawn_ground
import numpy as np
import pytest
import rasterio
from PIL import Image
from rasterio.transform import from_origin

from cemgis import drawing, maps
from cemgis.errors import InputError
from cemgis.files.underlay import read_underlay
from cemgis.maps import parts

WEST, NORTH = drawn_ground.ORIGIN + [-100.0, 700.0]


def write(path, values, crs="EPSG:6549", cell=2.0, **more):
    values = np.atleast_3d(values.T).T if values.ndim == 2 else values
    bands, rows, columns = values.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=bands, dtype=values.dtype, crs=crs,
        transform=from_origin(WEST, NORTH, cell, cell), **more,
    ) as target:  # fmt: skip
        target.write(values)
    return path


@pytest.fixture(scope="module")
def tables():
    return {name: table for name, table in drawn_ground.tables().items() if name in ("sections", "lots")}


@pytest.fixture(scope="module")
def facts():
    return drawn_ground.facts()


@pytest.mark.parametrize("section", [None, "D"])
def test_a_red_spot_lies_where_it_was_planted(tables, facts, tmp_path, section):
    picture = np.full((3, 400, 400), 230, dtype=np.uint8)
    at = drawn_ground.ORIGIN + [62.0, 320.0]  # beside section D, off the numbers
    column, row = int((at[0] - WEST) / 2.0), int((NORTH - at[1]) / 2.0)
    picture[:, row - 1 : row + 2, column - 1 : column + 2] = np.array([255, 0, 0], dtype=np.uint8)[:, None, None]
    path = write(tmp_path / "photo.tif", picture)
    under = read_underlay(path, facts.crs, maps.bounds(tables))
    middle = under.matrix[:, :2] @ [0, 0] + under.matrix[:, 2]
    assert middle[0] >= WEST - 1e-6
    if section:
        figure = maps.section_sheet(tables, facts, section, paper="letter", underlay=under)
    else:
        figure = maps.whole_ground(tables, facts, paper="letter", underlay=under)
    assert any("photo.tif, which was not checked" in item.get_text() for item in figure.axes[0].texts)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=144)
    seen = np.asarray(Image.open(buffer).convert("RGB")).astype(int)
    height = figure.get_size_inches()[1] * 72
    if section:
        geometry = tables["sections"].set_index("section").loc[section].geometry
        texts = " ".join(item.get_text() for item in figure.axes[0].texts)
        top = parts.along_rows(geometry) if "THE SHEET IS TURNED" in texts else 0.0
        xy = drawing.along_sheet(np.array(geometry.geoms[0].exterior.coords), top)
        frame = drawing.choose_frame(
            (*xy.min(axis=0), *xy.max(axis=0)), facts.unit, paper="letter", top_deg=top,
            margin_pt=parts.ROW_ROOM_PT, layouts=parts.EVERY_LAYOUT,
        )  # fmt: skip
        assert figure.get_size_inches() * 72 == pytest.approx(frame.size_pt)
    else:
        frame = drawing.choose_frame(maps.bounds(tables), facts.unit, paper="letter")
    centre = [WEST + (column + 0.5) * 2.0, NORTH - (row + 0.5) * 2.0]
    x, y = frame.to_page([centre])[0]
    red = np.argwhere((seen[:, :, 0] - seen[:, :, 1] > 110) & (seen[:, :, 1] > 60))
    inside = (red[:, 1] / 2 < frame.map_pt[2]) & (height - red[:, 0] / 2 > frame.map_pt[1])
    spot = red[inside].mean(axis=0) / 2
    assert spot[1] == pytest.approx(x, abs=0.8)
    assert height - spot[0] == pytest.approx(y, abs=0.8)


def test_heights_are_shaded_and_light_comes_from_the_northwest(facts, tables, tmp_path):
    columns = np.arange(400)
    ridge = np.abs(columns - 200) * -0.4 + 900.0  # falls to the west left of the middle, to the east right of it
    path = write(tmp_path / "dem.tif", np.tile(ridge, (400, 1)).astype(np.float32), nodata=-9999.0)
    under = read_underlay(path, facts.crs, maps.bounds(tables))
    first = round((under.matrix[0, 2] - WEST) / 2.0)
    grey = under.image[50, :, 0].astype(int)
    assert grey[150 - first] > grey[250 - first] + 50
    assert "shaded heights" in under.words
    assert (under.image[..., 0] == under.image[..., 1]).all()


def test_a_picture_in_another_reference_system_is_brought_into_the_grounds(facts, tables, tmp_path):
    from rasterio.warp import Resampling, calculate_default_transform, reproject

    picture = np.full((3, 400, 400), 90, dtype=np.uint8)
    picture[:, 200:204, 200:204] = 255
    path = write(tmp_path / "here.tif", picture)
    other = tmp_path / "utm.tif"
    with rasterio.open(path) as source:
        place, width, height = calculate_default_transform(
            source.crs, "EPSG:6346", source.width, source.height, *source.bounds
        )
        profile = source.profile | {"crs": "EPSG:6346", "transform": place, "width": width, "height": height}
        with rasterio.open(other, "w", **profile) as target:
            for band in (1, 2, 3):
                reproject(
                    rasterio.band(source, band), rasterio.band(target, band), resampling=Resampling.nearest,
                    dst_crs="EPSG:6346", dst_transform=place,
                )  # fmt: skip
    under = read_underlay(other, facts.crs, maps.bounds(tables))
    bright = np.argwhere(under.image[..., 0] > 200)[:, ::-1].mean(axis=0) + 0.5
    found = under.matrix[:, :2] @ bright + under.matrix[:, 2]
    assert np.abs(found - [WEST + 404.0, NORTH - 404.0]).max() < 3.0


def test_what_is_no_picture_of_this_ground_is_said(facts, tables, tmp_path):
    bounds = maps.bounds(tables)
    with pytest.raises(InputError, match="there is no such file"):
        read_underlay(tmp_path / "none.tif", facts.crs, bounds)
    text = tmp_path / "text.tif"
    text.write_text("not a picture", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be read as a picture"):
        read_underlay(text, facts.crs, bounds)
    plain = np.zeros((10, 10), dtype=np.uint8)
    with pytest.raises(InputError, match="does not say which reference system"):
        read_underlay(write(tmp_path / "bare.tif", plain, crs=None), facts.crs, bounds)
    with pytest.raises(InputError, match="lies elsewhere"):
        read_underlay(write(tmp_path / "far.tif", plain), facts.crs, tuple(np.array(bounds) + 50_000.0))
