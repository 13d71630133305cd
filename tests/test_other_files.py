"""Files that other libraries ship are read as an independent reader reads them."""

import json
import shutil
import site
import sys
from pathlib import Path

import pytest

from measure_other_files import files_in, main, measure

SAMPLES = Path(__file__).parents[1] / "sample_gpx"
PLACES = [Path(p) for p in (*site.getsitepackages(), *sys.path) if "site-packages" in p]


def installed_samples():
    for place in {p.resolve() for p in PLACES if p.is_dir()}:
        for package in sorted(place.iterdir()):
            # Ours are no witness; large trees without samples would only cost time.
            if package.is_dir() and package.name in ("pyogrio", "geopandas", "fiona", "gpxpy"):
                yield from files_in(package)


def test_samples_of_the_installed_libraries():
    found = list(installed_samples())
    if not found:
        pytest.skip("the installed libraries ship no samples of formats that we read")
    outcomes = [measure(path, kind) for path, kind in found]
    assert sum(o.compared for o in outcomes)
    assert [(o.path.name, o.disagreements) for o in outcomes if o.disagreements] == []
    assert all(o.path.name in o.refused for o in outcomes if o.refused)


def test_our_own_samples_of_every_kind(tmp_path):
    for name in ("trip-1-track.gpx", "waypoints.gpx", "trip-2-log.nmea", "coastline.geojson"):
        shutil.copy(SAMPLES / name, tmp_path)
    (tmp_path / "a.kml").write_text(
        """<kml xmlns="http://www.opengis.net/kml/2.2"><Document>
        <Placemark><name>Anvil</name><Point><coordinates>12.25,55.5,3</coordinates></Point></Placemark>
        <Placemark><LineString><coordinates>12,55 12.5,55.25</coordinates></LineString></Placemark>
        </Document></kml>"""
    )
    outcomes = [measure(path, kind) for path, kind in files_in(tmp_path)]
    assert {o.kind for o in outcomes} == {"GPX", "NMEA", "GeoJSON", "KML"}
    assert [o.disagreements for o in outcomes] == [[]] * 5
    assert [o.refused for o in outcomes] == [""] * 5
    assert sum(o.compared for o in outcomes) > 1000


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"lon": 12.2500001}, "not 12.2500001"),
        ({"lat": 55.0}, "not 12.25 55.0"),
        ({"name": "Bell"}, "name 'Anvil', not 'Bell'"),
        ({"height": 4.0}, "height 3.0, not 4.0"),
    ],
)
def test_the_measure_sees_a_point_that_differs(tmp_path, monkeypatch, change, told):
    import measure_other_files as m

    path = tmp_path / "a.geojson"
    place = {"type": "Point", "coordinates": [12.25, 55.5, 3.0]}
    feature = {"type": "Feature", "properties": {"name": "Anvil"}, "geometry": place}
    path.write_text(json.dumps(feature))
    assert measure(path, "GeoJSON").disagreements == []
    point = m.geojson_seen(path)[1]["points"][0]
    moved = m.Point(**{**{f: getattr(point, f) for f in point.__dataclass_fields__}, **change})
    monkeypatch.setitem(m._WITNESS, "GeoJSON", lambda _: ("json", {"points": [moved]}))
    assert told in " ".join(measure(path, "GeoJSON").disagreements)
    monkeypatch.setitem(m._WITNESS, "GeoJSON", lambda _: ("json", {"points": [point, point]}))
    assert measure(path, "GeoJSON").disagreements == ["1 points, the other reader sees 2"]
    monkeypatch.setattr(sys, "argv", ["measure", str(tmp_path)])
    assert main() == 1
