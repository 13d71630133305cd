"""``athwart strip``: made frames (tests/frame/simulated.py) laid on the seabed from the command line."""

import json
import re
import shlex
import sys
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "frame"))
sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))

from paused_frame import boat_toml, frame, gpx, png

SECONDS = 0.08


@pytest.fixture
def trip(tmp_path, monkeypatch):
    """A folder with a picture, its layout, the track and the boat, named as in the help."""
    monkeypatch.chdir(tmp_path)
    made = frame()
    Path("pause.png").write_bytes(png(made))
    Path("boat.layout.toml").write_text(made.layout_toml, encoding="utf-8")
    Path("trip.gpx").write_bytes(gpx(made))
    Path("tern.toml").write_bytes(boat_toml(made))
    return made


def words_for(made, *more, picture="pause.png"):
    time = f"{made.newest_time}Z"
    return [
        "strip", picture, "--layout", "boat.layout.toml", "--track", "trip.gpx", "--boat",
        "tern.toml", "--time", time, "-o", "strip.tif", *more,
    ]  # fmt: skip


def how_bright(file, lon, lat, reach_m):
    """Share of the strip's seen pixels that are darker than the brightest near a place."""
    echo, seen = file.read(1), file.dataset_mask() > 0
    x, y = pyproj.Transformer.from_crs(4326, file.crs, always_xy=True).transform(lon, lat)
    row, column = file.index(x, y)
    reach = int(reach_m / file.res[0])
    part = echo[max(row - reach, 0) : row + reach + 1, max(column - reach, 0) : column + reach + 1]
    return (echo[seen] < np.sort(part.ravel())[-10]).mean()


def test_a_picture_is_laid_where_it_belongs_and_opens_with_crs_and_no_data(run, trip):
    """Read back by rasterio, so by GDAL; places by pyproj from the made frame's own truth."""
    code, out, err = run(*words_for(trip, "--json", "--outline", "seen.geojson"))
    assert code == 0, err
    told = json.loads(out)
    assert told["file"] == "strip.tif"
    assert told["outline"] == "seen.geojson"
    assert told["pictures"][0]["file"] == "pause.png"
    assert "give or take 1 s" in " ".join(told["notes"])
    with rasterio.open("strip.tif") as file:
        assert file.crs.to_epsg() == told["epsg"] == 32727  # 24 W 47 S: UTM zone 27 south
        assert (file.width, file.height) == (told["columns"], told["rows"])
        assert file.res == (told["pixel_m"], told["pixel_m"])
        seen = file.dataset_mask() > 0
        assert 0.2 < seen.mean() < 0.95
        assert (file.read(1)[~seen] == 0).all()
        for target in trip.targets:
            assert how_bright(file, target["lon"], target["lat"], 6.0) > 0.99
    (feature,) = json.loads(Path("seen.geojson").read_text())["features"]
    ring = np.concatenate([np.array(p[0]) for p in feature["geometry"]["coordinates"]])
    assert ring[:, 0].min() == pytest.approx(told["west"])
    assert ring[:, 1].max() == pytest.approx(told["north"])


def test_the_example_of_the_help_works(run, trip):
    code, out, _ = run("strip", "--help")
    example = re.search(r"\n\s+athwart (strip pause.*?strip\.tif)", out, re.DOTALL)[1]
    # The made frame's moment, to the second as in the example.
    time = str(trip.newest_time.astype("datetime64[s]"))
    assert f"--time {time}Z" in " ".join(example.split())
    code, _, err = run(*shlex.split(example))
    assert code == 0, err
    assert "1 picture laid on the seabed in strip.tif" in err
    assert Path("strip.tif").stat().st_size > 10_000


def test_several_pictures_become_one_mosaic(run, trip):
    rows, n = trip.image, 280
    Image.fromarray(rows[:n]).save("new.png")
    Image.fromarray(rows[n:]).save("old.png")
    text = trip.layout_toml.replace("height_px = 560", "height_px = 280")
    text = re.sub(r"panel = .*", "", text)
    Path("half.layout.toml").write_text(text)
    later = trip.newest_time
    earlier = later - np.timedelta64(round(n * trip.options.seconds_per_line * 1e6), "us")
    base = ["--layout", "half.layout.toml", "--track", "trip.gpx", "--boat", "tern.toml"]
    times = ["--time", f"{later}Z", "--time", f"{earlier}Z"]
    code, out, err = run(
        "strip", "new.png", "old.png", *base, *times, "--mosaic", "blend", "-o", "both.tif", "--json"
    )  # fmt: skip
    assert code == 0, err
    assert [p["file"] for p in json.loads(out)["pictures"]] == ["new.png", "old.png"]
    with rasterio.open("both.tif") as file:
        for target in trip.targets:
            assert how_bright(file, target["lon"], target["lat"], 6.0) > 0.99
    code, _, err = run("strip", "new.png", "old.png", *base, *times[:2], "-o", "x.tif")
    assert code == 2
    assert "2 pictures and --time given 1x; give it once for each picture" in err
    assert not Path("x.tif").exists()


