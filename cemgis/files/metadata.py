"""ISO 19115 metadata of a ground, as ISO 19139 XML: what it is, where, in which system, from what, how sure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pyproj

from cemgis.layers import FORMAT_VERSION, LAYERS
from cemgis.units import Unit

__all__ = ["describe"]

_GMD = "http://www.isotc211.org/2005/gmd"
_GCO = "http://www.isotc211.org/2005/gco"
_LISTS = "http://standards.iso.org/iso/19139/resources/gmxCodelists.xml"
_SHARE = 0.95


def describe(
    tables: Mapping[str, pd.DataFrame], *, title: str, crs: pyproj.CRS, unit: Unit, stamp: datetime, abstract: str = ""
) -> str:
    """Return the metadata of a ground as XML.

    Identification and extent, reference system, lineage from the ``run`` table, and positional accuracy from the
    95 % radii of the spaces. The element order is that of the ISO 19139 schemas, from memory.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The layers of the ground.
    title : str
    crs : pyproj.CRS
    unit : Unit
        Of the lengths in the tables.
    stamp : datetime
        With its zone.
    abstract : str, optional

    Examples
    --------
    >>> text = describe({}, title="Millrace Hill", crs=pyproj.CRS("EPSG:6549"), stamp=datetime(2025, 6, 1, tzinfo=UTC),
    ...                 unit=__import__("cemgis.units").units.US_SURVEY_FOOT)
    >>> "EPSG:6549" in text and "Millrace Hill" in text
    True
    """
    root = ET.Element(f"{{{_GMD}}}MD_Metadata")
    _said(root, "language", "eng")
    _coded(root, "characterSet", "MD_CharacterSetCode", "utf8")
    _coded(root, "hierarchyLevel", "MD_ScopeCode", "dataset")
    contact = _sub(root, "contact", "CI_ResponsibleParty")
    _said(contact, "organisationName", title)
    _coded(contact, "role", "CI_RoleCode", "pointOfContact")
    moment = stamp.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    _said(root, "dateStamp", moment, "DateTime")
    _said(root, "metadataStandardName", "ISO 19115:2003")
    _said(root, "metadataStandardVersion", "ISO/TS 19139:2007")
    _reference(root, crs)
    _identify(root, tables, title, crs, moment, abstract)
    _quality(root, tables, unit)
    ET.register_namespace("gmd", _GMD)
    ET.register_namespace("gco", _GCO)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _reference(root: ET.Element, crs: pyproj.CRS) -> None:
    found = crs.to_authority(min_confidence=100)
    system = _sub(root, "referenceSystemInfo", "MD_ReferenceSystem")
    named = _sub(system, "referenceSystemIdentifier", "RS_Identifier")
    _said(named, "code", f"{found[0]}:{found[1]}" if found else crs.name)
    if found:
        _said(named, "codeSpace", found[0])


def _identify(
    root: ET.Element, tables: Mapping[str, pd.DataFrame], title: str, crs: pyproj.CRS, moment: str, abstract: str
) -> None:
    known = _sub(root, "identificationInfo", "MD_DataIdentification")
    citation = _sub(known, "citation", "CI_Citation")
    _said(citation, "title", title)
    dated = _sub(citation, "date", "CI_Date")
    _said(dated, "date", moment, "DateTime")
    _coded(dated, "dateType", "CI_DateTypeCode", "creation")
    listed = "; ".join(f"{name}: {LAYERS[name].doc}" for name in tables if name in LAYERS)
    _said(known, "abstract", abstract or f"Layers of a burial ground. {listed}")
    _coded(known, "spatialRepresentationType", "MD_SpatialRepresentationTypeCode", "vector")
    _said(known, "language", "eng")
    ET.SubElement(
        ET.SubElement(known, f"{{{_GMD}}}topicCategory"), f"{{{_GMD}}}MD_TopicCategoryCode"
    ).text = "planningCadastre"  # fmt: skip
    bounds = _extent(tables, crs)
    if bounds is not None:
        box = _sub(_sub(known, "extent", "EX_Extent"), "geographicElement", "EX_GeographicBoundingBox")
        for name, value in zip(
            ("westBoundLongitude", "eastBoundLongitude", "southBoundLatitude", "northBoundLatitude"),
            bounds,
            strict=True,
        ):
            _said(box, name, f"{value:.7f}", "Decimal")


def _extent(tables: Mapping[str, Any], crs: pyproj.CRS) -> tuple[float, float, float, float] | None:
    boxes = [
        tables[name].total_bounds
        for name in ("sections", "lots", "spaces", "markers")
        if name in tables and len(tables[name])
    ]
    boxes = [box for box in boxes if np.isfinite(box).all()]
    geographic = crs.geodetic_crs
    if not boxes or geographic is None:
        return None
    found = np.array(boxes)
    # Within one datum: an exact conversion, no shift.
    way = pyproj.Transformer.from_crs(crs, geographic, always_xy=True)
    low, high = found[:, :2].min(axis=0), found[:, 2:].max(axis=0)
    west, south, east, north = way.transform_bounds(low[0], low[1], high[0], high[1])
    bounds = (west, east, south, north)
    return bounds if np.isfinite(bounds).all() else None


def _quality(root: ET.Element, tables: Mapping[str, pd.DataFrame], unit: Unit) -> None:
    quality = _sub(root, "dataQualityInfo", "DQ_DataQuality")
    _coded(_sub(quality, "scope", "DQ_Scope"), "level", "MD_ScopeCode", "dataset")
    spaces = tables.get("spaces")
    radii = np.empty(0) if spaces is None else spaces["radius_95"].dropna().to_numpy(dtype=float)
    if radii.size:
        for share, words in ((0.5, "half of the spaces"), (_SHARE, "95 of 100 spaces")):
            accuracy = _sub(quality, "report", "DQ_AbsoluteExternalPositionalAccuracy")
            _said(accuracy, "nameOfMeasure", f"radius of the 95 % circle that {words} stay within")
            result = _sub(accuracy, "result", "DQ_QuantitativeResult")
            value_unit = ET.SubElement(result, f"{{{_GMD}}}valueUnit")
            value_unit.set("{http://www.w3.org/1999/xlink}title", unit.name)
            _said(
                ET.SubElement(result, f"{{{_GMD}}}value"), "", f"{np.quantile(radii, share):.3f}", "Record"
            )  # fmt: skip
    lineage = _sub(quality, "lineage", "LI_Lineage")
    run = tables.get("run")
    said = [] if run is None else list(run.sort_values("name").itertuples(index=False))
    _said(lineage, "statement", f"Built from the evidence named below; form {FORMAT_VERSION} of the layers.")
    for row in said:
        if row.group == "evidence":
            continue
        step = _sub(lineage, "processStep", "LI_ProcessStep")
        _said(step, "description", _line(row))
    for row in said:
        if row.group == "evidence":
            _said(_sub(lineage, "source", "LI_Source"), "description", _line(row))


def _line(row: Any) -> str:
    value = "" if pd.isna(row.value) else f" = {row.value}"
    source = "" if pd.isna(row.source) else f" ({row.source})"
    return f"{row.name}{value}{source}"


def _sub(parent: ET.Element, role: str, kind: str) -> ET.Element:
    return ET.SubElement(ET.SubElement(parent, f"{{{_GMD}}}{role}"), f"{{{_GMD}}}{kind}")


def _said(parent: ET.Element, role: str, text: str, kind: str = "CharacterString") -> None:
    holder = ET.SubElement(parent, f"{{{_GMD}}}{role}") if role else parent
    ET.SubElement(holder, f"{{{_GCO}}}{kind}").text = _xml(text)


def _coded(parent: ET.Element, role: str, kind: str, value: str) -> None:
    code = _sub(parent, role, kind)
    code.set("codeList", f"{_LISTS}#{kind}")
    code.set("codeListValue", value)
    code.text = value


def _xml(text: str) -> str:
    """Drop what XML 1.0 cannot hold: control characters."""
    return "".join(letter for letter in text if letter >= " " or letter in "\t\n")
