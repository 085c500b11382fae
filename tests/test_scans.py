"""Scanned drawings end to end: files, control points by label, the rectified picture, and the page to click on."""

from __future__ import annotations

import resource
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.control import GroundControlPoint
from rasterio.enums import ColorInterp
from rasterio.transform import Affine

from cemgis import pipeline
from cemgis.cli import main
from cemgis.errors import InputError
from cemgis.files.scans import read_scan, small_copy, write_rectified
from cemgis.invent import drawing as invent_drawing
from cemgis.pipeline.evidence import gather_evidence, read_ground
from cemgis.plat import make_plat
from cemgis.scan import pixel_xy, rectify
from cemgis.web.clicker import clicker_page

DEMO = Path(__file__).parents[1] / "data" / "demo"
IMAGES = Path(__file__).parent / "data" / "image"
CRS = rasterio.CRS.from_epsg(6549)


# ---- files ----------------------------------------------------------------------------------------------------------


def checkered(path, width=300, height=220, *, colours=1, **more):
    rows, columns = np.mgrid[0:height, 0:width]
    grey = np.where((rows // 20 + columns // 20) % 2, 230, 30).astype(np.uint8)
    bands = np.stack([grey, 255 - grey, columns.astype(np.uint8)])[:colours]
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=height, count=colours, dtype="uint8", **more
    ) as out:
        out.write(bands)
    return grey


@pytest.mark.parametrize("model", ["similarity", "affine", "second order", "thin plate"])
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_every_pixel_comes_to_lie_where_the_transformation_puts_it(tmp_path, model):
    grey = checkered(tmp_path / "plan.tif")
    pixel = np.array([[5, 5], [290, 10], [280, 210], [12, 200], [150, 110], [60, 150], [220, 60.0]])
    turn = np.radians(25.0)
    xy = pixel_xy(pixel)
    grid = xy @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) * 0.5 + [2_023_000.0, 449_000.0]
    if model in ("second order", "thin plate"):
        grid = grid + np.column_stack([(xy[:, 0] / 200) ** 2, xy[:, 0] * xy[:, 1] / 40_000])
    made = rectify(xy, grid, model=model)
    scan = read_scan(tmp_path / "plan.tif")
    width, height, step = write_rectified(scan, made, tmp_path / "out.tif", ground_crs())
    assert step == pytest.approx(0.5, rel=0.02)
    with rasterio.open(tmp_path / "out.tif") as out:
        assert (out.width, out.height) == (width, height)
        assert out.crs == CRS
        assert out.profile["tiled"]
        assert out.overviews(1)[:1] == [2]
        assert out.colorinterp[-1] == ColorInterp.alpha
        picture, matrix = out.read(), out.transform
    # middles of fields of the board: where the transformation puts them the same shade must be found
    fields = np.array([[20 * a + 10.0, 20 * b + 10.0] for a in range(15) for b in range(11)])
    there = made.transform(pixel_xy(fields))
    column, row = ((there - [matrix.c, matrix.f]) / [matrix.a, matrix.e]).T.astype(int)
    np.testing.assert_array_equal(picture[0][row, column], grey[fields[:, 1].astype(int), fields[:, 0].astype(int)])
    assert (picture[-1][row, column] == 255).all()
    # and only the scan's own land is opaque: its area by the transformation against that of the pixels
    ring = np.array([[0, 0], [300, 0], [300, 220], [0, 220.0]])
    sides = np.concatenate([ring[k] + (ring[(k + 1) % 4] - ring[k]) * np.linspace(0, 1, 50)[:, None] for k in range(4)])
    area = shapely.polygons(made.transform(pixel_xy(sides))).area
    assert (picture[-1] == 255).sum() * step**2 == pytest.approx(area, rel=0.01)