def test_a_depth_may_be_given_instead_of_the_bottom_line(run, trip):
    run(*words_for(trip))
    with rasterio.open("strip.tif") as file:
        found = file.read(1).astype(float)
    code, _, err = run(*words_for(trip, "--bottom-depth", "11m", "--overwrite"))
    assert code == 0, err
    with rasterio.open("strip.tif") as file:
        typed = file.read(1).astype(float)
        shape = file.shape
    rows, columns = np.minimum(found.shape, shape)
    assert abs(rows - found.shape[0]) < 20
    code, _, err = run(
        *words_for(trip, "--bottom-depth", "11.5m", "--depth-below", "surface", "--overwrite")
    )
    assert code == 0, err
    with rasterio.open("strip.tif") as file:  # the transducer sits 0.5 m deep
        np.testing.assert_array_equal(file.read(1), typed)
    assert columns > 100
    Path("tern.toml").write_text("")
    code, _, err = run(
        *words_for(trip, "--bottom-depth", "9m", "--depth-below", "surface", "--overwrite")
    )
    assert code == 2
    assert "nothing says how deep the transducer sits" in err


def test_a_strip_goes_onto_the_review_map(run, trip):
    run(*words_for(trip))
    t = trip.targets[0]
    Path("marks.csv").write_text(f"name,lat,lon\nStone,{t['lat']},{t['lon']}\n")
    code, _, err = run("map", "marks.csv", "strip.tif", "-o", "map.html")
    assert code == 0, err
    assert "1 mark and 1 sonar strip drawn on map.html" in err
    page = Path("map.html").read_text(encoding="utf-8")
    assert '"title":"strip.tif"' in page
    code, _, err = run("map", "strip.tif", "-o", "alone.html")
    assert code == 0, err
    assert "0 marks and 1 sonar strip drawn" in err


def test_pictures_that_are_no_strips_are_refused_by_the_map(run, trip):
    for name, change, words in (
        ("cut.tif", None, "is no GeoTIFF that can be read"),
        ("nowhere.tif", {"crs": None}, "does not lie in a metric grid"),
        ("degrees.tif", {"crs": "EPSG:4326"}, "does not lie in a metric grid"),
        ("numbers.tif", {"dtype": "float32"}, "holds float32 numbers"),
        ("flat.tif", {"transform": rasterio.Affine(1, 0, 0, 0, -2, 0)}, "pixels are no squares"),
    ):
        if change is None:
            Path(name).write_bytes(b"II*\0" + b"\0" * 40)
        else:
            place = {
                "crs": "EPSG:32727", "dtype": "uint8",
                "transform": rasterio.Affine(1, 0, 5e5, 0, -1, 4.7e6),
            }  # fmt: skip
            with rasterio.open(
                name, "w", driver="GTiff", width=8, height=8, count=1, **{**place, **change}
            ) as file:
                file.write(np.ones((1, 8, 8), file.dtypes[0]))
        code, _, err = run("map", name, "-o", "map.html")
        assert code == 1, name
        assert words in err
        assert name in err
        assert not Path("map.html").exists()


def test_nothing_is_overwritten_and_nothing_half_is_left(run, trip, monkeypatch):
    Path("strip.tif").write_text("mine")
    code, _, err = run(*words_for(trip))
    assert code == 1
    assert "strip.tif: the file exists" in err
    assert Path("strip.tif").read_text() == "mine"
    Path("strip.tif").unlink()
    Path("seen.geojson").write_text("mine")
    code, _, err = run(*words_for(trip, "--outline", "seen.geojson"))
    assert code == 1
    assert "seen.geojson: the file exists" in err
    assert not Path("strip.tif").exists()
    before = sorted(p.name for p in Path().iterdir())

    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("athwart.frame.geotiff._levels", stopped)
    code, _, err = run(*words_for(trip))
    assert code == 130
    assert "stopped" in err
    assert sorted(p.name for p in Path().iterdir()) == before


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (["-o", "strip.png"], 2, "strip.png must end in .tif"),
        (["--time", "yesterday"], 2, "'yesterday' is not a time"),
        (["--time", "2031-05-11T12:00:00Z"], 1, "after the track's last point"),
        (["--time", "2031-05-11 09:40:12"], 2, "has no zone"),
        (["--layout", "gone.toml"], 1, "gone.toml: cannot be read"),
        (["--track", "tern.toml"], 1, "tern.toml"),
        (["--photo-corners", "1,2 3,4"], 2, "write four pairs of pixels"),
        (["--photo-corners", "1,2 3,4 5,6 7,8"], 1, "corner"),
        (["--bottom-depth", "-3m"], 2, "the depth below the transducer is -3 m"),
        (["--pixel", "0m"], 2, "the pixel size is 0.0 m; allowed is a number above 0"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(run, trip, more, code, words):
    base = words_for(trip)
    for option in more[::2]:
        if option in base:
            at = base.index(option)
            del base[at : at + 2]
    got, out, err = run(*base, *more)
    assert (got, out) == (code, "")
    assert words in err
    assert not Path("strip.tif").exists()


def test_a_picture_without_a_time_asks_for_one(run, trip):
    base = words_for(trip)
    at = base.index("--time")
    del base[at : at + 2]
    code, _, err = run(*base)
    assert code == 1
    assert "pause.png: the picture does not tell when it was taken" in err


def test_a_photo_is_straightened_by_its_corners(run, trip):
    made = frame(photo_tilt_deg=25.0)
    Path("photo.png").write_bytes(png(made))
    layout = {k: v for k, v in made.layout.items() if k != "display_corners"}
    from athwart.frame.layout import Layout

    Path("boat.layout.toml").write_text(Layout.from_mapping(layout).to_toml())
    corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in made.photo_corners)
    code, _, err = run(*words_for(made, "--photo-corners", corners, picture="photo.png"))
    assert code == 0, err
    with rasterio.open("strip.tif") as file:
        for target in made.targets:
            assert how_bright(file, target["lon"], target["lat"], 6.0) > 0.98
