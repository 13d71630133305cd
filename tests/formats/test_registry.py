import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import athwart
from athwart.errors import FileError
from athwart.formats import find_format, formats

SAMPLE = Path(__file__).parents[1] / "plugin_sample"


def test_built_in_formats_are_listed():
    listed = {f.name: f for f in formats()}
    assert {"gpx", "csv", "nmea", "geojson", "geopackage", "kml", "flatgeobuf", "shapefile"} <= set(
        listed
    )
    assert not listed["nmea"].can_write
    assert all(f.endings and f.title for f in listed.values())


@pytest.mark.parametrize("name", ["a.GPX", "a.Gpx", "A.CSV", "x.y.GeoJSON", "a.NMEA0183"])
def test_endings_in_any_case(name):
    assert find_format(Path(name)).can_read


@pytest.mark.parametrize(
    ("name", "words"), [("a.xyz", "'.xyz' is not known; known are .gpx"), ("a", "no ending")]
)
def test_unknown_endings_are_refused(name, words):
    with pytest.raises(FileError, match=words):
        find_format(Path(name))


def test_importing_the_door_is_light():
    code = "import sys, athwart.formats; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment()
    )
    assert not {"pandas", "geopandas", "pyogrio", "lxml", "gpxpy", "shapely"} & set(
        done.stdout.split()
    )


def environment(*folders):
    paths = [*map(str, folders), str(Path(athwart.__file__).parents[1])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "PYTHONWARNINGS": "error"}


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Install the sample add-on as a user would, into a folder of its own."""
    pytest.importorskip("hatchling", reason="the sample add-on is built with hatchling")
    target = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation"]
    command += ["--no-index", "--disable-pip-version-check", "--target", str(target), str(SAMPLE)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return target


def ask(installed, code, cwd):
    script = (
        f"import json\nfrom athwart import formats\nfrom athwart.errors import FileError\n{code}"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment(installed),
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_an_installed_add_on_reads_and_writes(installed, tmp_path):
    (tmp_path / "a.dots").write_text("1.5 2.5\n-3 4\n")
    result = ask(
        installed,
        "c = formats.read('a.dots')\n"
        "formats.write('b.gpx', c)\n"
        "w = formats.write('b.DOTS', formats.read('b.gpx'))\n"
        "print(json.dumps([c.format, c.source, c.waypoints.lon.tolist(), [p.name for p in w.files]]))",
        tmp_path,
    )
    assert result == ["dots", "a.dots", [1.5, -3.0], ["b.DOTS"]]
    assert (tmp_path / "b.DOTS").read_text() == "1.5 2.5\n-3.0 4.0\n"


def test_add_ons_that_fail_are_told_only_when_asked_for(installed, tmp_path):
    for name in ("a.broken", "a.odd", "a.dots"):
        (tmp_path / name).write_text("not numbers")
    result = ask(
        installed,
        "said = []\n"
        "for name in ('a.broken', 'a.odd', 'a.dots'):\n"
        "    try: formats.read(name)\n"
        "    except FileError as error: said.append(str(error))\n"
        "print(json.dumps(said))",
        tmp_path,
    )
    assert "the add-on 'athwart-dots' cannot be loaded" in result[0]
    assert "brings no format" in result[1]
    assert result[2].startswith("a.dots: lines of dots: could not convert")
    assert not any("\n" in r for r in result)


def test_an_add_on_never_replaces_a_built_in_format(installed, tmp_path):
    result = ask(
        installed,
        "from pathlib import Path\n"
        "faults = {f.endings[0]: f.fault for f in formats.formats() if f.origin == 'athwart-dots'}\n"
        "print(json.dumps([formats.find_format(Path('a.gpx')).title, faults]))",
        tmp_path,
    )
    assert result[0].startswith("GPX")
    assert "belongs to athwart itself" in result[1][".gpx"]
    assert "cannot be loaded" in result[1][".broken"]
    assert result[1][".dots"] == ""
