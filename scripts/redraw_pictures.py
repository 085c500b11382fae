"""Draw the pictures in maps/ again, from the demo ground as it is built now; name some to draw only those."""

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pypdfium2
from PIL import Image
from playwright.sync_api import Page, sync_playwright

from cemgis import pipeline
from cemgis.ties import CORNERS, dig_corners

MAPS = Path(__file__).resolve().parents[1] / "maps"
CHROMIUM = Path("/usr/bin/chromium")


def save(picture: Image.Image, name: str) -> None:
    """Save a picture with few colours, as a README needs it."""
    picture.convert("RGB").quantize(255, kmeans=4, dither=Image.Dither.NONE).save(
        MAPS / f"demo-{name}.png", optimize=True
    )
    print(MAPS / f"demo-{name}.png")


def page_of(pdf: Path, number: int, width_px: int) -> Image.Image:
    """Draw a page of a PDF, so many pixels wide."""
    page = pypdfium2.PdfDocument(pdf)[number]
    # Drawn larger and made smaller: hairlines keep their weight.
    large = page.render(scale=4 * width_px / page.get_width()).to_pil().convert("RGB")
    return large.resize((width_px, round(large.height * width_px / large.width)), Image.Resampling.LANCZOS)


def screen(page: Page, file: Path, width: int, height: int, do: Callable[[Page], object]) -> Image.Image:
    """Take what a page shows on a screen of a size, after something was done on it."""
    page.set_viewport_size({"width": width, "height": height})
    page.goto("about:blank")
    page.goto(file.as_uri())
    page.wait_for_selector("body[data-ready=yes]")
    page.wait_for_timeout(800)
    do(page)
    page.wait_for_timeout(1500)
    with tempfile.NamedTemporaryFile(suffix=".png") as kept:
        page.screenshot(path=kept.name)
        return Image.open(kept.name).convert("RGB")


def side_by_side(pictures: list[Image.Image], gap: int = 20) -> Image.Image:
    """Set pictures beside one another on white."""
    size = sum(each.width for each in pictures) + gap * (len(pictures) - 1), max(each.height for each in pictures)
    whole, left = Image.new("RGB", size, "white"), 0
    for each in pictures:
        whole.paste(each, (left, 0))
        left += each.width + gap
    return whole


def ask(page: Page) -> None:
    """Look somebody up whose grave has a way to it."""
    page.fill("#find-box", "ilvstrem")
    page.wait_for_timeout(700)
    page.click("#results a >> nth=0")


def planned(ground: Path) -> Path:
    """Plan the parcel beside the ground; give the planner's sheet."""
    subprocess.run([sys.executable, "-m", "cemgis", "expand", str(ground)], check=True, stdout=subprocess.DEVNULL)
    return ground / "expansion/meadow/planner.pdf"


def beside(ground: Path) -> Image.Image:
    """Draw the plan of one space before and after the grave beside it was closed seven inches off its own plan."""
    folder = ground.parent / "beside"
    shutil.copytree(ground, folder)
    run = pipeline.compute(folder)
    order = (folder / "orders/B-10-2.toml").read_text(encoding="utf-8")
    order = order.replace("Hanh Aldanczyk", "Ilse Zelberry").replace("deed 4/39", "deed 21/256")

    def ordered(space: str) -> Path:
        made = folder / f"orders/{space}.toml"
        made.write_text(order.replace("B-10-2", space), encoding="utf-8")
        return made

    def drawn(name: str) -> Image.Image:
        out = folder / name
        pipeline.open_grave(folder, "B-100-2", order=ordered("B-100-2"), out=out, paper="letter")
        page = page_of(out / "opening-letter.pdf", 0, 1000)
        return page.crop((0, 30, page.width, round(0.47 * page.height)))

    before = drawn("before")
    plan = pipeline.open_grave(folder, "B-100-1", order=ordered("B-100-1"), out=folder / "first", run=run).plan
    turn, box = np.radians(plan.dig.heads_azimuth), plan.container
    middle = plan.dig.corners.mean(axis=0) - np.array([np.cos(turn), -np.sin(turn)]) * 7 / 12
    true = dig_corners(middle, plan.dig.heads_azimuth, box.width, box.length)
    pipeline.close_opening(
        folder, "B-100-1", state="closed", who="E. Tarn", day="2026-05-04", container="concrete vault",
        person="Marta Zelberry", without_order="for a picture", run=run,
        shots=[f"{name}, {x:.3f}, {y:.3f}" for name, (x, y) in zip(CORNERS, true, strict=True)],
    )  # fmt: skip
    return side_by_side([before, drawn("after")])


def pictures(ground: Path, page: Page) -> dict[str, Callable[[], Image.Image]]:
    """Every picture by its name."""
    staff, public = ground / "maps/staff", ground / "maps/public"
    return {
        "ground": lambda: page_of(staff / "ground.pdf", 0, 1500),
        "section": lambda: page_of(staff / "ground.pdf", 4, 800),
        "staff": lambda: screen(page, staff / "staff.html", 1320, 760, lambda at: at.click("#tab-findings")),
        "opening": lambda: page_of(ground / "sheets/B-10-2/opening-letter.pdf", 0, 800),
        "beside": lambda: beside(ground),
        "public": lambda: side_by_side(
            [screen(page, public / "map.html", *size, ask) for size in ((390, 844), (1200, 750))]
        ),
        "board": lambda: page_of(public / "board.pdf", 0, 1360),
        "leaflet": lambda: page_of(public / "leaflet.pdf", 1, 1100),
        "expansion": lambda: page_of(planned(ground), 0, 1581),
    }


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        ground = Path(folder) / "demo-ground"
        subprocess.run([sys.executable, "-m", "cemgis", "demo", str(ground)], check=True, stdout=subprocess.DEVNULL)
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        every = pictures(ground, browser.new_page())
        for name in sys.argv[1:] or every:
            save(every[name](), name)
        browser.close()
