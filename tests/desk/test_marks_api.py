"""What the page of marks asks, and what a book says to it."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from page import running
from season import season, waiting

from athwart.kinds import known_symbols

MARKUP = "<img src=x onerror=alert(1)> & \"'\u202e שלום"


@pytest.fixture
def page(served, tmp_path):
    served.desk.book, served.desk.folder = season(tmp_path), tmp_path
    return served


def marks_of(page):
    return {m["id"]: m for m in page.get("/api/marks").json()["marks"]}


def some(page, **wanted):
    found = [m for m in marks_of(page).values() if all(m[k] == v for k, v in wanted.items())]
    return found[0]


def log(page):
    return page.get("/api/log").json()["entries"]


def test_every_kind_of_the_book_has_a_symbol_and_no_two_share_a_code(page):
    mark = some(page, kind="rock")
    page.post(f"/api/marks/{mark['id']}", {"kind": "buoy"})
    kinds = page.get("/api/kinds").json()["kinds"]
    words = {k["word"] for k in kinds}
    assert words == {s.word for s in known_symbols()} | {"", "buoy"}
    codes = [k["code"] for k in kinds if k["word"] not in ("", "other")]
    assert len(set(codes)) == len(codes)


def test_kinds_are_told_without_a_book(tmp_path):
    with running(None, tmp_path) as page:
        assert len(page.get("/api/kinds").json()["kinds"]) > 10
        answer = page.get("/api/marks")
        assert answer.status == 400
        assert "choose a book first" in answer.json()["fault"]


@pytest.mark.parametrize("name", ["Anvil again", MARKUP, "x" * 2000])
def test_an_edit_is_answered_with_the_mark_as_the_list_gives_it(page, name):
    mark = some(page, kind="rock")
    values = {"name": name, "kind": "reef", "note": MARKUP, "hazard": True, "private": True}
    answer = page.post(f"/api/marks/{mark['id']}", values).json()
    assert answer["mark"] == marks_of(page)[mark["id"]]
    assert {k: answer["mark"][k] for k in values} == values
    others = {i: m for i, m in marks_of(page).items() if i != mark["id"]}
    page.post("/api/undo")
    assert marks_of(page) == {**others, mark["id"]: mark}


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ({}, "say one of"),
        ({"name": "x" * 2001}, "2001 letters; 2000 is the most"),
        ({"private": "no"}, "private is true or false"),
        ({"hazard": 1}, "hazard is true or false"),
    ],
)
def test_an_edit_that_cannot_be_is_refused_and_changes_nothing(page, values, fault):
    mark, before = some(page, kind="rock"), len(log(page))
    answer = page.post(f"/api/marks/{mark['id']}", values)
    assert answer.status == 400
    assert fault in answer.json()["fault"]
    assert len(log(page)) == before


def test_an_unknown_mark_is_refused_in_a_sentence(page):
    for answer in (
        page.get("/api/marks/nosuchmark"),
        page.post("/api/marks/nosuchmark", {"name": "x"}),
        page.post("/api/marks/nosuchmark/visits", {"note": "x"}),
    ):
        assert answer.status == 400
        assert answer.json()["fault"].startswith("there is no mark 'nosuchmark'")


def test_a_visit_is_counted_and_its_words_are_kept(page):
    mark = some(page, kind="wreck")
    assert "say what happened" in page.post(f"/api/marks/{mark['id']}/visits").json()["fault"]
    page.post(f"/api/marks/{mark['id']}/visits", {"result": "two fish", "note": "ebb"})
    answer = page.post(f"/api/marks/{mark['id']}/visits", {"result": MARKUP}).json()
    assert answer["mark"] == marks_of(page)[mark["id"]]
    assert answer["mark"]["visits"] == 2
    assert answer["mark"]["last_visit"].endswith(MARKUP)


def test_why_a_mark_is_there_is_told_in_sentences(page):
    mark = max(marks_of(page).values(), key=lambda m: m["sightings"])
    page.post(f"/api/marks/{mark['id']}", {"name": "Old Anvil", "private": True})
    page.post(f"/api/marks/{mark['id']}/visits", {"result": "nothing"})
    found = page.get(f"/api/marks/{mark['id']}").json()
    said = found["sentences"]
    assert said[0].startswith(f"It is made of {mark['sightings']} sightings")
    assert f"its R95 is {mark['r95_m']:.1f} m" in said[0]
    seen = [s for s in said if "with a weight of" in s]
    assert len(seen) == mark["sightings"]
    # Distances and bearings against a reference library (geographiclib, Karney 2013).
    for sentence, sighting in zip(seen, found["sightings"], strict=True):
        back = Geodesic.WGS84.Inverse(mark["lat"], mark["lon"], sighting["lat"], sighting["lon"])
        assert f" {back['s12']:.1f} m off towards {back['azi1'] % 360:03.0f}°" in sentence
    assert any(s.startswith("The name was set to 'Old Anvil' (entry ") for s in said)
    assert any(s.startswith("The private was set to yes") for s in said)
    assert any(s.startswith("Visited on ") and ": nothing (entry " in s for s in said)


def test_sentences_are_in_the_units_that_are_asked_for(page):
    mark = some(page, kind="rock")
    # 1 international foot is 0.3048 m exactly, a fathom is 6 feet (NIST Handbook 44, appendix C).
    for units, factor, word in (("feet", 0.3048, "ft"), ("fathoms", 1.8288, "fm")):
        said = page.get(f"/api/marks/{mark['id']}?units={units}").json()["sentences"]
        assert f"its R95 is {mark['r95_m'] / factor:.1f} {word}." in said[0]
        for q in page.get(f"/api/folds?units={units}").json()["questions"]:
            assert f" lie {q['distance_m'] / factor:.1f} {word} apart." in q["words"]
    answer = page.get(f"/api/marks/{mark['id']}?units=cables")
    assert answer.status == 400
    assert "units are 'cables'; allowed are metric, feet, fathoms" in answer.json()["fault"]


def test_folds_are_asked_by_their_distance_and_their_errors(page):
    asked = page.get("/api/folds").json()["questions"]
    marks = marks_of(page)
    assert asked
    assert [q["chance"] for q in asked] == sorted((q["chance"] for q in asked), reverse=True)
    for q in asked:
        a, b = marks[q["a"]], marks[q["b"]]
        back = Geodesic.WGS84.Inverse(a["lat"], a["lon"], b["lat"], b["lon"])
        assert q["distance_m"] == pytest.approx(back["s12"], rel=1e-4)
        # Chi-square with two degrees of freedom: P(X > d2) = exp(-d2 / 2) (Abramowitz and Stegun
        # 26.4.4, from memory). The ellipses turn back into covariances.
        total = sum((covariance(m["ellipse"]) for m in (a, b)), np.zeros((2, 2)))
        t = np.radians(back["azi1"])
        d = back["s12"] * np.array([np.sin(t), np.cos(t)])
        chance = np.exp(-d @ np.linalg.solve(total, d) / 2)
        assert q["chance"] == pytest.approx(chance, rel=0.02)
        assert q["names"][0] in q["words"]


def covariance(ellipse):
    major, minor, azimuth = ellipse
    t = np.radians(azimuth)
    turn = np.array([[np.sin(t), np.cos(t)], [np.cos(t), -np.sin(t)]])
    return turn @ np.diag([major**2, minor**2]) @ turn.T


@pytest.mark.parametrize(("answer", "fewer"), [("yes", 1), ("no", 0)])
def test_an_answer_is_kept_and_not_asked_again_until_it_is_taken_back(page, answer, fewer):
    asked = page.get("/api/folds").json()["questions"]
    before = marks_of(page)
    q = asked[0]
    page.post("/api/folds", {"a": q["a"], "b": q["b"], "answer": answer})
    assert len(marks_of(page)) == len(before) - fewer
    left = {(r["a"], r["b"]) for r in page.get("/api/folds").json()["questions"]}
    assert (q["a"], q["b"]) not in left
    entry = log(page)[0]
    assert entry["what"] == {"yes": "same", "no": "apart"}[answer]
    assert q["a"] not in entry["sentence"], "ids are shortened for people"
    page.post("/api/undo")
    assert marks_of(page) == before
    assert page.get("/api/folds").json()["questions"] == asked


def test_an_answer_that_is_none_is_refused(page):
    q = page.get("/api/folds").json()["questions"][0]
    answer = page.post("/api/folds", {"a": q["a"], "b": q["b"], "answer": "perhaps"})
    assert answer.status == 400
    assert answer.json()["fault"] == "answer yes or no"


def test_what_waits_is_merged_by_a_job(tmp_path):
    with running(waiting(tmp_path / "new")) as page:
        found = page.get("/api/marks").json()
        assert found["marks"] == []
        assert found["waiting"] > 0
        result = page.wait(page.post("/api/merge").json())
        assert "new mark" in result["sentence"]
        found = page.get("/api/marks").json()
        assert found["waiting"] == 0
        assert len(found["marks"]) > 0


def test_any_change_that_stands_can_be_taken_back_from_the_log(page):
    one, two = some(page, kind="rock"), some(page, kind="wreck")
    page.post(f"/api/marks/{one['id']}", {"name": "First"})
    number = log(page)[0]["number"]
    page.post(f"/api/marks/{two['id']}", {"name": "Second"})
    page.post("/api/undo", {"number": number})
    marks = marks_of(page)
    assert marks[one["id"]]["name"] == one["name"]
    assert marks[two["id"]]["name"] == "Second"
    stands = {e["number"]: e["stands"] for e in log(page)}
    assert not stands[number]
    answer = page.post("/api/undo", {"number": number})
    assert answer.status == 400
    assert "taken back already" in answer.json()["fault"]
