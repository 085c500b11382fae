"""How a desktop GIS shows a layer: a style in QML, the XML form such a program keeps in a GeoPackage.

The element and property names are from memory of files in that form. One such program, version 3.22, was seen to open
a file so styled: every class, hatch, mark, label, name and list of values as declared, layers in their order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

from cemgis.schema import Column, Layer, Symbol
from cemgis.units import Unit

__all__ = ["LABELS", "Label", "alias", "qml"]


@dataclass(frozen=True, slots=True)
class Label:
    """What a layer is labelled with, and from which scale on.

    Parameters
    ----------
    column : str
    size_pt : float
    least_scale : int
        Denominator of the smallest scale at which labels show.
    bold : bool
    """

    column: str
    size_pt: float
    least_scale: int
    bold: bool = False


# A space is 4 ft wide (common practice, no source): at 1:400 that is 3 mm, room for a digit of 6 points. A lot of 16 ft
# is 3 mm at 1:1600.
LABELS: Final = {
    "sections": Label("section", 14.0, 20_000, bold=True),
    "lots": Label("lot", 8.0, 1_600, bold=True),
    "spaces": Label("space", 6.0, 400),
    "drives": Label("name", 8.0, 5_000),
    "markers": Label("label", 7.0, 500),
    "control": Label("control_id", 8.0, 5_000),
    "monuments": Label("monument_id", 6.0, 200),
    "vaults": Label("vault_id", 6.0, 200),
    "findings": Label("kind", 7.0, 1_000),
}
"""Labels by layer. Scales follow from the sizes of what is labelled."""

_NEAR: Final = {"readings": 300, "occupations": 300, "corners": 2_000, "clearances": 2_000}
_ABOVE_NOTHING: Final = {"clearances": "shortfall"}  # drawn only where the column says that something is missing
_LINE_MM = 0.26  # hairline of a plotted plan, from memory
_HATCH_MM = 1.6
_HATCH_LINE_MM = 0.18
_DOT_MM = 0.5
_MM_PER_PT = 25.4 / 72.0
_PLAIN = Symbol("", line="#777777", mark="cross", size_pt=2.5)
_KIND = {
    "Point": "marker",
    "MultiPoint": "marker",
    "LineString": "line",
    "Polygon": "fill",
    "MultiPolygon": "fill",
}
_MARKS = {
    "circle": "circle",
    "square": "square",
    "triangle": "triangle",
    "diamond": "diamond",
    "cross": "cross",
    "ring": "circle",
}
_ANGLES: Final = {"diagonal": (45.0,), "crossed": (45.0, 135.0), "level": (0.0,), "upright": (90.0,)}


def alias(column: Column, unit: Unit) -> str:
    """Readable name of a column, with its unit.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> alias(Column("radius_95", "real", "...", unit="length"), US_SURVEY_FOOT)
    'radius 95 (ft)'
    """
    said = {"length": unit.suffix, "length2": f"{unit.suffix}²", "degrees": "°", "metres": "m"}
    words = column.name.replace("_", " ")
    return f"{words} ({said.get(column.unit, column.unit)})" if column.unit else words


def qml(layer: Layer, unit: Unit | None = None) -> str:
    r"""Return the style of a layer, made from its declared symbols.

    Classes follow ``symbol_by``; a pattern becomes a hatch over the fill, so that classes stay apart without colour.

    Parameters
    ----------
    layer : Layer
        With a geometry.
    unit : Unit, optional
        Of the file's lengths: given, columns get readable names and lists of the values they may have.

    Raises
    ------
    ValueError
        When the layer has no geometry.

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> root = ET.fromstring(qml(LAYERS["markers"]).split("\n", 1)[1])
    >>> [item.get("value") for item in root.iter("category")]
    ['used in the fit', 'set aside', 'not on the plat', 'plat without fit', 'no position']
    """
    if layer.geometry is None:
        msg = f"layer {layer.name} has no geometry and so no style"
        raise ValueError(msg)
    label = LABELS.get(layer.name)
    root = ET.Element(
        "qgis",
        {
            "version": "3.22.0",
            "styleCategories": "Symbology|Labeling" + ("|Fields|Forms" if unit else ""),
            "labelsEnabled": "1" if label else "0",
        },
    )
    if layer.name in _NEAR:  # so many that they hide the ground from further off
        root.attrib |= {"hasScaleBasedVisibilityFlag": "1", "minScale": str(_NEAR[layer.name]), "maxScale": "0"}
        root.set("styleCategories", root.get("styleCategories", "") + "|Rendering")
    kind = _KIND[layer.geometry]
    symbols = layer.symbols or {"": _PLAIN}
    common = {"forceraster": "0", "symbollevels": "0", "enableorderby": "0"}
    if layer.symbol_by:
        renderer = ET.SubElement(
            root, "renderer-v2", {"type": "categorizedSymbol", "attr": layer.symbol_by, **common}
        )  # fmt: skip
        categories = ET.SubElement(renderer, "categories")
        for number, (value, symbol) in enumerate(symbols.items()):
            ET.SubElement(
                categories,
                "category",
                {"value": value, "label": symbol.word, "symbol": str(number), "render": "true"},
            )
    elif layer.name in _ABOVE_NOTHING:
        column = next(item for item in layer.columns if item.name == _ABOVE_NOTHING[layer.name])
        renderer = ET.SubElement(root, "renderer-v2", {"type": "RuleRenderer", **common})
        rules = ET.SubElement(renderer, "rules", {"key": f"{layer.name}"})
        which = f'"{column.written(unit) if unit else column.name}" > 0'
        ET.SubElement(
            rules, "rule", {"key": f"{layer.name}-0", "filter": which, "symbol": "0", "label": symbols[""].word}
        )
    else:
        renderer = ET.SubElement(root, "renderer-v2", {"type": "singleSymbol", **common})
    drawn = ET.SubElement(renderer, "symbols")
    for number, symbol in enumerate(symbols.values()):
        _symbol(drawn, str(number), kind, symbol)
    if label:
        _labels(root, label, kind)
    if unit is not None:
        _fields(root, layer, unit)
        ET.SubElement(root, "previewExpression").text = f'"{layer.key}"'
    ET.SubElement(root, "layerGeometryType").text = {"marker": "0", "line": "1", "fill": "2"}[kind]
    ET.indent(root, " ")
    body = ET.tostring(root, encoding="unicode")
    return f"<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n{body}\n"


def _fields(root: ET.Element, layer: Layer, unit: Unit) -> None:
    """Write readable names, and for columns with choices a list to choose from."""
    configured = ET.SubElement(root, "fieldConfiguration")
    for column in layer.columns:
        if not column.choices and column.type != "real":
            continue
        one = ET.SubElement(configured, "field", {"name": column.written(unit), "configurationFlags": "None"})
        if not column.choices:  # with its range known, a form would offer whole numbers only
            ET.SubElement(ET.SubElement(one, "editWidget", {"type": "TextEdit"}), "config")
            continue
        config = ET.SubElement(ET.SubElement(one, "editWidget", {"type": "ValueMap"}), "config")
        listed = ET.SubElement(
            ET.SubElement(config, "Option", {"type": "Map"}), "Option", {"name": "map", "type": "List"}
        )  # fmt: skip
        for choice in column.choices:
            entry = ET.SubElement(listed, "Option", {"type": "Map"})
            ET.SubElement(entry, "Option", {"name": choice, "type": "QString", "value": choice})
    names = ET.SubElement(root, "aliases")
    for number, column in enumerate(layer.columns, 1):  # field 0 is the file's own number of the row
        ET.SubElement(
            names, "alias", {"field": column.written(unit), "index": str(number), "name": alias(column, unit)}
        )  # fmt: skip


def _colour(text: str, *, alpha: int = 255) -> str:
    red, green, blue = (int(text[place : place + 2], 16) for place in (1, 3, 5))
    return f"{red},{green},{blue},{alpha}"


def _options(parent: ET.Element, values: dict[str, str]) -> None:
    """Write properties both as options (newer readers) and as props (older ones)."""
    options = ET.SubElement(parent, "Option", {"type": "Map"})
    for name, value in values.items():
        ET.SubElement(options, "Option", {"name": name, "type": "QString", "value": value})
    for name, value in values.items():
        ET.SubElement(parent, "prop", {"k": name, "v": value})


def _element(parent: ET.Element, name: str, kind: str) -> ET.Element:
    return ET.SubElement(
        parent, "symbol", {"name": name, "type": kind, "alpha": "1", "clip_to_extent": "1", "force_rhr": "0"}
    )


def _part(symbol: ET.Element, name: str, values: dict[str, str]) -> ET.Element:
    part = ET.SubElement(symbol, "layer", {"class": name, "enabled": "1", "locked": "0", "pass": "0"})
    _options(part, values)
    return part


def _symbol(parent: ET.Element, name: str, kind: str, symbol: Symbol) -> None:
    element = _element(parent, name, kind)
    if kind == "marker":
        _marker(element, symbol)
    elif kind == "line":
        _line(element, symbol.line, 2 * _LINE_MM)
    else:
        _fill(element, name, symbol)


def _marker(element: ET.Element, symbol: Symbol) -> None:
    filled = bool(symbol.fill) and symbol.mark not in ("ring", "cross")
    values = {
        "name": _MARKS[symbol.mark],
        "color": _colour(symbol.fill or "#ffffff", alpha=255 if filled else 0),
        "outline_color": _colour(symbol.line),
        "outline_style": "solid",
        "outline_width": f"{_LINE_MM:g}",
        "outline_width_unit": "MM",
        "size": f"{symbol.size_pt * _MM_PER_PT:.2f}",
        "size_unit": "MM",
    }
    _part(element, "SimpleMarker", values)


def _line(element: ET.Element, colour: str, width_mm: float) -> None:
    values = {
        "line_color": _colour(colour),
        "line_style": "solid",
        "line_width": f"{width_mm:g}",
        "line_width_unit": "MM",
        "joinstyle": "miter",
        "capstyle": "flat",
    }
    _part(element, "SimpleLine", values)


def _fill(element: ET.Element, name: str, symbol: Symbol) -> None:
    values = {
        "color": _colour(symbol.fill or "#ffffff", alpha=255 if symbol.fill else 0),
        "style": "solid" if symbol.fill else "no",
        "outline_color": _colour(symbol.line),
        "outline_style": "solid",
        "outline_width": f"{_LINE_MM:g}",
        "outline_width_unit": "MM",
        "joinstyle": "miter",
    }
    _part(element, "SimpleFill", values)
    for number, angle in enumerate(_ANGLES.get(symbol.pattern, ()), 1):
        hatch = _part(
            element,
            "LinePatternFill",
            {"angle": f"{angle:g}", "distance": f"{_HATCH_MM:g}", "distance_unit": "MM", "offset": "0"},
        )
        _line(_element(hatch, f"@{name}@{number}", "line"), symbol.line, _HATCH_LINE_MM)
    if symbol.pattern == "dots":
        dots = _part(
            element,
            "PointPatternFill",
            {
                "distance_x": f"{_HATCH_MM:g}",
                "distance_x_unit": "MM",
                "distance_y": f"{_HATCH_MM:g}",
                "distance_y_unit": "MM",
                "displacement_x": f"{_HATCH_MM / 2:g}",
                "displacement_x_unit": "MM",
            },
        )
        dot = Symbol("", fill=symbol.line, line=symbol.line, mark="circle", size_pt=_DOT_MM / _MM_PER_PT)
        _marker(_element(dots, f"@{name}@1", "marker"), dot)


def _labels(root: ET.Element, label: Label, kind: str) -> None:
    labeling = ET.SubElement(root, "labeling", {"type": "simple"})
    settings = ET.SubElement(labeling, "settings")
    style = ET.SubElement(
        settings,
        "text-style",
        {
            "fieldName": label.column,
            "isExpression": "0",
            "fontSize": f"{label.size_pt:g}",
            "fontSizeUnit": "Point",
            "fontWeight": "75" if label.bold else "50",
            "textColor": "30,30,30,255",
            "textOpacity": "1",
            "namedStyle": "Bold" if label.bold else "Regular",
        },
    )
    # A white halo keeps a label legible over a hatch.
    ET.SubElement(
        style,
        "text-buffer",
        {
            "bufferDraw": "1",
            "bufferSize": "0.7",
            "bufferSizeUnits": "MM",
            "bufferColor": "255,255,255,255",
            "bufferOpacity": "1",
            "bufferNoFill": "1",
        },
    )
    around, over, inside, centred = "0", "1", "2", "4"
    ET.SubElement(
        settings,
        "placement",
        {
            "placement": around if kind == "marker" else over,
            "dist": "1",
            "distUnits": "MM",
            "quadOffset": centred,
            "centroidInside": "1",
            "polygonPlacementFlags": inside,
            "placementFlags": "10",
            "priority": "5",
        },
    )
    # The two names mean the least and the greatest denominator, whatever they sound like.
    ET.SubElement(
        settings,
        "rendering",
        {
            "drawLabels": "1",
            "scaleVisibility": "1",
            "scaleMin": "1",
            "scaleMax": str(label.least_scale),
            "fontMinPixelSize": "3",
            "fontMaxPixelSize": "10000",
        },
    )
