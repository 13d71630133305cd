"""Styles in a GeoPackage: what a GIS draws marks and sightings with."""

import sqlite3
import xml.etree.ElementTree as ET

import numpy as np
import pyogrio
import pytest

from athwart.contents import Contents
from athwart.formats import WriteOptions, read, write
from athwart.formats.styles import layer_sld
from athwart.kinds import known_symbols
from athwart.tables import KINDS, Marks, Sightings, Waypoints

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"

# Children and their order in the schema of OGC 02-070 (SLD 1.0.0), as far as we use it; from memory.
ORDER = {
    "StyledLayerDescriptor": ["Name", "Title", "Abstract", "NamedLayer"],
    "NamedLayer": ["Name", "LayerFeatureConstraints", "NamedStyle", "UserStyle"],
    "UserStyle": ["Name", "Title", "Abstract", "IsDefault", "FeatureTypeStyle"],
    "FeatureTypeStyle": ["Name", "Title", "Abstract", "FeatureTypeName", "Rule"],
    "Rule": [
        "Name", "Title", "Abstract", "LegendGraphic", "Filter", "ElseFilter",
        "MinScaleDenominator", "MaxScaleDenominator", "PointSymbolizer", "TextSymbolizer",
    ],
    "Filter": ["PropertyIsEqualTo"],
    "PropertyIsEqualTo": ["PropertyName", "Literal"],
    "PointSymbolizer": ["Geometry", "Graphic"],
    "Graphic": ["ExternalGraphic", "Mark", "Opacity", "Size", "Rotation"],
    "Mark": ["WellKnownName", "Fill", "Stroke"],
    "Fill": ["GraphicFill", "CssParameter"],
    "Stroke": ["GraphicFill", "GraphicStroke", "CssParameter"],
    "TextSymbolizer": ["Geometry", "Label", "Font", "LabelPlacement", "Halo", "Fill"],
    "Label": ["Literal"],
    "Font": ["CssParameter"],
    "LabelPlacement": ["PointPlacement"],
    "PointPlacement": ["AnchorPoint", "Displacement", "Rotation"],
    "AnchorPoint": ["AnchorPointX", "AnchorPointY"],
    "Displacement": ["DisplacementX", "DisplacementY"],
    "Halo": ["Radius", "Fill"],
}  # fmt: skip
WELL_KNOWN = {"square", "circle", "triangle", "star", "cross", "x"}  # OGC 02-070, 11.3.2


def local(element):
    return element.tag.rpartition("}")[2]


def assert_structure(element):
    names = [local(child) for child in element]
    known = ORDER.get(local(element), [])
    assert set(names) <= set(known), local(element)
    assert names == sorted(names, key=known.index), local(element)
    for child in element:
        space = OGC if local(child) in (
            "Filter", "PropertyIsEqualTo", "PropertyName", "Literal"
        ) else SLD  # fmt: skip
        assert child.tag.startswith(space)
        assert_structure(child)


def rules(sld):
    """Return for each rule of the kinds: value of the filter (None for the rest), the rule."""
    style = ET.fromstring(sld).find(f".//{SLD}FeatureTypeStyle")
    return [(r.findtext(f".//{OGC}Filter//{OGC}Literal"), r) for r in style.iter(f"{SLD}Rule")]


def marks(**columns):
    n = len(next(iter(columns.values())))
    base = {"mark_id": [f"m{i}" for i in range(n)], "lon": np.arange(n) * 1.0, "lat": np.ones(n)}
    return Marks.from_columns({**base, **columns})


@pytest.mark.parametrize("layer", ["marks", "sightings"])
@pytest.mark.parametrize("hazard", [True, False])
@pytest.mark.parametrize("kind", [True, False])
def test_the_style_keeps_to_the_structure_of_the_standard(layer, kind, hazard):
    sld = layer_sld(layer, ["rock", "cage <&>"], has_kind=kind, has_hazard=hazard)
    root = ET.fromstring(sld)
    assert local(root) == "StyledLayerDescriptor"
    assert root.get("version") == "1.0.0"
    assert_structure(root)
    assert {e.text for e in root.iter(f"{SLD}WellKnownName")} <= WELL_KNOWN


