"""A page to collect pixel positions on a scanned drawing by clicking: one file, no network, and nothing but its own."""

from __future__ import annotations

import base64
from html import escape

from cemgis.drawing import printable
from cemgis.web.page import own, policy

__all__ = ["clicker_page"]

_BODY = """\
<main><div id="frame" data-width="{width}" data-height="{height}" data-save="{save}">
<img id="picture" alt="the scanned drawing {name}" src="data:image/jpeg;base64,{image}"></div></main>
<aside>
<h1>{title}</h1>
<p>Click a marker or lot corner on the drawing and write its label as on the plat. The arrow keys move the chosen point
by a pixel, with Shift by ten. Six points well spread, near the edges too, are few; ten are good. Then save and put the
file beside the drawing.</p>
<p><button id="nearer">nearer</button> <button id="farther">farther</button> <button id="save">save the points</button>
<span id="said" role="status"></span></p>
<table><thead><tr><th></th><th>label</th><th>what</th><th>column, row</th><th></th></tr></thead>
<tbody id="rows"></tbody></table>
<h2>The points as text</h2>
<textarea id="text" aria-label="the points as text" spellcheck="false"></textarea>
<p><button id="again">read the points from the text</button></p>
</aside>
"""


def clicker_page(jpeg: bytes, size: tuple[int, int], name: str, *, ground: str, save: str) -> str:
    """Make the page for one drawing.

    Parameters
    ----------
    jpeg : bytes
        The drawing, or a smaller copy.
    size : (int, int)
        Width and height of the drawing itself: positions are its pixels, from its upper left corner.
    name, ground : str
        Shown as text.
    save : str
        Name of the file the points are saved under.

    Examples
    --------
    >>> page = clicker_page(b"x", (10, 20), "plat.png", ground="Hill", save="plat_points.csv")
    >>> 'data-width="10"' in page, page.count("<script>"), "default-src" in page
    (True, 1, True)
    """
    script, style = own("clicker.js"), own("clicker.css")
    rules = policy([script], [style]) + "; img-src data:"
    title = f"{printable(ground, 60)}: points on {printable(name, 60)}"
    body = _BODY.format(
        width=int(size[0]), height=int(size[1]), save=escape(printable(save, 80), quote=True),
        name=escape(printable(name, 60), quote=True), image=base64.b64encode(jpeg).decode("ascii"), title=escape(title),
    )  # fmt: skip
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(rules)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n{body}"
        f"<script>{script}</script>\n</body>\n</html>\n"
    )
