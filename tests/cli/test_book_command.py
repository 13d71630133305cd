"""`athwart book` as a user types it: every command, its JSON as documented, every fault a sentence."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

from athwart.cli.book_command import COMMANDS

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_gpx"
BOAT = ("--boat", SAMPLES / "tern.toml")
REFERENCE = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
SECTION = REFERENCE.split("### JSON of the book")[1].split("\n#")[0]
KEYS = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", SECTION, re.MULTILINE))


@pytest.fixture
def ask(run):
    """Run a command of the book with --json; every key that it gives is documented."""

    def call(name, book, *words, code=0):
        done, out, err = run("book", name, book, *words, "--json")
        assert done == code, err
        value = json.loads(out)
        given = set(value) | set(value.get("taken_back", ()))
        for listed in ("files", "marks", "entries", "folded"):
            given |= {k for record in value.get(listed, ()) for k in record}
        told = set(re.findall(r"`(\w+)`", KEYS[name]))
        assert given <= told
        assert told - given <= {"mark_id", "into"} or not value.get("marks", True)
        return value

    return call


@pytest.fixture
def book(ask, tmp_path):
    """Twenty waypoints of two cards, merged."""
    path = tmp_path / "season.gpkg"
    value = ask("add", path, SAMPLES / "waypoints.gpx", SAMPLES / "old-card.gpx")
    assert [f["new"] for f in value["files"]] == [15, 5]
    assert value["waiting"] == 20
    value = ask("merge", path)
    assert value["new_sightings"] == value["looked_at"] == 20
    return path


def ids(ask, book, *words):
    return [m["mark_id"] for m in ask("marks", book, *words)["marks"]]


def gpx(path, *points):
    inside = "".join(
        f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name></wpt>' for lat, lon, name in points
    )
    path.write_text(
        f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{inside}</gpx>',
        encoding="utf-8",
    )
    return path


def test_the_help_lists_the_commands_as_a_season_needs_them(run):
    code, out, _ = run("book", "--help")
    assert code == 0
    assert re.findall(r"^  (\w+)  ", out.split("Commands:")[1], re.MULTILINE) == list(COMMANDS)
    for name in COMMANDS:
        code, out, _ = run("book", name, "--help")
        assert code == 0
        assert "\\b" not in out  # a sign for click, not for people


def test_every_command_has_its_json_documented():
    assert list(KEYS) == list(COMMANDS)


def test_picks_take_their_places_from_the_tracks_of_the_book(ask, run, tmp_path):
    book = tmp_path / "season.gpkg"
    assert ask("add", book, SAMPLES / "trip-1-track.gpx")["files"][0]["lines"] == 1
    code, out, err = run("book", "add", book, SAMPLES / "trip-1-picks.csv", *BOAT)
    assert code == 0
    assert "29 new sightings" in out
    assert "29 sightings wait to be merged: athwart book merge season.gpkg" in out
    assert "positions of the boat come from the tracks of the book" in err


def test_adding_again_under_another_name_or_in_a_larger_file_adds_nothing_twice(ask, tmp_path):
    book = tmp_path / "season.gpkg"
    one = gpx(tmp_path / "one.gpx", (1, 2, "A"), (1.1, 2, "B"))
    ask("add", book, one)
    renamed = gpx(tmp_path / "other.gpx", (1.1, 2, "B"), (1, 2, "A"))
    (found,) = ask("add", book, renamed)["files"]
    assert (found["new"], found["known"]) == (0, 2)
    larger = gpx(tmp_path / "larger.gpx", (3, 2, "C"), (1.1, 2, "B"), (1, 2, "A"))
    (found,) = ask("add", book, larger)["files"]
    assert (found["new"], found["known"]) == (1, 2)


def test_files_that_went_in_before_a_bad_one_are_told(run, tmp_path):
    good = gpx(tmp_path / "one.gpx", (1, 2, "A"))
    book = tmp_path / "season.gpkg"
    code, out, err = run("book", "add", book, good, SAMPLES / "trip-1-picks.csv")
    assert code == 1
    assert out == ""
    assert "in the book already: one.gpx: 1 new sighting\n" in err
    assert "1 sighting not merged yet" in run("info", book)[1]


def test_a_dry_merge_changes_nothing(ask, book, tmp_path):
    ask("add", book, gpx(tmp_path / "one.gpx", (1, 2, "A")))
    before = book.read_bytes()
    value = ask("merge", book, "--dry-run")
    assert value["dry_run"] is True
    assert len(value["new"]) == 1
    assert book.read_bytes() == before
    assert ask("merge", book)["new"] == value["new"]
    assert ask("merge", book)["new_sightings"] == 0


def test_what_the_user_says_stays_and_private_marks_stay_out(ask, run, book, tmp_path):
    first, second, *_ = ids(ask, book)
    value = ask("edit", book, first, "--name", "Gate stone", "--kind", "rock", "--hazard")
    assert value["changed"] == [first]
    ask("edit", book, second, "--private")
    value = ask("marks", book)
    mark = next(m for m in value["marks"] if m["mark_id"] == first)
    assert (mark["name"], mark["kind"], mark["hazard"]) == ("Gate stone", "rock", True)
    assert value["private_left_out"] == 1
    assert second not in ids(ask, book)
    assert second in ids(ask, book, "--with-private")
    assert ids(ask, book, "--kind", "rock") == [first]
    for job, name in (("export", "e.gpx"), ("map", "m.html"), ("merge", "m.csv")):
        assert run(job, book, "-o", tmp_path / name)[0] == 0
        assert second not in (tmp_path / name).read_text(encoding="utf-8")
    code, out, _ = run("info", book, "--json")
    (told,) = json.loads(out)["files"]
    assert code == 0
    assert told["book"] is True
    counts = {"marks": 19, "sightings": 19, "waiting": 0, "visits": 0, "private_left_out": 1}
    assert counts.items() <= told["counts"].items()
    assert told["counts"]["log_entries"] == len(ask("log", book)["entries"])
    _, out, _ = run("info", book)
    assert "format     book: one file that remembers every trip" in out
    assert "private    1 private mark left out" in out


def test_rulings_hold_and_an_old_id_leads_to_the_mark(ask, book):
    a, b, *_ = ids(ask, book)
    (folded,) = ask("same", book, a, b)["folded"]
    assert {folded["mark_id"], folded["into"]} == {a, b}
    why = ask("why", book, folded["mark_id"])
    assert why["mark"]["mark_id"] == folded["into"]
    assert why["also"] == [folded["mark_id"]]
    assert [r["what"] for r in why["rulings"]] == ["same"]
    assert sum(s["weight"] for s in why["sightings"]) == pytest.approx(1.0)
    assert ask("merge", book, "--all")["new"] == []
    assert len(ids(ask, book)) == 19
    ask("apart", book, *(s["sighting_id"] for s in why["sightings"]))
    assert len(ids(ask, book)) == 20


def test_why_says_it_in_words_too(ask, run, book):
    first = ids(ask, book)[0]
    ask("edit", book, first, "--name", "Gate stone")
    ask("visit", book, "gate STONE", "--time", "2026-05-03T06:00Z", "--result", "2 fish")
    code, out, _ = run("book", "why", book, first[:6])
    assert code == 0
    for words in ("Gate stone", "made of    1 sighting", "weighs 100 %", "name 'Gate stone'",
                  "visited 2026-05-03 06:00: 2 fish"):  # fmt: skip
        assert words in out


def test_why_tells_that_a_trip_was_moved_and_what_is_left(ask, run, tmp_path):
    """Truth file: tern-3 was put 26 m east and 15 m south, 30.0 m towards 120."""
    book = tmp_path / "season.gpkg"
    for files in (("trip-1-track.gpx", "trip-1-picks.csv"), ("trip-3-picks-typed.csv",)):
        ask("add", book, *(SAMPLES / name for name in files), *BOAT)
        ask("merge", book, "--shift-trips")
    looks = {s["trip"]: s for s in ask("why", book, "Anvil")["sightings"]}
    assert looks["tern-1"]["trip_moved_m"] == 0
    assert looks["tern-3"]["trip_moved_m"] == pytest.approx(30.0, abs=3)
    assert looks["tern-3"]["trip_moved_bearing_deg"] == pytest.approx(300.0, abs=10)
    assert all(s["off_m"] < 10 for s in looks.values())
    _, out, _ = run("book", "why", book, "Anvil")
    assert re.search(r"trip tern-3 \(moved \d\d\.\d m towards 3\d\d\), trip-3", out)


def test_visits_are_counted_listed_and_drawn(ask, run, book, tmp_path):
    first = ids(ask, book)[0]
    for day in ("01", "03"):
        ask("visit", book, first, "--time", f"2026-05-{day}T06:00Z", "--result", f"{day} fish")
    assert next(m for m in ask("marks", book)["marks"] if m["mark_id"] == first)["visits"] == 2
    assert [v["result"] for v in ask("why", book, first)["visits"]] == ["01 fish", "03 fish"]
    assert run("map", book, "-o", tmp_path / "m.html")[0] == 0
    page = (tmp_path / "m.html").read_text(encoding="utf-8")
    assert '"2026-05-03"' in page
    assert '"03 fish"' in page
    _, out, _ = run("info", book)
    assert "2 visits" in out


def test_the_log_tells_and_undo_takes_back_and_brings_back(ask, run, book):
    first = ids(ask, book)[0]
    ask("edit", book, first, "--name", "Gate stone")
    before = ask("marks", book)
    ask("edit", book, first, "--name", "Other stone")
    entry = ask("undo", book)["taken_back"]
    assert entry["what"] == "edit"
    assert ask("marks", book) == before
    log = ask("log", book)["entries"]
    assert [e["what"] for e in log] == ["add", "add", "merge", "edit", "edit", "undo"]
    assert [e["stands"] for e in log] == [True, True, True, True, False, False]
    ask("undo", book, log[-1]["number"])
    assert "Other stone" in [m["name"] for m in ask("marks", book)["marks"]]
    _, out, _ = run("book", "log", book)
    assert "(taken back)" not in out.splitlines()[4]


def test_check_and_backup(ask, run, book, tmp_path):
    assert ask("check", book) == {"book": "season.gpkg", "sound": True, "faults": []}
    copy = tmp_path / "copy.gpkg"
    assert ask("backup", book, "-o", copy) == {"book": "season.gpkg", "backup": str(copy)}
    assert ask("marks", copy) == ask("marks", book)
    code, out, _ = run("book", "backup", book)
    assert code == 0
    assert re.fullmatch(r"copied to season-backup-[\d-]+\.gpkg\n", out)


def test_what_an_export_wrote_is_known_when_it_comes_back(ask, run, book, tmp_path):
    """Names in capitals, cut to 10, five decimals, another order; one moved, one gone, one new."""
    out = tmp_path / "plotter.gpx"
    limits = SAMPLES / "small-plotter.toml"
    code, _, err = run("export", book, "-o", out, "--limits", limits, "--clean")
    assert code == 0, err
    text = out.read_text(encoding="utf-8")
    points = re.findall(r'<wpt lat="(.*?)" lon="(.*?)">.*?<name>(.*?)</name>', text, re.DOTALL)
    assert len(points) == 20
    back = [(round(float(a), 5), round(float(b), 5), n.upper()[:10]) for a, b, n in points]
    (lat, lon, name), *rest = sorted(back, key=lambda p: p[2])
    rest.pop()
    moved = (round(lat + 40 / 111_320, 5), lon, name)
    came = gpx(tmp_path / "back.gpx", *reversed(rest), moved, (-46.1, -21.2, "BRAND NEW"))
    (found,) = ask("add", book, came)["files"]
    assert (found["recognised"], found["new"]) == (18, 2)
    ((mark, said),) = found["moved"]
    assert "moved on the plotter, 40 m towards 000" in said
    assert len(found["missing"]) == 1
    ask("merge", book)
    assert len(ids(ask, book)) == 21
    assert len(ask("why", book, mark)["sightings"]) == 2


@pytest.mark.parametrize("name", [c for c in COMMANDS if c != "add"])
def test_what_is_no_book_is_refused_and_left_alone(run, tmp_path, name):
    marks = {"why": ["m"], "edit": ["m", "--name", "x"], "same": ["m", "n"], "apart": ["m", "n"],
             "visit": ["m", "--note", "x"]}.get(name, [])  # fmt: skip
    junk = tmp_path / "junk.gpkg"
    junk.write_text("precious", encoding="utf-8")
    for path, words in ((tmp_path / "none.gpkg", "no such book"), (junk, "is not a book")):
        code, out, err = run("book", name, path, *marks)
        assert (code, out) == (1, "")
        assert words in err
        assert err.count("\n") == 1
    assert junk.read_text(encoding="utf-8") == "precious"
    assert [p.name for p in tmp_path.iterdir()] == ["junk.gpkg"]


WRONG = [
    ("add {book}", 2, "Missing argument 'FILE...'"),
    ("add {book} {folder}/none.gpx", 1, "none.gpx: there is no such file"),
    ("add {book} {book}", 2, "season.gpkg is the book itself"),
    ("add {book} {samples}/waypoints.gpx --track {samples}/waypoints.gpx", 2, "holds no track"),
    ("add {folder}/season.gpx {samples}/waypoints.gpx", 1, "its name must end in .gpkg"),
    ("add {folder}/nowhere/b.gpkg {samples}/waypoints.gpx", 1, "does not exist; make it first"),
    ("add {book} {samples}/trip-1-picks.csv", 1, "rows 1 to 29: there is no lat and lon, and no track"),
    ("add {book} {samples}/truth.csv --sigma 4x", 2, "is no length"),
    ("why {book} nothing", 2, "(athwart book marks lists them)"),
    ("why {book} {short}", 2, "there is no mark"),
    ("edit {book} {one}", 2, "say something of the mark: --name, --kind"),
    ("edit {book} nothing --name x", 2, "there is no mark 'nothing'"),
    ("same {book} {one} {one}", 2, "are one mark already"),
    ("same {book} {one} nothing", 2, "there is no mark 'nothing'"),
    ("apart {book} {one} {one}", 2, "give the ids of two of its sightings"),
    ("visit {book} {one}", 2, "say what happened: --result, --note, or both"),
    ("visit {book} {one} --note x --time yesterday", 2, "is not a time"),
    ("visit {book} {one} --note x --time 2026-05-03T06:00", 2, "has no zone"),
    ("undo {book} 99", 2, "give the number of one (athwart book log lists them)"),
    ("undo {book} x", 2, "'x' is not a valid integer"),
    ("undo {book} 0", 2, "the log has no entry 0"),
    ("backup {book} -o {folder}/b.txt", 1, "must end in .gpkg"),
    ("backup {book} -o {book}", 1, "season.gpkg"),
    ("nothing {book}", 2, "No such command"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "exit_code", "words"), WRONG, ids=[w[0][:40] for w in WRONG])
def test_each_fault_is_one_clear_sentence_and_changes_nothing(
    ask, run, book, tmp_path, line, exit_code, words
):
    one = ids(ask, book)[0]
    before, names = book.read_bytes(), sorted(p.name for p in tmp_path.iterdir())
    filled = line.format(book=book, folder=tmp_path, samples=SAMPLES, one=one, short=one[:3])
    code, out, err = run("book", *filled.split())
    assert code == exit_code
    assert words in err
    assert out == ""
    assert book.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == names


def test_a_name_that_two_marks_have_asks_for_an_id(ask, run, book, tmp_path):
    a, b, *_ = ids(ask, book)
    for mark in (a, b):
        ask("edit", book, mark, "--name", "Twin")
    code, _, err = run("book", "why", book, "twin")
    assert code == 2
    assert "'twin' could be 2 marks; give one of their ids" in err
    assert a in err
    assert b in err


def test_an_undo_that_something_stands_on_is_refused_by_name(ask, run, book):
    first = ids(ask, book)[0]
    ask("visit", book, first, "--result", "2 fish")
    code, out, err = run("book", "undo", book, "3")
    assert code == 1
    assert out == ""
    assert "entry 3 (merge) cannot be taken back before entry 4" in err


def test_times_are_kept_in_utc_and_now_is_the_default(ask, book):
    first = ids(ask, book)[0]
    ask("visit", book, first, "--time", "2026-05-03T06:00", "--tz", "Pacific/Auckland",
        "--note", "at dawn")  # fmt: skip
    ask("visit", book, first, "--note", "just now")
    times = [v["time"] for v in ask("why", book, first)["visits"]]
    assert times[0] == "2026-05-02T18:00:00.000Z"  # New Zealand standard time is UTC+12
    age = np.datetime64("now") - np.datetime64(times[1].rstrip("Z"))
    assert abs(age) < np.timedelta64(5, "m")
