"""The main job end to end, as a user runs it on the sample data."""

import json
import re
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_gpx"


@pytest.fixture
def trips(run, tmp_path):
    """The three trips, fixed."""
    made = []
    for picks, track in (
        ("trip-1-picks.csv", "trip-1-track.gpx"),
        ("trip-2-picks-feet.csv", "trip-2-log.nmea"),
        ("trip-3-picks-typed.csv", None),
    ):
        out = tmp_path / f"{Path(picks).stem}.gpx"
        words = ["fix", SAMPLES / picks, "--boat", SAMPLES / "tern.toml", "-o", out]
        if track:
            words += ["--track", SAMPLES / track]
        code, _, err = run(*words)
        assert code == 0, err
        made.append(out)
    return made


@pytest.fixture
def marks(run, trips, tmp_path):
    out = tmp_path / "marks.gpx"
    code, _, err = run("merge", *trips, SAMPLES / "waypoints.gpx", "--shift-trips", "-o", out)
    assert code == 0, err
    return out


def test_merge_finds_the_trip_that_sits_off(run, trips):
    """Truth file: tern-3 was shifted by 26 m east, 15 m south (30.0 m)."""
    code, out, _ = run("merge", *trips, SAMPLES / "waypoints.gpx", "--json")
    value = json.loads(out)
    assert code == 0
    (offset,) = value["offsets"]
    assert offset["trip"] == "tern-3"
    assert offset["distance_m"] == pytest.approx(30.0, abs=4.0)
    ids = [i for m in value["marks"] for i in m["sighting_ids"]]
    assert sorted(ids) == sorted(s["sighting_id"] for s in value["sightings"])
    assert len(set(ids)) == len(ids)


def test_merging_the_output_again_changes_nothing(run, marks):
    code, out, _ = run("merge", marks, "--shift-trips", "--json")
    first = json.loads(out)
    assert code == 0
    code, out, _ = run("merge", marks, marks, "--shift-trips", "--json")
    second = json.loads(out)
    assert [m["mark_id"] for m in first["marks"]] == [m["mark_id"] for m in second["marks"]]
    assert [m["sighting_ids"] for m in first["marks"]] == [
        m["sighting_ids"] for m in second["marks"]
    ]


def test_report_is_written_as_csv_and_json(run, trips, tmp_path):
    for ending in ("csv", "json"):
        path = tmp_path / f"why.{ending}"
        code, _, _ = run("merge", *trips, "-o", tmp_path / f"m-{ending}.gpx", "--report", path)
        assert code == 0
        assert "tern-3" in path.read_text(encoding="utf-8")


def test_export_keeps_to_the_limits(run, marks, tmp_path):
    out = tmp_path / "plotter.gpx"
    code, _, err = run(
        "export", marks, "-o", out, "--limits", SAMPLES / "small-plotter.toml", "--clean"
    )
    assert code == 0
    names = []
    for path in sorted(tmp_path.glob("plotter*.gpx")):
        text = path.read_text(encoding="utf-8")
        found = re.findall(r"<name>(.*?)</name>", text)
        assert len(found) <= 20
        assert "extensions" not in text
        assert "<sym>" in text
        names += found
    assert all(len(n) <= 10 and n.isascii() and n == n.upper() for n in names)
    assert len(set(names)) == len(names)
    assert "the most important first" in err


def test_export_notes_are_in_the_units_asked_for(run, marks, tmp_path):
    for units, word in (("feet", "ft"), ("fathoms", "fm")):
        out = tmp_path / f"{units}.gpx"
        code, _, _ = run("export", marks, "-o", out, "--units", units)
        assert code == 0
        notes = re.findall(r"<desc>(.*?)</desc>", out.read_text(encoding="utf-8"))
        assert any(re.search(rf"R95 [\d.]+ {word}.*Bottom [\d.]+ {word} below", n) for n in notes)
        assert not any(re.search(r"(R95|Bottom) [\d.]+ m\b", n) for n in notes)


