"""Measure the public page beside a plain folium map of the same ground: size, making, showing, panning, searching."""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from importlib import resources
from pathlib import Path

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from bench_find import KINDS, invented_names, misspelt, zipf
from playwright.sync_api import sync_playwright

from cemgis.disclosure import PublicGround
from cemgis.reference import ground_crs, to_lonlat
from cemgis.web import public_page
from cemgis.web.page import _leaflet

CRS = ground_crs("EPSG:6549")
ORIGIN = np.array([2_023_000.0, 449_000.0])
ROWS, ACROSS, PER_LOT = 25, 20, 4  # a section: 500 lots of 12 by 16 ft, each with four spaces
DEPTH, FRONTAGE, DRIVE = 12.0, 16.0, 14.0


def lattice(rng: np.random.Generator, corner: np.ndarray, setting: float) -> np.ndarray:
    """Corners of one section, each off by its own setting error; rows in pairs with a walk between."""
    x = np.arange(ROWS + 1) * DEPTH
    y = np.arange(ACROSS + 1) * FRONTAGE
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    return grid + corner + rng.normal(0.0, setting, grid.shape)


def ground(n: int, occupied: float, seed: int) -> PublicGround:
    """Invent a ground of about n spaces; the share of them has one published grave each."""
    rng = np.random.default_rng(seed)
    count = max(1, round(n / (ROWS * ACROSS * PER_LOT)))
    wide = int(np.ceil(np.sqrt(count)))
    size = np.array([ROWS * DEPTH, ACROSS * FRONTAGE])
    step = size + DRIVE + 16.0
    lots, spaces, sections = [], [], []
    for k in range(count):
        name = f"{chr(65 + k % 26)}{k // 26 or ''}"
        corner = ORIGIN + step * np.array([k % wide, k // wide]) + DRIVE + 8.0
        at = lattice(rng, corner, 0.15)
        ring = np.stack([at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]], axis=2).reshape(-1, 4, 2)
        number = np.arange(len(ring)) + 1
        lot_id = np.array([f"{name}-{one}" for one in number], dtype=object)
        row = np.repeat(np.arange(ROWS) + 1, ACROSS).astype(str)
        lots.append(pd.DataFrame({"lot_id": lot_id, "section": name, "row": row, "lot": number.astype(str),
                                  "geometry": shapely.polygons(ring)}))  # fmt: skip
        parts = np.arange(PER_LOT + 1) / PER_LOT
        left = ring[:, None, 0] + parts[None, :, None] * (ring[:, None, 3] - ring[:, None, 0])
        right = ring[:, None, 1] + parts[None, :, None] * (ring[:, None, 2] - ring[:, None, 1])
        strip = np.stack([left[:, :-1], right[:, :-1], right[:, 1:], left[:, 1:]], axis=2).reshape(-1, 4, 2)
        which = np.tile(np.arange(PER_LOT) + 1, len(ring)).astype(str)
        lot_of = np.repeat(lot_id, PER_LOT)
        spaces.append(pd.DataFrame({"space_id": lot_of + "-" + which, "section": name, "lot_id": lot_of, "space": which,
                                    "kind": "full", "heads": "west", "heads_azimuth": 270.2,
                                    "geometry": shapely.polygons(strip)}))  # fmt: skip
        sections.append({"section": name, "title": f"Section {name}", "heads": "west",
                         "geometry": shapely.box(*corner - 1, *(corner + size + 1))})  # fmt: skip
    low, high = ORIGIN, ORIGIN + step * np.array([wide, int(np.ceil(count / wide))])
    drives = [
        shapely.box(low[0] + i * step[0], low[1], low[0] + i * step[0] + DRIVE, high[1] + DRIVE)
        for i in range(wide + 1)
    ]
    drives += [shapely.box(low[0], y, high[0] + DRIVE, y + DRIVE) for y in np.arange(low[1], high[1] + 1, step[1])]
    table = pd.concat(spaces, ignore_index=True)
    here = np.sort(rng.choice(len(table), round(occupied * len(table)), replace=False))
    m = len(here)
    surname = zipf(rng, invented_names(rng, max(50, min(40_000, m // 5)), (1, 3)), m, 0.8)
    given = zipf(rng, invented_names(rng, min(1_500, max(20, m // 10)), (1, 2)), m, 0.9)
    day = np.datetime64("1850-01-01") + rng.integers(0, 55_000, m)
    buried = day + rng.integers(1, 6, m)
    born = day - rng.integers(0, 34_000, m)
    year = born.astype("datetime64[Y]").astype(str).astype(object)
    middle = np.where(rng.random(m) < 0.3, rng.permutation(given), "")
    graves = pd.DataFrame({
        "grave": np.arange(m) + 1, "given": given, "surname": surname,
        "name": given + np.where(middle == "", "", " ") + middle + " " + surname,
        "middle": np.where(middle == "", None, middle),
        "maiden": np.where(rng.random(m) < 0.1, rng.permutation(surname), None), "title": None, "suffix": None,
        "born": np.where(rng.random(m) < 0.4, born.astype(str).astype(object), year),
        "died": day.astype(str).astype(object), "buried": buried.astype(str).astype(object),
        "section": table["section"].to_numpy()[here], "lot_id": table["lot_id"].to_numpy()[here],
        "space_id": table["space_id"].to_numpy()[here], "veteran": rng.random(m) < 0.08,
    })  # fmt: skip

    def placed(rows: list | pd.DataFrame) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=CRS.crs)

    empty = pd.DataFrame()
    roads = {"drive_id": range(len(drives)), "name": [f"Drive {k + 1}" for k in range(len(drives))], "geometry": drives}
    gates = {"gate_id": ["1"], "name": ["West gate"], "geometry": [shapely.Point(low + [0.0, DRIVE / 2])]}
    every = placed(pd.concat(lots, ignore_index=True))
    return PublicGround(
        "Invented ground", "", CRS, "2025-01-01", placed(sections), every, placed(table), empty, graves, empty,
        placed(roads), empty, placed(gates), empty,
    )  # fmt: skip


def plain_folium(made: PublicGround) -> str:
    """Show the same ground as folium does it: a GeoJson layer on canvas, the name in a tooltip."""
    spaces = made.spaces[["space_id", "geometry"]]
    names = made.graves.drop_duplicates("space_id").set_index("space_id")["name"]
    lonlat = to_lonlat(shapely.get_coordinates(spaces.geometry.to_numpy()), CRS)
    shapes = shapely.set_coordinates(spaces.geometry.to_numpy().copy(), lonlat)
    table = gpd.GeoDataFrame({"space_id": spaces["space_id"], "name": spaces["space_id"].map(names).fillna("")},
                             geometry=shapes, crs="EPSG:4326")  # fmt: skip
    low, high = lonlat.min(axis=0)[::-1].tolist(), lonlat.max(axis=0)[::-1].tolist()
    shown = folium.Map(tiles=None, prefer_canvas=True, max_zoom=24)
    folium.GeoJson(table, tooltip=folium.GeoJsonTooltip(["space_id", "name"])).add_to(shown)
    shown.fit_bounds([low, high])
    return shown.get_root().render()


WATCH = """
(() => {
  const drawn = () => document.querySelector(".leaflet-tile-loaded") &&
    !document.querySelector(".leaflet-tile:not(.leaflet-tile-loaded)");
  const ours = () => document.getElementById("ground-data");
  const ready = () => document.body && (document.body.dataset.ready === "yes" ? drawn()
    : document.readyState === "complete" && !ours() && document.querySelector("canvas"));
  const look = () => requestAnimationFrame(() => { if (ready()) window.shownAt = performance.now(); else look(); });
  look();
  window.frames_ = [];
  const tick = (t) => { if (window.counting) window.frames_.push(t); requestAnimationFrame(tick); };
  requestAnimationFrame(tick);
})();
"""
ASK = """(asked) => asked.map((text) => {
  const start = performance.now();
  cemgisPublic.ask(text);
  return performance.now() - start;
})"""


def look(browser, path: Path, throttle: float, questions: list[str]) -> dict[str, float]:
    """Open a page once: when it is shown, how it pans at two scales, how long questions take."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    script, style, _ = _leaflet()

    def serve(route) -> None:
        url = route.request.url
        if url.startswith("file:"):
            route.continue_()
        elif url.endswith("leaflet.js"):
            route.fulfill(body=script, content_type="text/javascript")
        elif url.endswith("leaflet.css"):
            route.fulfill(body=style, content_type="text/css")
        else:
            route.fulfill(body="", content_type="text/javascript" if ".js" in url else "text/css")

    page.route("**/*", serve)
    page.add_init_script(WATCH)
    client = context.new_cdp_session(page)
    client.send("Performance.enable", {"timeDomain": "threadTicks"})
    client.send("Emulation.setCPUThrottlingRate", {"rate": throttle})

    def busy() -> float:
        """Processor time of the page's main thread so far, in ms; what slows it down is in it."""
        told = {item["name"]: item["value"] for item in client.send("Performance.getMetrics")["metrics"]}
        return 1000.0 * told["TaskDuration"]

    page.goto(path.as_uri(), wait_until="commit", timeout=600_000)
    while not page.evaluate("window.shownAt || 0"):  # the policy of our page forbids waiting for a function
        time.sleep(0.3)
    out = {"shown": page.evaluate("window.shownAt"), "busy": busy()}
    if questions:
        # The first right away, whatever is not yet prepared; the others as one goes on typing.
        before = busy()
        took = page.evaluate(ASK, questions)
        out["search busy"] = (busy() - before) / len(questions)
        out |= {"first search": took[0], "search": statistics.median(took[1:]), "search worst": max(took[1:])}
    name = page.evaluate(
        "Object.keys(window).find((key) => key.startsWith('map_') && window[key] && window[key].panBy)"
    )
    box = page.locator(".folium-map").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    frames: list[list[float]] = []
    whole = page.evaluate(f"window['{name}'].getZoom()")
    for zoom in (whole + 2, 21):
        page.evaluate(f"window['{name}'].setZoom({zoom}, {{animate: false}})")
        page.wait_for_timeout(1500)
        page.evaluate("window.frames_ = []; window.counting = true")
        for turn in range(4):
            way = 1 if turn % 2 else -1
            page.mouse.move(x - 160 * way, y - 100 * way)
            page.mouse.down()
            for k in range(20):
                page.mouse.move(x + (16 * k - 160) * way, y + (10 * k - 100) * way)
                page.wait_for_timeout(12)
            page.mouse.up()
        page.wait_for_timeout(400)
        page.evaluate("window.counting = false")
        frames.append(page.evaluate("window.frames_"))
    steps = [np.diff(item) for item in frames]
    out["fps"] = min(1000.0 * len(step) / step.sum() for step in steps)
    out["worst frame"] = max(float(step.max()) for step in steps)
    out["slow frames"] = float(sum(int((step > 50).sum()) for step in steps))
    context.close()
    return out


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--spaces", type=int, nargs="+", default=[10_000, 100_000, 200_000])
    options.add_argument("--occupied", type=float, default=0.6, help="share of spaces with a published grave")
    options.add_argument("--seed", type=int, default=1887)
    options.add_argument("--throttle", type=float, default=4.0, help="how many times slower the browser's processor")
    options.add_argument("--repeats", type=int, default=3, help="times each page of ours is opened; folium's once")
    options.add_argument("--no-folium", action="store_true", help="only our own")
    options.add_argument("--chromium", default="/usr/bin/chromium")
    given = options.parse_args()
    leaflet = sum(len(part.encode()) for part in _leaflet())
    own = sum(len(resources.files("cemgis.web").joinpath(name).read_bytes()) for name in
              ("map.js", "page.js", "search.js", "public.js", "public.css"))  # fmt: skip
    load = os.getloadavg()[0]
    print(
        f"occupied share {given.occupied:g}, seed {given.seed}, browser slowed {given.throttle:g} times, median of "
        f"{given.repeats}; {load:.0f} programs waiting for {os.cpu_count()} processors; Leaflet {leaflet:,} bytes, our "
        f"scripts and style {own:,}"
    )
    head = (
        "page", "spaces", "graves", "distinct words", "MB", "bytes a space, Leaflet left out", "data alone", "made s",
        "of it busy", "shown ms, median", "best", "busy by then", "misspelt search ms: first, at once",
        "others, median", "worst", "frames/s", "worst frame ms, median", "best", "frames over 50 ms",
    )  # fmt: skip
    print("| " + " | ".join(head) + " |\n|" + "---|" * len(head))
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=given.chromium, args=["--no-sandbox"])
        for n in given.spaces:
            made = ground(n, given.occupied, given.seed)
            rng = np.random.default_rng(given.seed + 1)
            rows = made.graves.iloc[rng.choice(len(made.graves), 41, replace=False)]
            questions = [f"{row['given']} {misspelt(rng, row['surname'], KINDS[k % len(KINDS)])}"
                         for k, (_, row) in enumerate(rows.iterrows())]  # fmt: skip
            words = len(pd.unique(made.graves[["given", "surname", "middle", "maiden"]].to_numpy().ravel())) - 1
            for kind in ("ours",) if given.no_folium else ("ours", "folium"):
                start, began = time.perf_counter(), time.process_time()
                text = public_page(made) if kind == "ours" else plain_folium(made)
                took, worked = time.perf_counter() - start, time.process_time() - began
                path = Path(folder) / "page.html"
                size = len(text.encode())
                path.write_text(text, encoding="utf-8")
                seen = [look(browser, path, given.throttle, questions if kind == "ours" else [])
                        for _ in range(given.repeats if kind == "ours" else 1)]  # fmt: skip
                middle = {key: statistics.median(item[key] for item in seen) for key in seen[0]}
                best = {key: min(item[key] for item in seen) for key in seen[0]}
                spaces = len(made.spaces)
                ours = kind == "ours"
                cells = [
                    kind, f"{spaces:,}", f"{len(made.graves):,}", f"{words:,}", f"{size / 1e6:.2f}",
                    f"{(size - leaflet if ours else size) / spaces:.1f}",
                    f"{(size - leaflet - own) / spaces:.1f}" if ours else "", f"{took:.1f}", f"{worked:.1f}",
                    f"{middle['shown']:,.0f}", f"{best['shown']:,.0f}", f"{middle['busy']:,.0f}",
                    *(f"{middle[key]:.1f}" if ours else "" for key in ("first search", "search", "search worst")),
                    f"{middle['fps']:.0f}", f"{middle['worst frame']:,.0f}", f"{best['worst frame']:,.0f}",
                    f"{middle['slow frames']:.0f}",
                ]  # fmt: skip
                print("| " + " | ".join(cells) + " |", flush=True)
        browser.close()


if __name__ == "__main__":
    main()