def ground_crs():
    return read_ground(DEMO).crs.crs


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_colour_scans_stay_coloured_and_equal_scans_give_equal_bytes(tmp_path):
    checkered(tmp_path / "plan.tif", colours=3)
    xy = pixel_xy([[0, 0], [300, 0], [300, 220], [0, 220]])
    made = rectify(xy, xy * 0.5 + [2_023_000.0, 449_000.0], model="affine")
    scan = read_scan(tmp_path / "plan.tif")
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_rectified(scan, made, tmp_path / name / "out.tif", ground_crs(), words="a drawing")
    assert (tmp_path / "a" / "out.tif").read_bytes() == (tmp_path / "b" / "out.tif").read_bytes()
    with rasterio.open(tmp_path / "a" / "out.tif") as out:
        assert out.count == 4
        assert out.tags()["TIFFTAG_IMAGEDESCRIPTION"] == "a drawing"
        np.testing.assert_array_equal(out.read(1)[5:15, 5:15], 255 - out.read(2)[5:15, 5:15])
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["out.tif"]


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_picture_s_own_points_and_turned_transformation_are_read(tmp_path):
    points = [GroundControlPoint(0, 0, 2_023_000.0, 449_000.0), GroundControlPoint(0, 300, 2_023_150.0, 449_000.0),
              GroundControlPoint(220, 0, 2_023_000.0, 448_890.0)]  # fmt: skip
    checkered(tmp_path / "gcp.tif", gcps=points, crs=CRS)
    scan = read_scan(tmp_path / "gcp.tif")
    assert scan.pixel.tolist() == [[0, 0], [300, 0], [0, 220]]
    assert scan.crs.to_epsg() == 6549
    # rasterio's test picture with a turned transformation has no reference system: it is told to be without points
    turned = read_scan(IMAGES / "rotated.tif")
    assert (turned.width, turned.height) == (10, 15)
    assert turned.crs is None
    with rasterio.open(IMAGES / "rotated.tif") as source:
        matrix = source.transform
    checkered(tmp_path / "turned.tif", width=10, height=15, transform=matrix, crs=CRS)
    turned = read_scan(tmp_path / "turned.tif")
    made = rectify(pixel_xy(turned.pixel), turned.places, model="affine")
    np.testing.assert_allclose(made.transform(pixel_xy([[4.0, 7.0]])), [matrix @ (4.0, 7.0)], rtol=0, atol=1e-9)


