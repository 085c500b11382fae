import shutil
import subprocess
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.morphology import reconstruction

from cemgis.errors import InputError
from cemgis.files.raster import read_dem
from cemgis.terrain import (
    Dem,
    aspect_deg,
    clip,
    contours,
    fill,
    gradient,
    hillshade,
    hollows,
    mask_polygon,
    slope_percent,
)
from cemgis.units import FOOT, METRE, US_SURVEY_FOOT

DATA = Path(__file__).parent / "data" / "dem"
UTM13 = pyproj.CRS("EPSG:32613")


def test_slope_and_aspect_of_the_example_everyone_quotes():
    # Esri, How Slope works / How Aspect works, as quoted and recomputed
    z = [[50, 45, 50], [30, 30, 30], [8, 10, 10]]
    east, north = gradient(z, 5, 5)
    assert east[1, 1] == pytest.approx(0.05)
    assert north[1, 1] == pytest.approx(3.8)  # published -3.8 with y down the rows
    percent = slope_percent(z, 5, 5)[1, 1]
    assert percent / 100 == pytest.approx(3.80032, abs=1e-5)
    assert np.degrees(np.arctan(percent / 100)) == pytest.approx(75.25762, abs=5e-5)
    z = [[101, 92, 85], [101, 92, 85], [101, 91, 84]]
    east, north = gradient(z, 1, 1)
    assert (east[1, 1], north[1, 1]) == pytest.approx((-8.125, 0.375))
    assert aspect_deg(z, 1, 1)[1, 1] == pytest.approx(92.64, abs=0.005)


@settings(max_examples=50, deadline=None)
@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(0.3, 30), st.floats(0.3, 30))
def test_a_plane_has_its_own_slope(a, b, cell_x, cell_y):
    rows, columns = np.mgrid[0:5, 0:6]
    z = 100 + a * columns * cell_x - b * rows * cell_y  # rows go south
    east, north = gradient(z, cell_x, cell_y)
    assert np.allclose(east[1:-1, 1:-1], a, atol=1e-9)
    assert np.allclose(north[1:-1, 1:-1], b, atol=1e-9)
    assert np.isnan(east[0]).all()
    assert np.isnan(north[:, -1]).all()


def test_a_missing_height_takes_its_neighbours_with_it():
    z = np.arange(49.0).reshape(7, 7)
    z[3, 3] = np.nan
    known = np.isfinite(slope_percent(z, 1, 1))
    expected = np.zeros((7, 7), dtype=bool)
    expected[1:-1, 1:-1] = True
    expected[2:5, 2:5] = False
    assert (known == expected).all()


def test_contours_of_a_cone_are_circles():
    y, x = np.mgrid[-60.5:61.5, -60.5:61.5]
    dem = Dem(np.hypot(x, y)[::-1], -61.0, 61.0, 1.0, 1.0)
    lines, heights = contours(dem, 10.0)
    for radius in (20.0, 30.0, 50.0):
        line = shapely.union_all(lines[heights == radius])
        assert np.abs(np.hypot(*shapely.get_coordinates(line).T) - radius).max() < 0.02
        assert line.length == pytest.approx(2 * np.pi * radius, rel=1e-3)
    lines, heights = contours(dem, 0.0)
    assert len(lines) == len(heights) == 0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 25), st.integers(2, 25))
def test_filling_agrees_with_reconstruction_by_erosion(seed, rows, columns):
    z = np.random.default_rng(seed).integers(0, 9, (rows, columns)).astype(float)
    flood = np.full(z.shape, z.max())
    flood[0], flood[-1], flood[:, 0], flood[:, -1] = z[0], z[-1], z[:, 0], z[:, -1]
    expected = reconstruction(flood, z, method="erosion", footprint=np.ones((3, 3)))
    assert (fill(z) == expected).all()


def test_hollows_by_their_depth_and_area():
    z = np.full((40, 60), 100.0)
    z[5:9, 5:10] = 99.0  # 4 by 5 cells, 1 deep
    z[20:30, 20:22] = 97.5  # 10 by 2 cells, 2.5 deep
    z[35:, 50:] = 90.0  # open to the rim: water runs off
    dem = Dem(z, 1000.0, 500.0, 2.0, 3.0)
    assert hollows(dem, 0.5).area == pytest.approx((20 + 20) * 6.0)
    assert hollows(dem, 2.0).area == pytest.approx(20 * 6.0)
    assert hollows(dem, 3.0).is_empty
    assert hollows(dem, 2.0).bounds == (1040.0, 410.0, 1044.0, 440.0)