def test_every_kind_has_a_rule_and_no_two_look_alike():
    """Okabe and Ito, Color Universal Design, 2008: the colours of the map."""
    found = rules(layer_sld("marks", ["cage", "buoy", ""], has_kind=True, has_hazard=True))
    words = [w for w, _ in found if w is not None]
    assert {*KINDS, *(s.word for s in known_symbols()), "cage", "buoy"} == set(words)
    assert len(words) == len(set(words))
    assert [w for w, r in found if r.find(f"{SLD}ElseFilter") is not None] == [None]
    looks = {
        (
            r.findtext(f".//{SLD}WellKnownName"),
            r.findtext(f".//{SLD}Rotation"),
            r.findtext(f".//{SLD}Mark/{SLD}Fill/{SLD}CssParameter"),
        )
        for w, r in found
        if w in KINDS
    }
    assert len(looks) == len(KINDS)
    codes = [r.findtext(f".//{SLD}Label/{OGC}Literal") for w, r in found if w is not None]
    assert len(codes) == len(set(codes)), "the code alone tells kinds apart"
    colours = {s.word: s.colour for s in known_symbols()}
    for word, rule in found:
        if word in colours:
            assert rule.findtext(f".//{SLD}Fill/{SLD}CssParameter") == colours[word]


def test_a_geopackage_brings_its_styles_as_attributes(tmp_path):
    sightings = Sightings.from_columns(
        {"sighting_id": ["s"], "lon": [1.0], "lat": [2.0], "kind": ["rock"]}
    )
    contents = Contents(
        marks=marks(kind=["rock", "cage"], hazard=[True, False]), sightings=sightings
    )
    path = tmp_path / "o.gpkg"
    written = write(path, contents)
    assert written.words == ()
    assert pyogrio.list_layers(path).tolist() == [
        ["marks", "Point"], ["sightings", "Point"], ["layer_styles", None],
    ]  # fmt: skip
    again = read(path)
    assert again.words == ()
    assert again.counts["marks"] == 2
    assert again.counts["sightings"] == 1
    assert again.counts["waypoints"] == 0
    with sqlite3.connect(path) as base:
        kinds = dict(base.execute("SELECT table_name, data_type FROM gpkg_contents"))
        assert kinds == {
            "marks": "features", "sightings": "features", "layer_styles": "attributes",
        }  # fmt: skip
        columns = [row[1] for row in base.execute("PRAGMA table_info(layer_styles)")]
        # The convention that GIS programs share; its names and order are common practice.
        assert columns == [
            "id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column",
            "styleName", "styleQML", "styleSLD", "useAsDefault", "description", "owner", "ui",
            "update_time",
        ]  # fmt: skip
        styles = base.execute(
            "SELECT f_table_name, f_geometry_column, useAsDefault, styleSLD FROM layer_styles"
        ).fetchall()
        geometry = dict(base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        (number,) = base.execute("PRAGMA application_id").fetchone()
    base.close()
    assert number == 0x47504B47  # OGC 12-128, requirement 2: "GPKG"
    assert [(s[0], s[1], s[2]) for s in styles] == [(k, geometry[k], 1) for k in geometry]
    words = {w for w, _ in rules(styles[0][3])}
    assert {"rock", "cage"} <= words
    assert "hazard" in styles[0][3]
    assert "hazard" not in styles[1][3], "that layer has no such column"


def test_words_of_the_user_cannot_break_the_style(tmp_path):
    odd = ["<sld:Rule/>\"&'", "]]>", "a\x00b", "岩"]
    write(tmp_path / "o.gpkg", Contents(marks=marks(kind=odd)))
    with sqlite3.connect(tmp_path / "o.gpkg") as base:
        (sld,) = base.execute("SELECT styleSLD FROM layer_styles").fetchone()
        held = {k for (k,) in base.execute("SELECT kind FROM marks")}
    base.close()
    assert_structure(ET.fromstring(sld))
    assert held <= {w for w, _ in rules(sld)}, "a rule fits what the layer holds"


def test_very_many_words_of_the_user_do_not_swell_the_style():
    sld = layer_sld("marks", [f"w{i}" for i in range(5000)], has_kind=True, has_hazard=False)
    assert len(rules(sld)) == len(known_symbols()) + 100 + 1


def test_what_is_no_mark_or_sighting_has_no_style(tmp_path):
    path = tmp_path / "o.gpkg"
    write(path, Contents(waypoints=Waypoints.from_columns({"lon": [1.0], "lat": [2.0]})))
    assert [n for n, _ in pyogrio.list_layers(path)] == ["waypoints"]


def test_a_clean_file_and_one_without_kinds_are_styled_too(tmp_path):
    for name, columns in (("clean", {"kind": ["rock"]}), ("bare", {"name": ["A"]})):
        path = tmp_path / f"{name}.gpkg"
        write(path, Contents(marks=marks(**columns)), options=WriteOptions(clean=True))
        with sqlite3.connect(path) as base:
            (sld,) = base.execute("SELECT styleSLD FROM layer_styles").fetchone()
        base.close()
        assert ("PropertyName" in sld) == ("kind" in columns)