def test_what_is_no_picture_is_refused(tmp_path):
    (tmp_path / "plan.png").write_text("this is no picture")
    with pytest.raises(InputError, match="cannot be read as a picture"):
        read_scan(tmp_path / "plan.png")
    with pytest.raises(InputError, match="no such file"):
        read_scan(tmp_path / "none.png")
    whole = (DEMO / "plat" / "plat_1889.png").read_bytes()
    (tmp_path / "torn.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="its end is missing"):
        small_copy(tmp_path / "torn.png", 100)
    with rasterio.open(tmp_path / "dem.tif", "w", driver="GTiff", width=4, height=4, count=1, dtype="float32", crs=CRS,
                       transform=Affine(1, 0, 2_023_000, 0, -1, 449_000)) as out:  # fmt: skip
        out.write(np.zeros((1, 4, 4), dtype=np.float32))
    with pytest.raises(InputError, match="holds measurements"):
        read_scan(tmp_path / "dem.tif")


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_transformation_that_flies_apart_is_refused(tmp_path):
    checkered(tmp_path / "plan.tif")
    near = np.array([[100, 100], [110, 101], [111, 110], [101, 112], [105, 105], [107, 102], [103, 108.0]])
    xy = pixel_xy(near)
    grid = xy * 0.5 + [2_023_000.0, 449_000.0] + np.random.default_rng(1).normal(0, 1.0, near.shape)
    with pytest.raises(InputError, match="flies apart"):
        write_rectified(
            read_scan(tmp_path / "plan.tif"), rectify(xy, grid, model="second order"), tmp_path / "o.tif", ground_crs()
        )


# ---- the demo's drawing ---------------------------------------------------------------------------------------------


def test_the_drawing_shows_the_plat_that_the_demo_has():
    ground = read_ground(DEMO)
    plat = make_plat(ground, gather_evidence(ground).lots)
    sites = plat.sites[plat.sites["section"] == "B"].set_index("label")
    drawn = {f"B-{number}": (x, y) for number, x, y in invent_drawing.lots()}
    assert set(drawn) == set(sites.index)
    at = sites.loc[list(drawn), ["plat_x", "plat_y"]].to_numpy(dtype=float)
    np.testing.assert_allclose(at, list(drawn.values()), rtol=0, atol=1e-9)
    assert sum(map(len, invent_drawing.drawing().values())) < 300_000


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scan") / "ground"
    shutil.copytree(DEMO, folder)
    run, done = pipeline.rectify_scans(folder)
    return folder, run, done[0]


def test_every_lot_of_the_drawing_comes_to_lie_on_its_lot(scanned):
    folder, run, found = scanned
    assert found.path == folder / "maps" / "staff" / "plat_1889.tif"
    # all lots, most of them never clicked: where they are drawn, put through the transformation, against the fit
    drawn = np.array([[x, y] for _, x, y in invent_drawing.lots()])
    there = found.made.transform(pixel_xy(invent_drawing.plat_to_pixel(drawn)))
    miss = np.hypot(*(there - run.fits["1889"].place(drawn)).T)
    assert np.median(miss) < 0.4
    assert miss.max() < 1.2
    affine = rectify(found.made.xy, found.made.grid, model="affine")
    assert affine.rms > 2.0 * found.made.rms
    # the paper shrank by 1.6 % one way: that and nothing else is said
    assert len(found.warnings) == 1
    assert "1.6 % apart" in found.warnings[0]
    assert found.left_out == []
    words = found.words(run.ground)
    assert "left out in turn" in words
    assert "B-16 northwest" in words


def test_points_exchanged_or_wrong_are_said(scanned, tmp_path):
    folder = tmp_path / "ground"
    shutil.copytree(scanned[0], folder)
    path = folder / "plat" / "plat_1889_points.csv"
    lines = path.read_text().splitlines()
    first, last = lines[1].split(","), lines[11].split(",")
    lines[1], lines[11] = ",".join([*first[:2], *last[2:]]), ",".join([*last[:2], *first[2:]])
    lines += ["B-999,,10,10", "B-2,up,10,10", "B-3,,9999,10", "B-4,,x,10", ",,5,5"]
    path.write_text("\n".join(lines) + "\n")
    found = pipeline.rectify_scans(folder)[1][0]
    assert "with B-1 and B-128 southeast exchanged" in found.warnings[0]
    left_out = " | ".join(found.left_out)
    for words in ("no marker is labelled 'B-999'", "'up' is no corner", "outside the picture", "is no number",
                  "names no place of the ground"):  # fmt: skip
        assert words in left_out


def test_words_for_a_ground_without_drawing_and_for_wrong_keys(scanned, tmp_path, capsys):
    folder = tmp_path / "ground"
    shutil.copytree(DEMO, folder)
    text = (folder / "ground.toml").read_text()
    wrong = text.replace('plat = "1889"\nmodel = "second order"', 'plat = "1898"\nmodel = "cubic"')
    assert wrong != text
    (folder / "ground.toml").write_text(wrong)
    assert main(["scan", str(folder)]) == 2
    said = capsys.readouterr().err
    assert "similarity, affine, second order, thin plate" in said
    assert "there is no plat '1898'" in said
    begin, end = text.index("[[scan]]"), text.index('model = "second order"') + len('model = "second order"')
    (folder / "ground.toml").write_text(text[:begin] + text[end:])
    assert main(["scan", str(folder)]) == 2
    assert "no drawing is named" in capsys.readouterr().err
    (folder / "ground.toml").write_text(text.replace('points = "plat/plat_1889_points.csv"\n', ""))
    assert main(["scan", str(folder)]) == 2
    assert "--page" in capsys.readouterr().err


# ---- the page -------------------------------------------------------------------------------------------------------


def test_page_is_inert_and_says_names_as_text():
    page = clicker_page(b"x", (10, 20), '"><script>window.pwned=1</script>', ground="{{7*7}} <b>", save='a".csv')
    assert page.count("<script>") == 1
    assert "{{7*7}} &lt;b&gt;" in page
    assert "default-src &#x27;none&#x27;" in page
    assert "http" not in page.replace("http-equiv", "")


@pytest.mark.browser
def test_clicks_become_the_points_file(browser, scanned, tmp_path):
    (path,) = pipeline.scan_pages(scanned[0], tmp_path)
    context = browser.new_context(viewport={"width": 1300, "height": 900}, offline=True, accept_downloads=True)
    page = context.new_page()
    said, asked = [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    page.wait_for_function("document.getElementById('picture').naturalWidth > 0")
    scale = page.locator("#picture").bounding_box()["width"] / invent_drawing.WIDTH
    # click the corners of lots that are drawn at known pixels, scrolling as a person would
    lots = {number: (x, y) for number, x, y in invent_drawing.lots()}
    chosen = {f"B-{number}": invent_drawing.plat_to_pixel(np.array([lots[number]]))[0] for number in (16, 81, 121, 33)}
    for label, (column, row) in chosen.items():
        page.locator("#picture").click(position={"x": column * scale, "y": row * scale})
        page.keyboard.type(label)
    page.get_by_label("corner of point 2").select_option("northwest")
    page.get_by_label("choose point 1", exact=True).click()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    page.get_by_role("button", name="nearer").click()
    page.get_by_label("take out point 4").click()
    with page.expect_download() as download:
        page.get_by_role("button", name="save the points").click()
    assert download.value.suggested_filename == "plat_1889_points.csv"
    lines = Path(download.value.path()).read_text().splitlines()
    assert lines[0] == "label,corner,column,row"
    assert [line.split(",")[:2] for line in lines[1:]] == [["B-16", ""], ["B-81", "northwest"], ["B-121", ""]]
    at = np.array([[float(cell) for cell in line.split(",")[2:]] for line in lines[1:]])
    true = np.array([*chosen.values()])[:3] + [[1.0, 10.0], [0, 0], [0, 0]]
    np.testing.assert_allclose(at, true, rtol=0, atol=1.2 / scale)
    page.locator("#text").fill('label,corner,column,row\nB-7,,10,20\n"B-8, old",southeast,30,40\nnonsense\nB-9,,,5\n')
    page.get_by_role("button", name="read the points from the text").click()
    assert page.locator("#rows tr").count() == 2
    assert page.get_by_label("label of point 2").input_value() == "B-8, old"
    assert "2 points read, 2 lines not understood" in page.locator("#said").text_content()
    page.screenshot(path=str(tmp_path / "page.png"))
    assert said == []
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []
    context.close()


@pytest.mark.skipif(sys.platform != "linux", reason="limits the size of files")
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_picture_that_cannot_be_written_whole_is_not_written(tmp_path):
    checkered(tmp_path / "plan.tif", colours=3)
    xy = pixel_xy(np.array([[5, 5], [290, 10], [280, 210], [12, 200.0]]))
    made = rectify(xy, xy * 0.5 + [2_023_000.0, 449_000.0], model="affine")
    scan, before = read_scan(tmp_path / "plan.tif"), resource.getrlimit(resource.RLIMIT_FSIZE)
    (tmp_path / "out.tif").write_bytes(b"old")
    resource.setrlimit(resource.RLIMIT_FSIZE, (3000, before[1]))
    try:
        with pytest.raises(InputError, match="Make room"):
            write_rectified(scan, made, tmp_path / "out.tif", ground_crs())
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert (tmp_path / "out.tif").read_bytes() == b"old"