def test_cells_masks_and_clips_share_one_frame():
    rng = np.random.default_rng(3)
    dem = Dem(rng.normal(size=(30, 40)), 500.0, 900.0, 2.5, 4.0)
    mask = rng.random((30, 40)) < 0.4
    made = mask_polygon(dem, mask)
    assert made.area == pytest.approx(mask.sum() * 10.0)
    assert made.is_valid
    east, north = dem.centres()
    xy = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    assert (shapely.contains_xy(made, *xy.T) == mask.ravel()).all()
    assert (dem.at(dem.heights, xy) == dem.heights.ravel()).all()
    part = clip(dem, (511.0, 815.0, 529.0, 850.0))
    assert (part.heights == dem.heights[12:22, 4:12]).all()
    assert (part.west, part.north) == (510.0, 852.0)
    assert np.isnan(dem.at(dem.heights, [[499.0, 850.0], [510.0, 901.0]])).all()
    holed = Dem(np.where(mask, np.nan, 1.0), 500.0, 900.0, 2.5, 4.0)
    everything = shapely.box(*holed.bounds)
    assert holed.missing(everything) == pytest.approx(mask.sum() * 10.0)
    assert holed.missing(shapely.box(490, 880, 500, 890)) == pytest.approx(100.0)


# ---- reading --------------------------------------------------------------------------------------------------------


def test_a_grid_in_degrees_is_reprojected_never_taken_as_it_is():
    dem = read_dem(DATA / "rmnp-dem.tif", UTM13, METRE, heights="m")
    assert "in degrees" in dem.note
    assert 150 < dem.cell_x < 350  # 0.00275 degrees of longitude at 40 N are 234 m, 0.00211 of latitude 234 m
    assert dem.cell_x == pytest.approx(234, rel=0.05)
    assert np.nanmax(dem.heights) < 4400  # Longs Peak, 4346 m; 65535 is no height
    assert np.nanmin(dem.heights) > 1400
    # The sources' own middle agrees with an independent path: pyproj and the cell it falls in.
    with rasterio.open(DATA / "rmnp-dem.tif") as source:
        lon, lat = source.xy(90, 70)
        height = source.read(1)[90, 70]
    xy = pyproj.Transformer.from_crs(4326, UTM13, always_xy=True).transform(lon, lat)
    near = clip(dem, (xy[0] - 240, xy[1] - 240, xy[0] + 240, xy[1] + 240)).heights
    assert near.min() <= height <= near.max()
    assert np.nanmedian(slope_percent(dem.heights, dem.cell_x, dem.cell_y)) < 100


def test_heights_come_in_the_grounds_unit():
    ohio = pyproj.CRS("EPSG:9674")
    metres = read_dem(DATA / "rasterstats_slope.tif", ohio, METRE, heights="m")
    assert (metres.cell_x, metres.note) == (pytest.approx(25.52514657), "")
    feet = read_dem(DATA / "rasterstats_slope.tif", ohio, METRE, heights="US survey foot")
    assert np.allclose(feet.heights * 3937 / 1200, metres.heights, equal_nan=True)
    into = read_dem(DATA / "rasterstats_slope.tif", ohio, FOOT, heights="ft")
    assert np.allclose(into.heights, metres.heights, equal_nan=True)
    assert not (metres.heights == -9999).any()


def write(path, z, crs="EPSG:6549", transform=None, **more):
    transform = transform or rasterio.transform.from_origin(2_000_000.0, 450_000.0, 5.0, 5.0)
    z = np.asarray(z, dtype="float32")
    with rasterio.open(path, "w", driver="GTiff", height=z.shape[0], width=z.shape[1], count=1, dtype="float32",
                       crs=crs, transform=transform, **more) as out:  # fmt: skip
        out.write(z, 1)
    return path


