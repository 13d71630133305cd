"""The page of going back: it says what the commands say, and writes what was shown."""

import re
import shutil
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from pyproj import Geod

from athwart.book.drawn import PictureFacts, Shape, add_picture, add_shapes
from athwart.book.log import new_entry
from athwart.book.store import open_book
from athwart.desk.shapes import plan_records
from athwart.features import Feature
from athwart.formats.shapes import read_features

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
DAY, WATER, HOLD, SINK, SEEN, LANES, LINES, RUN, ZONES, BEAM, WRITE = (
    f"/api/going-back/{word}"
    for word in (
        "day", "water", "hold", "sink", "coverage", "lanes", "lines", "run", "zones", "beam", "write"
    )
)  # fmt: skip
START = "46 11.98 S, 21 17.75 W"
TIDE = {"as": "file", "file": "tides.csv"}
ASKED = {"start": START, "leave": "2025-06-01T10:00", "zone": "UTC", "speed_mps": 5 * 1852 / 3600}


@pytest.fixture
def going(desk):
    for name in ("tides.csv", "zones.geojson", "coastline.geojson", "tern.toml"):
        shutil.copy(SAMPLES / name, desk.desk.folder / name)
    return desk


def made(going, path, **asked):
    answer = going.post(path, asked)
    assert answer.status == 200, answer.text
    return going.wait(answer.json())


def fault(going, path, **asked):
    """Return the sentence of a refusal, given at once or by the job."""
    answer = going.post(path, asked)
    job = answer.json()
    while answer.status == 200 and not job["done"]:
        job = going.get(f"/api/jobs/{job['job']}").json()
    assert job["fault"]
    assert not re.search(r"(?<![-\w])--[a-z]|Traceback|something went wrong", job["fault"])
    return job["fault"]


def test_the_day_is_that_of_the_command(going, run):
    folder = going.desk.folder
    shown = made(
        going, DAY, **ASKED, water=TIDE, zones="zones.geojson", keep_out="coastline.geojson",
        boat="tern.toml", draft_m=0.5, units="feet",
    )  # fmt: skip
    code, out, _ = run(
        "day", going.desk.book, "--start", START, "--depart", "2025-06-01T10:00Z", "--tide",
        folder / "tides.csv", "--zones", folder / "zones.geojson", "--keep-out",
        folder / "coastline.geojson", "--boat", folder / "tern.toml", "--draft", "0.5m",
        "--units", "feet", "--tz", "UTC",
    )  # fmt: skip
    assert code == 0
    said = []
    for k, leg in enumerate(shown["legs"], 1):
        said += [f"{k:3d}  {leg['line']}", *(f"     {word}" for word in leg["there"])]
    assert "\n".join([*said, *shown["lines"]]) == out.rstrip("\n")
    assert any("under the keel" in w for leg in shown["legs"] for w in leg["there"])
    assert any("taken as a table of high and low waters" in n for n in shown["notes"])
    assert [r["role"] for r in shown["plan"]["roles"]] == ["leg", "stop", "zone"]


def test_typed_turns_are_the_table(going):
    table = made(going, DAY, **ASKED, water=TIDE)
    rows = (going.desk.folder / "tides.csv").read_text().splitlines()
    head = rows[0].split(",")
    turns = []
    for row in rows[1:]:
        cells = dict(zip(head, row.split(","), strict=True))
        turns.append({"time": cells["time"], "height_m": float(cells["height_m"]),
                      "what": cells.get("what", "")})  # fmt: skip
    for turn in turns:
        around = [t["height_m"] for t in turns]
        turn["what"] = turn["what"] or ("high" if turn["height_m"] > np.mean(around) else "low")
    typed = made(going, DAY, **ASKED, water={"as": "turns", "turns": [*turns, {"what": "high"}]})
    assert typed["legs"] == table["legs"]
    assert typed["lines"] == table["lines"]


