"""Plans as records and files: nothing lost, whatever the format and the meridian."""

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon

from athwart.errors import DataError, FileError
from athwart.features import Feature
from athwart.formats.shapes import read_features, routes_of, write_features

PLAN = [
    Feature(role="run", geometry=LineString([(12, 55), (12.1, 55.1)]), name="along the bank"),
    Feature(role="not seen", geometry=Polygon([(12, 55), (12.1, 55), (12.1, 55.1)]), note="<b>"),
    Feature(role="hold", geometry=Point(12, 55), values={"heading_deg": 37.5}),
]


@pytest.mark.parametrize("ending", [".geojson", ".gpkg", ".fgb", ".kml"])
def test_a_plan_comes_back_as_it_was_written(tmp_path, ending):
    path = tmp_path / f"plan{ending}"
    write_features(path, PLAN)
    back = sorted(read_features(path), key=lambda f: f.role)
    for was, now in zip(sorted(PLAN, key=lambda f: f.role), back, strict=True):
        assert (now.role, now.name, now.note) == (was.role, was.name, was.note)
        assert shapely.equals_exact(now.geometry, was.geometry, 1e-6)
    assert float(back[0].values["heading_deg"]) == 37.5


def test_a_shape_across_the_180th_meridian_is_cut_there(tmp_path):
    area = Polygon([(179.9, 10), (180.1, 10), (180.1, 10.1), (179.9, 10.1)])
    line = LineString([(-180.1, 10), (-179.9, 10.1)])
    write_features(
        tmp_path / "plan.geojson",
        [Feature(role="seen", geometry=area), Feature(role="lane", geometry=line)],
    )
    back = read_features(tmp_path / "plan.geojson")
    for feature, was in zip(back, (area, line), strict=True):
        west, _, east, _ = feature.geometry.bounds
        assert (west, east) == (-180, 180)
        assert len(shapely.get_parts(feature.geometry)) == 2
        assert feature.geometry.area == pytest.approx(was.area)
        assert feature.geometry.length == pytest.approx(
            was.length + (0.2 if was is area else 0), rel=1e-9
        )


def test_lines_become_routes_and_the_rest_stays_out():
    routes = routes_of(PLAN)
    assert np.allclose(routes.lon, [12, 12.1])
    assert routes.name.tolist() == ["along the bank"] * 2


def test_what_is_no_plan_is_refused_in_a_sentence(tmp_path):
    path = tmp_path / "coast.geojson"
    path.write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},'
        ' "geometry": {"type": "Point", "coordinates": [12, 55]}}]}'
    )
    with pytest.raises(FileError, match="no column 'role'"):
        read_features(path)
    with pytest.raises(FileError, match="the plan is empty"):
        write_features(tmp_path / "x.gpkg", [])
    with pytest.raises(FileError, match=r"ending '\.shp'"):
        write_features(tmp_path / "x.shp", PLAN)
    with pytest.raises(DataError, match="the role is 'nothing'"):
        Feature(role="nothing", geometry=Point(0, 0))
