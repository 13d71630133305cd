"""Files that another program appends to, cuts, replaces or deletes while they are read.

What changed is refused and said to have changed; nothing of it counts as read. Every reader is let
begin, the file is changed behind its back, and the reader goes on.
"""

import io
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from PIL import Image

import athwart.formats
from athwart.boat import Boat
from athwart.errors import FileError
from athwart.formats import inspect, read_areas
from athwart.formats.heights import read_heights
from athwart.frame.picture import read_picture
from athwart.unchanged import unchanged

GPX = '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">{}</gpx>'
WPT = '<wpt lat="-46" lon="-20"><name>Stone {}</name></wpt>'
SAID = r"the file (changed|was deleted) while it was read; .* try again$"


def sentence(body):
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n"


def layer(path, n):
    import geopandas
    from shapely import Point, box

    shapes = [Point(-20, -46)] if n < 3 else [box(-20, -46, -19, -45)] * n
    frame = geopandas.GeoDataFrame(
        {"name": [f"s{k}" for k in range(len(shapes))]}, geometry=shapes, crs=4326
    )
    driver = {"driver": "LIBKML"} if path.suffix == ".kml" else {}
    pyogrio.write_dataframe(frame, path, promote_to_multi=False, **driver)


def text_of(kind, n):
    """Return the text of a good file of ``n`` rows."""
    if kind == "gpx":
        return GPX.format("".join(WPT.format(k) for k in range(n)))
    if kind == "nmea":
        return "".join(
            sentence(f"GPRMC,0600{k:02d},A,4600.00,S,02000.00,W,3.0,90.0,040531,,")
            for k in range(n)
        )
    if kind == "heights":
        return "time,height_m\n" + "2031-05-04T06:00Z,1.0\n" * n
    if kind == "toml":
        return f'name = "Tern {n}"\n'
    return "lat,lon,name\n" + "".join(f"-46,-20,Stone {k}\n" for k in range(n))


def made(folder, name, kind, n):
    path = folder / name
    path.unlink(missing_ok=True)
    if kind == "layer":
        layer(path, n)
    elif kind == "picture":
        Image.fromarray(np.full((8, 8 * n), 90, np.uint8)).save(path)
    else:
        path.write_text(text_of(kind, n), encoding="utf-8", newline="")
    return path


READERS = {
    "a.gpx": ("gpx", inspect),
    "a.csv": ("csv", inspect),
    "a.nmea": ("nmea", inspect),
    "a.geojson": ("layer", inspect),
    "a.gpkg": ("layer", inspect),
    "a.kml": ("layer", inspect),
    "a.shp": ("layer", inspect),
    "areas.geojson": ("layer", read_areas),
    "a.png": ("picture", read_picture),
    "boat.toml": ("toml", Boat.from_toml),
    "heights.csv": ("heights", read_heights),
}


def appended(path, other):
    with path.open("ab") as handle:
        handle.write(other.read_bytes()[-40:])


def cut(path, other):
    os.truncate(path, path.stat().st_size // 2)


def replaced(path, other):
    other.replace(path)


def rewritten(path, other):
    path.write_bytes(other.read_bytes())


def deleted(path, other):
    path.unlink()


@pytest.fixture
def meddle(monkeypatch):
    """Return a function that lets a change happen when a file was opened, or read by GDAL, once."""

    def arm(path, change):
        left = [change]
        opened, gdal = io.open, pyogrio.read_dataframe

        def happen():
            if left:
                left.pop()()

        def opening(file, mode="r", *words, **rest):
            handle = opened(file, mode, *words, **rest)
            # Whether a GeoPackage is a book is told before anything of it is read.
            if Path(file) == path and "r" in mode and path.suffix != ".gpkg":
                handle.read(5)
                handle.seek(0)
                happen()
            return handle

        def reading(*words, **rest):
            found = gdal(*words, **rest)
            happen()
            return found

        monkeypatch.setattr(io, "open", opening)
        monkeypatch.setattr(pyogrio, "read_dataframe", reading)
        return left

    return arm


@pytest.mark.skipif(sys.platform == "win32", reason="an open file is kept from others there")
@pytest.mark.parametrize("change", [appended, cut, replaced, rewritten, deleted])
@pytest.mark.parametrize("name", READERS)
def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, meddle, name, change):
    kind, reader = READERS[name]
    path = made(tmp_path, name, kind, 3 if reader is read_areas else 1)
    other = made(tmp_path, f"other{path.suffix}", kind, 5 if kind == "layer" else 4)
    reader(path)  # good as long as nobody meddles
    left = meddle(path, lambda: change(path, other))
    with pytest.raises(FileError, match=SAID) as refused:
        reader(path)
    assert not left
    assert str(refused.value).startswith(f"{name}: ")


def rewritten_in_place(path):
    with path.open("r+b") as handle:
        handle.write(b"lat,lon\n3,4\n")
    os.utime(path, ns=(0, 0))


def test_a_change_that_leaves_the_size_as_it_was_is_seen(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("lat,lon\n1,2\n")
    with pytest.raises(FileError, match=SAID), unchanged(path):
        rewritten_in_place(path)


def test_marks_and_their_sightings_are_of_one_moment(tmp_path, run, monkeypatch):
    """Both files are written anew between the reading of the one and of the other."""
    run("merge", made(tmp_path, "few.csv", "csv", 1), "-o", tmp_path / "m.csv")
    run("merge", made(tmp_path, "many.csv", "csv", 4), "-o", tmp_path / "n.csv")
    assert (tmp_path / "m-sightings.csv").exists()
    table = athwart.formats.table
    once = [table._read_one]

    def reading(path, options):
        contents = table_read(path, options)
        if once:
            once.pop()
            for end in ("", "-sightings"):
                shutil.copy(tmp_path / f"n{end}.csv", tmp_path / f"m{end}.csv")
        return contents

    table_read = once[0]
    monkeypatch.setattr(table, "_read_one", reading)
    with pytest.raises(FileError, match=SAID):
        inspect(tmp_path / "m.csv")


def test_a_book_keeps_the_hash_of_what_it_read(tmp_path, run, monkeypatch):
    """A file that changes between its reading and the sum over its bytes is not taken in."""
    from athwart.cli import book_command

    path = made(tmp_path, "a.csv", "csv", 2)
    summed = book_command._hash

    def summing(source):
        source.write_text(text_of("csv", 3))
        return summed(source)

    monkeypatch.setattr(book_command, "_hash", summing)
    code, _, err = run("book", "add", tmp_path / "b.gpkg", path)
    assert code == 1
    assert "changed while it was read" in err
    assert not (tmp_path / "b.gpkg").exists()


def test_a_file_that_was_deleted_before_it_is_read_is_said_to_be_gone(tmp_path):
    for name, (_, reader) in READERS.items():
        with pytest.raises(FileError, match=r"no such file|cannot be read"):
            reader(tmp_path / name)