def test_only_some_marks_one_way(going):
    marks = going.get("/api/marks").json()["marks"]
    ids = [m["id"] for m in marks if m["name"] in ("Anvil", "Saddle", "Round stone")]
    shown = made(going, DAY, **ASKED, ids=ids, ends="any")
    assert sorted(shown["marks"]) == sorted(ids)
    assert len(shown["legs"]) == 3
    shown = made(
        going, DAY, **{**ASKED, "start": "Anvil"}, kinds=["wreck"], ends="place", end="Saddle"
    )
    kinds = {m["id"]: m["kind"] for m in marks}
    assert {kinds[i] for i in shown["marks"]} == {"wreck"}
    assert shown["legs"][-1]["line"].split("  ")[1].startswith("Saddle: ")


def test_sheet_route_and_plan_are_those_that_were_shown(going):
    shown = made(going, DAY, **ASKED, kinds=["wreck"], title="<b>Wrecks</b>")
    sheet = going.get(f"/going-back/sheet/{shown['id']}")
    assert sheet.status == 200
    assert "sandbox; default-src 'none'" in sheet.headers["content-security-policy"]
    assert "&lt;b&gt;Wrecks" in sheet.text
    assert "<script" not in sheet.text
    folder = going.desk.folder
    for what, name in (("page", "day.html"), ("gpx", "day.gpx"), ("plan", "day.geojson")):
        done = going.post(WRITE, {"id": shown["id"], "as": what, "name": name}).json()
        assert done["files"] == [name]
    assert (folder / "day.html").read_text(encoding="utf-8") == sheet.text
    points = gpxpy.parse((folder / "day.gpx").read_text(encoding="utf-8")).routes[0].points
    assert len(points) == len(shown["legs"]) + 1
    assert [f.role for f in read_features(folder / "day.geojson")].count("leg") == len(
        shown["legs"]
    )
    small = {"id": shown["id"], "as": "gpx", "name": "small.gpx", "limits": "max_name = 6"}
    assert going.post(WRITE, small).json()["notes"]
    names = [p.name for p in gpxpy.parse((folder / "small.gpx").read_text()).routes[0].points]
    assert all(len(n or "") <= 6 for n in names)


def test_nothing_is_written_over_without_a_word_nor_outside(going):
    shown = made(going, DAY, **ASKED, kinds=["wreck"])
    path = going.desk.folder / "day.html"
    path.write_text("mine")
    asked = {"id": shown["id"], "as": "page", "name": "day.html"}
    assert going.post(WRITE, asked).json()["exists"] == ["day.html"]
    assert path.read_text() == "mine"
    assert going.post(WRITE, {**asked, "overwrite": True}).json()["files"] == ["day.html"]
    for name in ("../day.html", "/elsewhere/day.html", "day.gpx", ".html"):
        assert going.post(WRITE, {**asked, "name": name}).status == 400
    assert going.post(WRITE, {**asked, "id": "gone"}).json()["fault"].endswith("make it again")
    assert going.get("/going-back/sheet/gone").status == 409


def test_the_water_is_that_of_the_command(going, run):
    shown = made(going, WATER, at="2025-06-01T12:00", zone="UTC", water=TIDE, draft_m=0.5,
                 boat="tern.toml", kinds=["wreck", "rock"])  # fmt: skip
    code, out, _ = run(
        "tide", going.desk.book, "--tide", going.desk.folder / "tides.csv", "--at",
        "2025-06-01T12:00Z", "--draft", "0.5m", "--tz", "UTC", "--boat", SAMPLES / "tern.toml",
        "--kind", "wreck", "--kind", "rock",
    )  # fmt: skip
    assert code == 0
    assert [*shown["sentences"], shown["caution"]] == out.splitlines()
    assert len(shown["heights"]) == 1
    deep = made(going, WATER, at="2025-06-01T12:00", zone="UTC", water=TIDE, draft_m=15,
                boat="tern.toml")  # fmt: skip
    assert deep["little"]