def test_export_by_kind_and_area(run, marks, tmp_path):
    code, _, _ = run("export", marks, "-o", tmp_path / "rock.gpx", "--kind", "rock", "--clean")
    assert code == 0
    kinds = re.findall(r"<type>(.*?)</type>", (tmp_path / "rock.gpx").read_text(encoding="utf-8"))
    assert set(kinds) == {"rock"}
    code, out, _ = run(
        "export", marks, "-o", tmp_path / "in.gpx", "--within", SAMPLES / "area.geojson", "--json"
    )
    inside = json.loads(out)["marks"]
    code, out, _ = run("export", marks, "-o", tmp_path / "all.gpx", "--json")
    assert 0 < inside < json.loads(out)["marks"]


def test_blur_moves_marks_and_drops_what_leaks(run, marks, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    out = tmp_path / "share.gpx"
    code, _, err = run("export", marks, "-o", out, "--blur", "500m")
    assert code == 0
    text = out.read_text(encoding="utf-8")
    assert "<time>" not in text
    assert "extensions" not in text
    assert "moved by up to 500 m" in err


def test_map_is_one_offline_page(run, marks, tmp_path):
    out = tmp_path / "marks.html"
    code, _, _ = run("map", marks, "-o", out, "--background", SAMPLES / "coastline.geojson")
    assert code == 0
    page = out.read_text(encoding="utf-8")
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", page)
    assert "Not for navigation" in page


def test_info_counts(run, marks):
    code, out, _ = run("info", SAMPLES / "trip-1-track.gpx", SAMPLES / "waypoints.gpx", "--json")
    track, waypoints = json.loads(out)["files"]
    assert code == 0
    text = (SAMPLES / "trip-1-track.gpx").read_text(encoding="utf-8")
    assert track["counts"]["track_points"] == text.count("<trkpt") == track["points"]
    assert waypoints["counts"]["waypoints"] == 15
    code, out, _ = run("info", SAMPLES / "trip-2-log.nmea", "--json")
    assert code == 1  # the two spoiled lines are said
    assert len(json.loads(out)["files"][0]["rejected"]) == 2


def test_demo_runs_everything_and_lies_near_the_truth(run, tmp_path):
    """Figures against the truth files: 32 things, 97 looks at them, one trip put 30.0 m off."""
    folder = tmp_path / "demo"
    code, out, err = run("demo", "-o", folder, "--json")
    assert code == 0, err
    value = json.loads(out)
    assert value["files"] == [
        "day.gpx", "day.html", "marks.html", "plotter-2.gpx", "plotter.gpx", "season.gpkg",
    ]  # fmt: skip
    sheet = (folder / "day.html").read_text(encoding="utf-8")
    assert sheet.count('class="who"') == 9
    assert "under the keel" in sheet
    assert "sunset" in sheet
    marks = value["marks"]
    assert marks["targets_seen"] == 32
    assert marks["median_error_m"] < 5
    assert marks["within_r95"] >= 0.85 * marks["marks_of_one_target"]
    assert marks["marks_of_one_target"] >= 0.9 * marks["marks"]
    assert [t["new_sightings"] for t in value["book"]["trips"]] == [29, 19, 29, 20]
    assert value["book"]["came_back"] == {"recognised": marks["marks"], "new_sightings": 0}
    (offset,) = value["offsets"]
    assert offset["trip"] == "tern-3"
    assert abs(offset["distance_m"] - 30.0) < 3
    assert run("book", "check", folder / "season.gpkg")[0] == 0
    code, _, err = run("demo", "-o", folder)
    assert code == 1
    assert "add --overwrite" in err


def test_demo_says_in_plain_lines_what_happened_and_runs_again(run, tmp_path):
    for words in ((), ("--overwrite",)):
        code, out, _ = run("demo", "-o", tmp_path / "demo", *words)
        assert code == 0
        assert "the book remembers them" in out
        assert re.search(r"came back: \d+ waypoints known again, 0 new", out)
        assert "{" not in out


@pytest.mark.parametrize("what", ["a visit", "another file", "no book"])
def test_demo_never_replaces_a_book_that_holds_anything_else(run, tmp_path, what):
    book = tmp_path / "season.gpkg"
    if what == "no book":
        book.write_text("precious")
    else:
        assert run("book", "add", book, SAMPLES / "waypoints.gpx")[0] == 0
        if what == "a visit":
            assert run("book", "merge", book)[0] == 0
            assert run("book", "visit", book, "Anvil", "--result", "2 fish")[0] == 0
        else:
            other = tmp_path / "mine.gpx"
            other.write_text(
                '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
                '<wpt lat="1" lon="2"><name>MINE</name></wpt></gpx>',
                encoding="utf-8",
            )
            assert run("book", "add", book, other)[0] == 0
    before = book.read_bytes()
    code, _, err = run("demo", "-o", tmp_path, "--overwrite")
    assert code == 1
    assert "season.gpkg: holds more than a demo puts there, and is kept" in err
    assert book.read_bytes() == before


def picks_file(folder, text):
    path = folder / "picks.csv"
    path.write_text(text, encoding="utf-8")
    return path


HEAD = "time,lat,lon,heading_deg,side,slant_range_m,depth_m,depth_below\n"
GOOD = "2026-03-01T06:00:00Z,55.5,12.25,40,port,13,5,transducer\n"
TABLES = [
    (HEAD, "empty|no rows"),
    ("", "empty"),
    (HEAD + GOOD.replace("Z", ""), "zone"),
    (HEAD + GOOD.replace("55.5", "91"), "91"),
    (HEAD + GOOD.replace(",13,", ",nan,"), "nan"),
    (HEAD + GOOD.replace(",13,", ",4,"), "in the water"),
    (HEAD + GOOD.replace("port", ""), "side"),
    (HEAD.replace(",", ";") + GOOD.replace(",", ";").replace("55.5", "55,5"), "decimal"),
]


@pytest.mark.parametrize(("text", "words"), TABLES)
def test_bad_tables_are_refused_and_nothing_is_written(run, tmp_path, text, words):
    out = tmp_path / "out.gpx"
    code, shown, err = run("fix", picks_file(tmp_path, text), "-o", out)
    assert code == 1
    assert re.search(words, err), err
    assert shown == ""
    assert [p.name for p in tmp_path.iterdir()] == ["picks.csv"]


def test_skip_bad_takes_the_good_and_lists_the_others(run, tmp_path):
    picks = picks_file(
        tmp_path, HEAD + GOOD + GOOD.replace(",13,", ",4,") + GOOD.replace("55.5", "95")
    )
    code, _, err = run("fix", picks, "-o", tmp_path / "out.gpx", "--skip-bad")
    assert code == 0, err
    listed = (tmp_path / "out-rejected.csv").read_text(encoding="utf-8").splitlines()
    assert len(listed) == 3
    assert "1 sighting written" in err


def test_rows_are_those_of_the_file_after_skip_bad(run, tmp_path):
    """Row 1 cannot be read, row 2 cannot be placed, row 3 is good."""
    text = HEAD + GOOD.replace("55.5", "95") + GOOD.replace(",13,", ",4,") + GOOD
    code, out, _ = run("fix", picks_file(tmp_path, text), "--skip-bad", "--json")
    value = json.loads(out)
    assert code == 0
    assert [s["source"] for s in value["sightings"]] == ["picks.csv:3"]
    assert sorted(r["row"] for r in value["rejected"]) == [1, 2]


@pytest.mark.parametrize(
    ("job", "name"), [("merge", "o.gpx"), ("export", "o.gpx"), ("map", "o.html")]
)
def test_bad_rows_of_every_file_are_listed(run, tmp_path, job, name):
    for letter in "ab":
        (tmp_path / f"{letter}.csv").write_text(
            f"name,lat,lon\n{letter}1,55.5,12.2\n{letter}2,95,12\n"
        )
    words = [job, tmp_path / "a.csv", tmp_path / "b.csv", "-o", tmp_path / name, "--skip-bad"]
    code, _, err = run(*words)
    assert code == 0, err
    listed = (tmp_path / "o-rejected.csv").read_text(encoding="utf-8")
    assert "a.csv,2," in listed
    assert "b.csv,2," in listed
    assert "left out: 2 rows" in err


def test_marks_of_a_shifted_trip_are_drawn_and_exported_as_they_are(run, marks, tmp_path):
    count = marks.read_text(encoding="utf-8").count("<wpt")
    _, _, err = run("map", marks, "-o", tmp_path / "m.html")
    assert f"{count} marks drawn" in err
    _, _, err = run("export", marks, "-o", tmp_path / "e.gpx")
    assert f"{count} marks written" in err
    _, _, err = run("export", marks, marks, "-o", tmp_path / "twice.gpx")
    names = re.findall("<name>(.*?)</name>", (tmp_path / "twice.gpx").read_text(encoding="utf-8"))
    assert len(set(names)) == len(names)


def test_a_log_without_a_date_takes_the_day_that_is_said(run, tmp_path):
    log = tmp_path / "log.nmea"
    # Sentence and checksum as printed at gpsinformation.org (read in a public copy).
    log.write_text("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n")
    code, _, err = run("info", log)
    assert code == 1
    assert "--date" in err
    code, out, _ = run("info", log, "--date", "2026-03-01", "--json")
    assert code == 0
    assert json.loads(out)["files"][0]["first_time"].startswith("2026-03-01T12:35:19")


BOMB = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><gpx version="1.1"><wpt lat="1" lon="2"><name>&b;</name></wpt></gpx>'
OUTSIDE = '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><gpx version="1.1"><wpt lat="1" lon="2"><name>&a;</name></wpt></gpx>'
FILES = [
    (
        "cut.gpx",
        '<?xml version="1.0"?>\n<gpx version="1.1">\n<wpt lat="1" lon="2">',
        "line 3|cut short",
    ),
    ("bomb.gpx", BOMB, "entit|DOCTYPE"),
    ("outside.gpx", OUTSIDE, "entit|DOCTYPE"),
    ("json.gpx", '{"type": "FeatureCollection"}', "not"),
    ("kml.gpx", "<kml></kml>", "GPX"),
    ("empty.gpx", "", "empty"),
    ("what.xyz", "a", "xyz"),
]


@pytest.mark.parametrize(("name", "text", "words"), FILES, ids=[f[0] for f in FILES])
@pytest.mark.parametrize("job", ["merge", "map", "info", "export"])
def test_hostile_and_wrong_files_are_refused(run, tmp_path, name, text, words, job):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    rest = [] if job == "info" else ["-o", tmp_path / ("o.html" if job == "map" else "o.gpx")]
    code, out, err = run(job, path, *rest)
    assert code == 1
    assert re.search(words, err), err
    assert "root:" not in out + err
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_existing_files_and_unwritable_folders(run, marks, tmp_path):
    for job, name in (("merge", "m.gpx"), ("export", "e.gpx"), ("map", "m.html")):
        target = tmp_path / name
        target.write_text("precious")
        code, _, err = run(job, marks, "-o", target)
        assert code == 1
        assert "--overwrite" in err
        assert target.read_text() == "precious"
        assert run(job, marks, "-o", target, "--overwrite")[0] == 0
        code, _, err = run(job, marks, "-o", tmp_path / "nowhere" / name)
        assert code == 1
        assert "nowhere" in err or "folder" in err


def test_picks_that_are_not_fixed_are_sent_to_fix(run, tmp_path):
    code, _, err = run("merge", picks_file(tmp_path, HEAD + GOOD), "-o", tmp_path / "o.gpx")
    assert code == 1
    assert "run `athwart fix picks.csv" in err