def test_a_turned_grid_is_set_upright(tmp_path):
    y, x = np.mgrid[0:80, 0:80]
    turn = rasterio.Affine.translation(2_000_000, 450_000) * rasterio.Affine.rotation(30) * rasterio.Affine.scale(5, -5)
    east = 2_000_000 + np.cos(np.pi / 6) * 5 * (x + 0.5) + np.sin(np.pi / 6) * 5 * (y + 0.5)
    dem = read_dem(write(tmp_path / "turned.tif", 0.1 * (east - 2_000_000), transform=turn), pyproj.CRS("EPSG:6549"),
                   US_SURVEY_FOOT, heights="US survey foot")  # fmt: skip
    assert "turned" in dem.note
    slopes = slope_percent(dem.heights, dem.cell_x, dem.cell_y)
    assert np.nanmedian(slopes) == pytest.approx(10.0, abs=0.05)


def test_what_is_no_grid_of_heights_is_refused(tmp_path):
    crs = pyproj.CRS("EPSG:6549")
    good = write(tmp_path / "good.tif", np.ones((4, 4)))
    with pytest.raises(InputError, match="no unit of height"):
        read_dem(good, crs, US_SURVEY_FOOT, heights="yard")
    with pytest.raises(InputError, match="no reference system"):
        read_dem(write(tmp_path / "bare.tif", np.ones((4, 4)), crs=None), crs, US_SURVEY_FOOT, heights="ft")
    with pytest.raises(InputError, match="not one cell"):
        read_dem(write(tmp_path / "empty.tif", np.full((4, 4), -9999), nodata=-9999), crs, US_SURVEY_FOOT, heights="ft")
    (tmp_path / "text.tif").write_text("no grid", encoding="utf-8")
    with pytest.raises(InputError, match="not a grid"):
        read_dem(tmp_path / "text.tif", crs, US_SURVEY_FOOT, heights="ft")
    with pytest.raises(InputError, match="absent"):
        read_dem(tmp_path / "absent.tif", crs, US_SURVEY_FOOT, heights="ft")


# ---- another program ------------------------------------------------------------------------------------------------


def by_gdaldem(mode, source, folder, *more):
    tool = shutil.which("gdaldem")
    if tool is None:
        pytest.skip("gdaldem (Debian: gdal-bin) is not installed")
    out = folder / f"{mode}.tif"
    subprocess.run([tool, mode, str(source), str(out), "-q", *more], check=True, timeout=60)
    with rasterio.open(out) as made:
        return made.read(1, masked=True).astype(float).filled(np.nan)


@pytest.mark.external
@pytest.mark.parametrize("name", ["rasterstats_slope.tif", "rvt_TM1_crop320.tif"])
def test_gdaldem_agrees(name, tmp_path, request):
    path = DATA / name
    if not path.exists():
        path = request.getfixturevalue("shared_data") / "dem" / name
    with rasterio.open(path) as source:
        crs = pyproj.CRS.from_wkt(source.crs.to_wkt())
    dem = read_dem(path, crs, METRE, heights="m")
    z, x, y = dem.heights, dem.cell_x, dem.cell_y
    slope = by_gdaldem("slope", path, tmp_path, "-p")
    assert np.nanmax(np.abs(slope_percent(z, x, y) - slope)) < 0.02  # it sums in single precision
    assert (np.isnan(slope) == np.isnan(slope_percent(z, x, y))).all()
    aspect, ours = by_gdaldem("aspect", path, tmp_path), aspect_deg(z, x, y)
    gap = np.abs((aspect - ours + 180) % 360 - 180)[np.hypot(*gradient(z, x, y)) > 0.02]
    assert np.nanmax(gap) < 0.1  # single precision again
    shade = by_gdaldem("hillshade", path, tmp_path)
    # gdaldem writes 1 + 254 times the share, as a whole number
    assert np.nanmax(np.abs(1 + 254 * hillshade(z, x, y) - shade)) <= 1.0
    assert np.isfinite(slope).sum() > 1000


@pytest.mark.external
def test_slopes_of_a_real_field(shared_data):
    # data/README: 2, 7, 17 and 45 % at the 10th, 50th, 90th and 99th percentile
    dem = read_dem(shared_data / "dem" / "rvt_TM1_crop320.tif", pyproj.CRS(3794), METRE, heights="m")
    got = np.nanpercentile(slope_percent(dem.heights, dem.cell_x, dem.cell_y), [10, 50, 90, 99])
    # how they were taken is not said; Horn's mean over three cells can only be the lower
    assert got == pytest.approx([2, 7, 17, 45], rel=0.15)
    assert (got < np.array([2.5, 7.5, 17.5, 45.5])).all()