KNOT = 1852 / 3600
FLOW = {"set": "040", "current_mps": 0.8 * KNOT}


def test_hold_and_drift_are_those_of_the_command(going, run):
    shown = made(going, HOLD, mark="anvil", **FLOW, cast_m=20, before_s=180, approach="090M",
                 boat_speed_mps=4 * KNOT, counts=[{"count_s": 12, "depth_m": 10}],
                 zones="zones.geojson", units="fathoms")  # fmt: skip
    code, out, _ = run(
        "hold", "Anvil", going.desk.book, "--set", "040", "--current", "0.8kn", "--cast", "20m",
        "--before", "3min", "--approach", "090M", "--boat-speed", "4kn", "--count", "12s 10m",
        "--zones", going.desk.folder / "zones.geojson", "--units", "fathoms",
    )  # fmt: skip
    assert code == 0
    assert [*shown["sentences"], shown["caution"]] == out.splitlines()
    roles = [r["role"] for r in shown["plan"]["roles"]]
    assert {"hold", "drift", "zone"} <= set(roles)
    hold = next(f for f in shown["plan"]["features"] if f["role"] == roles.index("hold"))
    assert hold["r95"] > 0
    done = going.post(WRITE, {"id": shown["id"], "as": "page", "name": "hold.html"}).json()
    assert done["files"] == ["hold.html"]
    page = (going.desk.folder / "hold.html").read_text(encoding="utf-8")
    assert "Hold and drift: Anvil" in page
    done = going.post(WRITE, {"id": shown["id"], "as": "gpx", "name": "hold.gpx"}).json()
    assert any("areas and zones" in n for n in done["notes"])
    assert gpxpy.parse((going.desk.folder / "hold.gpx").read_text()).routes


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"counts": [{"count_s": 9, "depth_m": 10}, {"count_s": 10, "depth_m": 10}]},
         ("--count", "9s 10m", "--count", "10s 10m")),
        ({"weight_kg": 0.03, "material": "brass", "fresh": True},
         ("--weight", "30g", "--material", "brass", "--fresh")),
    ],
)  # fmt: skip
def test_the_count_is_that_of_the_command(going, run, asked, words):
    shown = going.post(SINK, {**asked, "depth_m": 14, "current_mps": 0.8 * KNOT}).json()
    code, out, _ = run("sink", *words, "--depth", "14m", "--current", "0.8kn")
    assert code == 0
    assert [*shown["sentences"], shown["caution"]] == out.splitlines()


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "say which mark"),
        ({"mark": "anvil"}, "say what for"),
        ({"mark": "nessie", "cast_m": 9, **FLOW}, "there is no mark 'nessie'"),
        ({"mark": "anvil", "cast_m": 0}, "the length of the cast is 0; allowed is more than 0"),
        ({"mark": "anvil", "cast_m": 9, "set": "040"}, "belong together"),
        ({"mark": "anvil", "cast_m": 9}, "say where the cast goes to"),
        ({"mark": "anvil", "before_s": 60}, "let her drift and look"),
        ({"mark": "anvil", "cast_m": 9, "set": "up", "current_mps": 1}, "'up'"),
        ({"mark": "anvil", "cast_m": 9, **FLOW, "weight_kg": 1, "material": "ice"}, "of 'ice'"),
        ({"mark": "anvil", "cast_m": 9, **FLOW, "counts": [{"count_s": 3}]}, "depth of a count is"),
        ({"mark": "anvil", "cast_m": 9, **FLOW, "wind_from": "0", "wind_mps": 1, "adrift_to": "9",
          "adrift_mps": 1}, "has the wind in it"),
    ],
)  # fmt: skip
def test_a_hold_that_cannot_be_is_refused_in_a_sentence(going, asked, said):
    assert said in fault(going, HOLD, **asked)


BOX = [-21.306, -46.201, -21.285, -46.188]


