"""Layer styles inside a GeoPackage: what a GIS draws our points with when it opens the file.

The table ``layer_styles`` is an open convention outside the GeoPackage standard: one row a style,
found by the name of the layer and its geometry column. Ours holds a Styled Layer Descriptor
(OGC 02-070, SLD 1.0.0), which many programs read. Its marks have six well-known names only, so
the map's other shapes are drawn by the nearest of them; the code beside each sign tells kinds
apart without colour, as on the map.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from athwart.formats.files import gdal_source, gdal_target
from athwart.kinds import Symbol, known_symbols, symbols_for

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["STYLED", "STYLES_TABLE", "layer_sld", "write_styles"]

STYLES_TABLE = "layer_styles"
STYLED = ("marks", "sightings")

_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"
_SIGNS = {
    "triangle": ("triangle", 0),
    "basin": ("triangle", 180),
    "hexagon": ("star", 0),
    "trapezium": ("square", 0),
    "square": ("square", 0),
    "diamond": ("square", 45),
    "bar": ("cross", 0),
    "capsule": ("x", 0),
    "circle": ("circle", 0),
    "lens": ("circle", 0),
}
_OWN_WORDS = 100
_PIXELS = {"marks": 14, "sightings": 7}


def layer_sld(layer: str, kinds: Iterable[str], *, has_kind: bool, has_hazard: bool) -> str:
    """Return the style of a layer of marks or sightings.

    Parameters
    ----------
    layer : {"marks", "sightings"}
        Sightings are drawn smaller and without codes.
    kinds : iterable of str
        Kinds in the layer. Every kind that the package knows has a rule whether it is among them
        or not; of other words the first hundred in alphabetic order have one.
    has_kind, has_hazard : bool
        Whether the layer has these columns. Without a kind all points are drawn alike.

    Returns
    -------
    str
        XML.

    Examples
    --------
    >>> "<sld:WellKnownName>triangle" in layer_sld("marks", [], has_kind=True, has_hazard=False)
    True
    """
    known = known_symbols()
    words = {s.word for s in known}
    own = sorted({k for k in kinds if k} - words)[:_OWN_WORDS]
    symbols = symbols_for([*words, *own]) if has_kind else []
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.0.0")
    named = _add(root, "NamedLayer")
    _add(named, "Name", layer)
    style = _add(named, "UserStyle")
    _add(style, "Name", layer)
    _add(style, "Title", f"{layer.capitalize()} by kind")
    _add(style, "IsDefault", "1")
    by_kind = _add(style, "FeatureTypeStyle")
    for symbol in symbols:
        rule = _rule(by_kind, symbol.word, symbol.word)
        _filter(rule, "kind", symbol.word)
        _draw(rule, layer, symbol)
    rest = _rule(by_kind, "kind not given", "any other kind, or none")
    if symbols:
        _add(rest, "ElseFilter")
    _draw(rest, layer, Symbol("", "?", "circle", "#ffffff"))
    if has_hazard:  # by itself: it is drawn about the sign of the kind, not instead of it
        ring = _rule(_add(style, "FeatureTypeStyle"), "hazard", "a danger to the boat")
        _filter(ring, "hazard", "true")
        graphic = _add(_add(ring, "PointSymbolizer"), "Graphic")
        mark = _add(graphic, "Mark")
        _add(mark, "WellKnownName", "circle")
        stroke = _add(mark, "Stroke")
        _css(stroke, "stroke", "#000000")
        _css(stroke, "stroke-width", "1.5")
        _css(stroke, "stroke-dasharray", "2 3")
        _add(graphic, "Size", str(_PIXELS[layer] + 10))
    ET.register_namespace("sld", _SLD)
    ET.register_namespace("ogc", _OGC)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def write_styles(path: Path, frames: dict[str, pd.DataFrame]) -> None:
    """Add the table of styles to a GeoPackage that holds the layers already.

    Parameters
    ----------
    path : pathlib.Path
        A GeoPackage.
    frames : dict of str to pandas.DataFrame
        The layers to style, as they were written.
    """
    import pandas as pd
    import pyogrio

    rows: list[dict[str, Any]] = []
    for layer, frame in frames.items():
        has_kind = "kind" in frame.columns
        kinds = map(str, frame["kind"].unique()) if has_kind else ()
        sld = layer_sld(layer, kinds, has_kind=has_kind, has_hazard="hazard" in frame.columns)
        geometry = pyogrio.read_info(gdal_source(path), layer=layer)["geometry_name"]
        rows.append(
            {
                "f_table_catalog": "",
                "f_table_schema": "",
                "f_table_name": layer,
                "f_geometry_column": geometry,
                "styleName": layer,
                "styleQML": "",
                "styleSLD": sld,
                "useAsDefault": True,
                "description": f"{layer.capitalize()} by kind",
                "owner": "",
                "ui": "",
                "update_time": pd.NaT,
            }
        )
    if not rows:
        return
    table = pd.DataFrame(rows)
    table["update_time"] = pd.to_datetime(table["update_time"], utc=True)
    with gdal_target(path) as target:
        pyogrio.write_dataframe(
            table, target, layer=STYLES_TABLE, driver="GPKG", append=True, use_arrow=False,
            layer_options={"FID": "id"},
        )  # fmt: skip


def _add(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    element = ET.SubElement(parent, f"{{{_SLD}}}{name}")
    element.text = text
    return element


def _css(parent: ET.Element, name: str, value: str) -> None:
    _add(parent, "CssParameter", value).set("name", name)


def _rule(parent: ET.Element, name: str, title: str) -> ET.Element:
    rule = _add(parent, "Rule")
    _add(rule, "Name", name)
    _add(rule, "Title", title)
    return rule


def _filter(rule: ET.Element, column: str, value: str) -> None:
    equal = ET.SubElement(ET.SubElement(rule, f"{{{_OGC}}}Filter"), f"{{{_OGC}}}PropertyIsEqualTo")
    ET.SubElement(equal, f"{{{_OGC}}}PropertyName").text = column
    ET.SubElement(equal, f"{{{_OGC}}}Literal").text = value


def _draw(rule: ET.Element, layer: str, symbol: Symbol) -> None:
    graphic = _add(_add(rule, "PointSymbolizer"), "Graphic")
    mark = _add(graphic, "Mark")
    name, turn = _SIGNS[symbol.shape]
    _add(mark, "WellKnownName", name)
    _css(_add(mark, "Fill"), "fill", symbol.colour)
    stroke = _add(mark, "Stroke")
    _css(stroke, "stroke", "#000000")
    _css(stroke, "stroke-width", "1")
    _add(graphic, "Size", str(_PIXELS[layer]))
    if turn:
        _add(graphic, "Rotation", str(turn))
    if layer != "marks":
        return
    text = _add(rule, "TextSymbolizer")
    ET.SubElement(_add(text, "Label"), f"{{{_OGC}}}Literal").text = symbol.code
    font = _add(text, "Font")
    _css(font, "font-family", "sans-serif")
    _css(font, "font-size", "10")
    _css(font, "font-weight", "bold")
    point = _add(_add(text, "LabelPlacement"), "PointPlacement")
    anchor = _add(point, "AnchorPoint")
    _add(anchor, "AnchorPointX", "0")
    _add(anchor, "AnchorPointY", "0.5")
    shift = _add(point, "Displacement")
    _add(shift, "DisplacementX", "9")
    _add(shift, "DisplacementY", "0")
    halo = _add(text, "Halo")
    _add(halo, "Radius", "1.5")
    _css(_add(halo, "Fill"), "fill", "#ffffff")
    _css(_add(text, "Fill"), "fill", "#000000")
