"""One self-contained page: a folium map's shell, Leaflet and our own files inlined, data inert, a strict policy."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from html import escape
from importlib import metadata, resources

import folium

from cemgis.errors import CemgisError

__all__ = ["MAP_VARIABLE", "assemble", "own", "policy"]

MAP_VARIABLE = "map_ground"


def own(name: str) -> str:
    """Read the text of one of this package's own files for pages.

    Examples
    --------
    >>> own("map.js").splitlines()[1]
    '"use strict";'
    """
    return resources.files("cemgis.web").joinpath(name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _leaflet() -> tuple[str, str, str]:
    """Leaflet's script, style and licence, read from the package that carries them."""
    folder = resources.files("js_lib_leaflet").joinpath("static", "js_lib_leaflet")
    script = folder.joinpath("leaflet.js").read_text(encoding="utf-8")
    style = folder.joinpath("leaflet.css").read_text(encoding="utf-8")
    found = [item for item in metadata.files("django-js-lib-leaflet") or [] if item.name == "LICENSE"]
    if not found:
        msg = "the package django-js-lib-leaflet has lost its licence file; install it again"
        raise CemgisError(msg)
    licence = found[0].read_text(encoding="utf-8")
    # The map of its source and its pictures (for controls not used here) would be looked for beside the page.
    script = re.sub(r"//# sourceMappingURL=.*", "", script)
    style = re.sub(r"[^;{}]*:\s*url\([^)]*\)[^;}]*;?", "", style)
    return script, style, licence


def _shell() -> tuple[str, str]:
    """Return folium's own part of the page, which no data has been near: the map's element, and what makes it."""
    shell = folium.Map(
        location=[0.0, 0.0], zoom_start=2, tiles=None, attribution_control=False, max_zoom=26, min_zoom=2,
        fade_animation=False, zoom_snap=0.5, keyboard_pan_delta=120, bounce_at_zoom_limits=False,
    )  # fmt: skip
    shell.default_js, shell.default_css = [], []
    shell._id = "ground"  # folium's ids are random; ours is the same every time
    root = shell.get_root()
    shell.render()
    return root.html.render().strip(), "\n" + root.script.render().strip() + "\n"


def _hash(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") + "'"


def policy(scripts: Sequence[str], styles: Sequence[str]) -> str:
    """Content-security policy that lets these very scripts and styles run, and nothing else be run or fetched.

    Examples
    --------
    >>> policy([], []).split(";")[0]
    "default-src 'none'"
    """
    return "; ".join(
        [
            "default-src 'none'",
            "script-src " + (" ".join(map(_hash, scripts)) or "'none'"),
            "style-src " + (" ".join(map(_hash, styles)) or "'none'"),
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )


def assemble(
    title: str, before: str, after: str, block: str, scripts: Sequence[str], styles: Sequence[str], *,
    blocks: Mapping[str, str] | None = None,
) -> str:  # fmt: skip
    """Put a page together.

    The text is joined, never rendered: nothing given here passes through a template.

    Parameters
    ----------
    title : str
        Escaped here.
    before, after : str
        Markup of our own around the map's element; no data.
    block : str
        Packed data, base64.
    scripts, styles : sequence of str
        Our own, run after Leaflet and the map.
    blocks : mapping of str to str, optional
        Further data, base64, by the id of the element that carries them.

    Raises
    ------
    CemgisError
        When a block or script could end its element early.

    Examples
    --------
    >>> text = assemble("Old & new", "<p>before</p>", "<p>after</p>", "QUJD", [], [])
    >>> "<title>Old &amp; new</title>" in text, text.count("<script>")
    (True, 2)
    """
    leaflet_script, leaflet_style, licence = _leaflet()
    element, make_map = _shell()
    inert = {"ground-data": block, **(blocks or {})}
    if not all(re.fullmatch(r"[A-Za-z0-9+/=]*", item) for item in inert.values()):
        msg = "the packed data hold something besides base64"
        raise CemgisError(msg)
    runs = [leaflet_script, make_map, *scripts]
    looks = [leaflet_style, *styles]
    if any("</script" in text.lower() or "<!--" in text for text in runs) or any(
        "</style" in text.lower() for text in looks
    ):
        msg = "a script or style would end its own element"
        raise CemgisError(msg)
    parts = [
        "<!DOCTYPE html>\n",
        '<html lang="en">\n<head>\n<meta charset="utf-8">\n',
        f'<meta http-equiv="Content-Security-Policy" content="{escape(policy(runs, looks))}">\n',
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
        '<meta name="robots" content="noindex, nofollow, noarchive">\n',
        '<meta name="referrer" content="no-referrer">\n',
        f"<title>{escape(title)}</title>\n",
        *(f"<style>{text}</style>\n" for text in looks),
        "</head>\n<body>\n",
        before,
        element,
        after,
        *(f'<script type="text/plain" id="{escape(name)}">{item}</script>\n' for name, item in inert.items()),
        f'<script type="text/plain" id="leaflet-licence">{escape(licence)}</script>\n',
        *(f"<script>{text}</script>\n" for text in runs),
        "</body>\n</html>\n",
    ]
    return "".join(parts)