def test_coverage_and_lanes_over_its_holes_are_those_of_the_commands(going, run, tmp_path):
    import shapely

    folder = going.desk.folder
    (folder / "bay.geojson").write_text(shapely.to_geojson(shapely.box(*BOX)))
    asked = {"range_m": 45, "zones": "zones.geojson", "units": "feet"}
    seen = made(going, SEEN, **asked, depth_m=14, area="bay.geojson")
    code, out, _ = run("coverage", going.desk.book, "--range", "45m", "--depth", "14m", "--area",
                       folder / "bay.geojson", "--units", "feet")  # fmt: skip
    assert code == 0
    assert [*seen["sentences"], seen["caution"]] == out.splitlines()
    boxed = made(going, SEEN, **asked, depth_m=14, area=":box", within=BOX)
    assert boxed["sentences"][:2] == seen["sentences"][:2]
    assert boxed["holes"] == seen["holes"] > 0
    refused = going.post(WRITE, {"id": seen["id"], "as": "gpx", "name": "seen.gpx"}).json()
    assert "holds no areas" in refused["fault"]
    going.post(WRITE, {"id": seen["id"], "as": "plan", "name": "seen.geojson"})

    laid = made(going, LANES, **asked, depth_m=14, id=seen["id"], speed_mps=4 * KNOT)
    code, out, _ = run("lanes", folder / "seen.geojson", "--range", "45m", "--depth", "14m",
                       "--zones", folder / "zones.geojson", "--units", "feet")  # fmt: skip
    assert code == 0
    assert [*laid["sentences"], laid["caution"]] == out.splitlines()
    assert "lane" in [r["role"] for r in laid["plan"]["roles"]]
    done = going.post(WRITE, {"id": laid["id"], "as": "gpx", "name": "lanes.gpx"}).json()
    assert done["files"] == ["lanes.gpx"]
    routes = gpxpy.parse((folder / "lanes.gpx").read_text(encoding="utf-8")).routes
    assert 1 <= len(routes) < 20, "the way as a route, not a route a lane"


@pytest.mark.parametrize(
    ("path", "asked", "said"),
    [
        ("coverage", {}, "the range of the side-scan is missing"),
        ("coverage", {"range_m": 45, "area": ":box"}, "no area is chosen above"),
        ("coverage", {"range_m": 45, "area": "gone.geojson"}, "is not in the folder"),
        ("coverage", {"range_m": 45, "depth_m": 14, "side": "up"}, "allowed are both, port"),
        ("lanes", {"range_m": 45}, "the deepest water there is missing"),
        ("lanes", {"range_m": 45, "depth_m": 6}, "say where: the holes"),
        ("lanes", {"range_m": 45, "depth_m": 6, "id": "gone"}, "make it again"),
        ("lanes", {"range_m": 5, "depth_m": 6, "area": ":box", "within": BOX}, "range"),
    ],
)
def test_coverage_and_lanes_that_cannot_be_are_refused_in_a_sentence(going, path, asked, said):
    assert said in fault(going, f"/api/going-back/{path}", **asked)


def test_a_book_without_tracks_has_seen_nothing(going):
    going.post("/api/book", {"name": "new.gpkg"})
    assert "the book holds no track" in fault(going, SEEN, range_m=45, depth_m=6)


def with_ledge(going):
    """Keep a line in the book, as the page of pictures does."""
    lon, lat = np.array([-21.306, -21.300, -21.292]), np.array([-46.199, -46.197, -46.196])
    ledge = Shape(
        lon=lon, lat=lat, r95_m=np.full(3, 6.0), x=lon, y=lat, name="Long step", kind="ledge"
    )
    facts = PictureFacts(name="a.png", sha256="ab" * 32, width_px=8, height_px=8, layout="")
    with (
        open_book(going.desk.book, write=True) as store,
        store.writing() as connection,
        new_entry(connection, "add", "a.png") as draft,
    ):
        add_picture(draft.changes, facts, 0)
        add_shapes(draft.changes, [ledge], "a.png", 0)
    return lon, lat


def test_a_run_is_that_of_the_command(going, run):
    lon, lat = with_ledge(going)
    assert going.post(LINES).json() == {"lines": ["Long step"]}
    shown = made(going, RUN, line="1", side="starboard", off_m=20, speed_mps=2 * KNOT, back=True,
                 zones="zones.geojson")  # fmt: skip
    book, folder = going.desk.book, going.desk.folder
    code, out, _ = run("run", book, "--side", "starboard", "--off", "20m", "--speed", "2kn",
                       "--back", "--marks", book, "--zones", folder / "zones.geojson")  # fmt: skip
    assert code == 0
    assert [*shown["sentences"], shown["caution"]] == out.splitlines()
    going.post(WRITE, {"id": shown["id"], "as": "gpx", "name": "run.gpx"})
    (route,) = gpxpy.parse((folder / "run.gpx").read_text(encoding="utf-8")).routes
    # The geodesic library's own distance from the first corner of the line to the run's end.
    away = Geod(ellps="WGS84").inv(
        lon[0], lat[0], route.points[-1].longitude, route.points[-1].latitude
    )
    assert away[2] == pytest.approx(20, abs=0.2)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "the distance from the line is missing"),
        ({"off_m": 20}, "port or starboard"),
        ({"off_m": 20, "side": "port"}, "holds no line"),
        ({"off_m": 20, "side": "port", "turn_m": -1}, "turn is -1; allowed is 0 or more"),
    ],
)
def test_a_run_that_cannot_be_is_refused_in_a_sentence(going, asked, said):
    assert said in fault(going, RUN, **asked)


def test_private_marks_stay_out_unless_asked_for(going):
    marks = going.get("/api/marks").json()["marks"]
    anvil = next(m["id"] for m in marks if m["name"] == "Anvil")
    going.post(f"/api/marks/{anvil}", {"private": True})
    assert anvil not in made(going, DAY, **ASKED)["marks"]
    assert anvil in made(going, DAY, **ASKED, with_private=True)["marks"]
    assert "neither the name of one mark" in fault(going, DAY, **{**ASKED, "start": "Anvil"})


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"start": ""}, "say where the day starts"),
        ({"start": "nowhere"}, "neither the name of one mark nor a position"),
        ({"leave": "soon"}, "is not a time"),
        ({"zone": "", "leave": "2025-06-01T10:00"}, "has no zone"),
        ({"zone": "No/Where"}, "is no time zone"),
        ({"speed_mps": 0}, "the speed is 0; allowed is more than 0"),
        ({"speed_mps": "fast"}, "the speed is 'fast'; write a number"),
        ({"speed_mps": None}, "the speed is missing"),
        ({"stay_s": -1}, "the time at a mark is -1; allowed is 0 or more"),
        ({"kinds": ["bus"]}, "no mark is left to visit"),
        ({"water": {"as": "turns", "turns": []}}, "fill in two high and low waters"),
        ({"water": {"as": "turns", "turns": [{"what": "low", "time": "2025-06-01T01:00"},
                                             {"what": "high", "height_m": 1}]}}, "needs a time and"),
        ({"water": {"as": "file"}}, "choose the file"),
        ({"water": {"as": "file", "file": "gone.csv"}}, "is not in the folder"),
        ({"water": {"as": "level"}}, "the level is missing"),
        ({"water": {"as": "moon"}}, "none, turns, file or level"),
        ({"zones": "../zones.geojson"}, "no plain file name"),
        ({"boat": "zones.geojson"}, "must end in .toml"),
        ({"ends": "up"}, "ends at its start"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_a_sentence(going, asked, said):
    assert said in fault(going, DAY, **{**ASKED, **asked})


def test_water_that_is_not_told_is_asked_for(going):
    assert "say how high the water is" in fault(going, WATER, zone="UTC", water={"as": "none"})
    late = fault(going, WATER, zone="UTC", water=TIDE, at="2031-01-01T00:00")
    assert "is not known; what was given runs from" in late


def test_the_folder_is_listed_without_books_and_links(going):
    (going.desk.folder / "away.csv").symlink_to(SAMPLES / "tides.csv")
    (going.desk.folder / "sonar.layout.toml").write_text("")
    found = going.get("/api/going-back/files").json()
    assert found == {
        "tables": ["tides.csv"], "areas": ["coastline.geojson", "zones.geojson"],
        "boats": ["tern.toml"],
    }  # fmt: skip
    assert "a link that leads elsewhere" in fault(
        going, WATER, zone="UTC", water={"as": "file", "file": "away.csv"}
    )


def test_a_plan_with_very_many_corners_is_thinned_and_that_is_said():
    import shapely

    angle = np.linspace(0, 2 * np.pi, 90_000)
    ring = np.stack([12 + 0.01 * np.cos(angle), 55 + 0.005 * np.sin(angle)], axis=1)
    shape = shapely.MultiPolygon([shapely.Polygon(ring)])
    small = shapely.Point(12, 55)
    plan = plan_records(
        [Feature(role="seen", geometry=shape), Feature(role="hold", geometry=small, values={"r95_m": 4.0})],
        "metric",
    )  # fmt: skip
    first, second = plan["features"]
    assert plan["within_m"] > 0
    assert len(first["fills"][0][0]) < 60_000
    thin = shapely.Polygon(first["fills"][0][0])
    assert thin.area == pytest.approx(shape.area, rel=1e-3)
    assert second["r95"] == 4.0
    assert second["at"]
    assert plan["roles"][0]["words"] == "seen by the side-scan"


def test_marks_against_zones_are_those_of_the_command(going, run):
    shown = made(going, ZONES, zones="zones.geojson", near_m=30.0, units="feet")
    code, out, _ = run(
        "zones", going.desk.book, "--zones", SAMPLES / "zones.geojson", "--near", "30m",
        "--units", "feet",
    )  # fmt: skip
    assert code == 0
    assert [*shown["sentences"], shown["caution"]] == out.splitlines()
    assert [r["role"] for r in shown["plan"]["roles"]] == ["zone"]
    assert len(shown["sentences"]) > 3
    answer = going.post(WRITE, {"id": shown["id"], "as": "gpx", "name": "zones.gpx"})
    assert "holds no areas" in answer.json()["fault"]
    assert "choose the file with your zones" in fault(going, ZONES)
    assert "no mark is chosen" in fault(going, ZONES, zones="zones.geojson", kinds=["nothing"])


def test_the_beam_is_that_of_the_command(going, run):
    asked = {
        "depth_m": 10,
        "cone_deg": 20,
        "range_m": 45,
        "target_m": 1,
        "speed_mps": 4 * 1852 / 3600,
    }
    shown = going.post(BEAM, asked).json()
    code, out, _ = run(
        *[
            "beam",
            "--depth",
            "10m",
            "--cone",
            "20deg",
            "--range",
            "45m",
            "--target",
            "1m",
            "--speed",
            "4kn",
        ]
    )
    assert code == 0
    assert [*shown["sentences"], shown["caution"]] == out.splitlines()


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "the depth below the transducer is missing"),
        ({"depth_m": 5}, "give the angle"),
        ({"depth_m": 5, "cone_deg": 180}, "allowed is less than 180"),
        ({"depth_m": 5, "cone_deg": 20, "target_m": 1}, "go with the range"),
        ({"depth_m": 5, "range_m": 20, "lines": 2.5}, "allowed are 1 to"),
        ({"depth_m": "5"}, "write a number"),
    ],
)
def test_a_beam_that_cannot_be_is_refused(going, asked, said):
    assert said in fault(going, BEAM, **asked)
