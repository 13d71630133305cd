"""What the page of pictures asks, on frames whose truth is known (tests/frame/simulated.py)."""

import json
import re
import struct
import zlib
from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
import rasterio
from paused_frame import boat_toml, frame, gpx, png, question, sent
from PIL import Image
from pyproj import Geod
from simulated import Body, looks_at, scene

from athwart.book.drawn import shapes_of
from athwart.book.reading import marks_and_sightings
from athwart.book.store import create, open_book
from athwart.frame.layout import Layout

GEOD = Geod(ellps="WGS84")


@pytest.fixture
def page(served, tmp_path):
    served.desk.folder = tmp_path
    served.desk.book = tmp_path / "season.gpkg"
    create(served.desk.book)
    return served


@pytest.fixture
def paused(page):
    """A frame in hand: the picture's address, and a question that only lacks what was picked."""

    def take(**options):
        made = frame(**options)
        picture = sent(page, "/api/pictures", "pause.png", png(made)).json()
        track = sent(page, "/api/tracks", "trip.gpx", gpx(made)).json()
        boat = sent(page, "/api/boats", "tern.toml", boat_toml(made)).json()
        return made, f"/api/pictures/{picture['id']}", question(made, track["id"], boat["id"])

    return take


def picks_of(made, click=0.0, seed=1):
    rng = np.random.default_rng(seed)
    return [
        {
            "x": t["x"] + rng.normal(0, click),
            "y": t["y"] + rng.normal(0, click),
            "name": t["name"],
            "kind": "rock" if t["kind"] == "boulder" else "timber",
            "shadow": [[t["shadow_x0"], t["shadow_y0"]], [t["shadow_x1"], t["shadow_y1"]]]
            if np.isfinite([t["shadow_x0"], t["shadow_x1"]]).all()
            else None,
        }
        for t in made.targets
    ]


def offs(made, told):
    """Return how far each place lies off the truth, beyond the error that the whole track has."""
    east, north = made.shared_error_m
    out = []
    for t, p in zip(made.targets, told, strict=True):
        azimuth, _, metres = GEOD.inv(t["lon"], t["lat"], p["lon"], p["lat"])
        a = np.radians(azimuth)
        out.append(np.hypot(metres * np.sin(a) - east, metres * np.cos(a) - north))
    return np.array(out)


@pytest.mark.parametrize("options", [{}, {"newest": "left", "mirrored": True}])
def test_points_on_a_frame_become_places_within_their_r95(paused, page, options):
    made, path, asked = paused(**options)
    answer = page.post(f"{path}/place", {**asked, "picks": picks_of(made, 1.0)})
    assert answer.status == 200, answer.text
    told = answer.json()["picks"]
    assert all("fault" not in p for p in told), told
    off = offs(made, told)
    inside = off <= [p["r95_m"] for p in told]
    assert inside.sum() >= len(off) - 1
    assert np.median(off) < 1.5
    for t, p in zip(made.targets, told, strict=True):
        assert p["side"] == t["side"]
        assert p["sentence"].endswith("s back")
        assert f"to {t['side']}" in p["sentence"]


def test_ends_of_shadows_are_found_and_the_user_s_own_can_be_kept(paused, page):
    made, path, asked = paused()
    picks = picks_of(made)
    t, own = made.targets[5], picks[5]
    own["shadow"] = [[x + off, y] for (x, y), off in zip(own["shadow"], (1.5, -2.0), strict=True)]

    def place(**more):
        told = page.post(f"{path}/place", {**asked, "picks": [{**own, **more}]}).json()["picks"][0]
        assert "give or take" in told["sentence"]
        return told

    found, kept = place(), place(own_ends=True)
    assert "found in the picture" in found["shadow_words"]
    assert kept["shadow_words"].startswith("The ends of its shadow are as you drew them.")
    assert np.abs(np.array(found["shadow"][1]) - [t["shadow_x1"], t["shadow_y1"]])[0] < 1.6
    assert np.array(kept["shadow"])[:, 0] == pytest.approx([x for x, _ in own["shadow"]], abs=0.01)
    assert abs(found["height_m"] - t["height_m"]) < 2.5 * found["height_sigma_m"]
    bright = [[t["x"], t["y"] - 40], [t["x"] + 40 * np.sign(t["x"] - 400), t["y"] - 40]]
    nothing = place(shadow=bright)
    assert nothing["shadow_words"].startswith("The picture shows no clear ends of its shadow")
    again = place()
    assert again == found
    none = page.post(f"{path}/place", {**asked, "picks": [{**own, "shadow": None}]}).json()
    assert none["picks"][0]["shadow"] is None
    assert none["picks"][0]["shadow_words"] == ""


def test_a_height_from_a_short_shadow_is_told_to_be_rough(paused, page):
    made, path, asked = paused()
    t = made.targets[5]
    way = np.sign(t["shadow_x1"] - t["shadow_x0"])
    for long_px, rough in ((12, True), (18, False)):
        shadow = [[t["x"], t["y"] - 40], [t["x"] + way * long_px, t["y"] - 40]]
        pick = {**picks_of(made)[5], "shadow": shadow, "own_ends": True}
        told = page.post(f"{path}/place", {**asked, "picks": [pick]}).json()["picks"][0]
        assert ("take the height as rough" in told["shadow_words"]) is rough
        assert ("short (12 pixels)" in told["shadow_words"]) is rough


def test_beside_a_bank_the_height_is_told_to_be_doubtful(paused, page):
    made, path, asked = paused(bottom="bank", bodies=None)
    picks = [p for p in picks_of(made) if p["shadow"]]
    told = page.post(f"{path}/place", {**asked, "picks": picks}).json()["picks"]
    words = [p["shadow_words"] for p in told if "fault" not in p]
    assert any("The bottom rises or falls here; the height may be far off." in w for w in words)


PLANTED = {
    "sides exchanged": lambda screen: {
        **screen,
        "port_limit_px": screen["starboard_limit_px"],
        "starboard_limit_px": screen["port_limit_px"],
    },
    "newest edge reversed": lambda screen: {**screen, "newest": "bottom"},
    "slant taken for ground": lambda screen: {**screen, "axis": "ground"},
}  # fmt: skip


@pytest.mark.parametrize("fault", PLANTED)
def test_a_wrong_layout_is_seen_in_the_places(paused, page, fault):
    made, path, asked = paused()
    good = page.post(f"{path}/place", {**asked, "picks": picks_of(made)}).json()["picks"]
    asked["layout"] = PLANTED[fault](asked["layout"])
    picks = [{**p, "shadow": None} for p in picks_of(made)]
    answer = page.post(f"{path}/place", {**asked, "picks": picks})
    wrong = answer.json()["picks"]
    off = offs(
        made, [w if "lon" in w else {**g, "lon": 0.0} for w, g in zip(wrong, good, strict=True)]
    )
    assert np.median(off) > np.median(offs(made, good)) + 1.5


def test_a_pixel_off_at_the_centre_line_moves_the_sides_apart(paused, page):
    made, path, asked = paused()
    flat = [{**p, "shadow": None} for p in picks_of(made)]
    good = page.post(f"{path}/place", {**asked, "picks": flat}).json()["picks"]
    # The depth is held, so that only the pixel counts.
    asked["bottom"] = {"by": "typed", "depth_m": 11.0}
    good = page.post(f"{path}/place", {**asked, "picks": flat}).json()["picks"]
    limits = {k: asked["layout"][k] + 1 for k in ("port_limit_px", "starboard_limit_px")}
    asked["layout"] = {**asked["layout"], "centre_px": asked["layout"]["centre_px"] + 1, **limits}
    moved = page.post(f"{path}/place", {**asked, "picks": flat}).json()["picks"]
    column = made.layout["range_m"] / (made.layout["starboard_limit_px"] - made.layout["centre_px"])
    for g, m in zip(good, moved, strict=True):
        step = m["ground_range_m"] - g["ground_range_m"]
        assert step * (1 if g["side"] == "port" else -1) > 0.9 * abs(column)


def test_what_was_picked_and_drawn_is_saved_once_with_its_picture(paused, page):
    made, path, asked = paused()
    picks = picks_of(made)[:3]
    picks[0]["private"] = True
    y, x = made.targets[1]["y"], made.targets[1]["x"]
    asked |= {
        "picks": picks,
        "shapes": [{"points": [[x, y], [x - 20, y + 40], [x - 10, y + 90]], "kind": "ledge"}],
        "bottom": {"drags": [["port", 100, 11.2]]},
    }
    first = page.post(f"{path}/save", asked).json()
    assert (first["new"], first["shapes"], first["known"]) == (3, 1, 0)
    again = page.post(f"{path}/save", asked).json()
    assert (again["new"], again["shapes"], again["known"]) == (0, 0, 4)
    with open_book(page.desk.book) as store, store.reading() as connection:
        rows = connection.execute(
            "SELECT sha256, layout, newest_time, bottom FROM pictures"
        ).fetchall()
        (shape,) = shapes_of(connection)
        log = connection.execute("SELECT sentence FROM log").fetchall()
        found = connection.execute("SELECT method, extra, kind FROM sightings").fetchall()
    assert len(rows) == len(log) == 1
    assert "range_m" in rows[0][1]
    assert rows[0][3] == '[["port", 100, 11.2]]'
    assert shape.kind == "ledge"
    assert len(shape.lon) == 3
    assert {r[0] for r in found} == {"picture"}
    assert all(rows[0][0] in r[1] and "picture_x_px" in r[1] for r in found)
    page.post("/api/merge")
    page.post("/api/undo")
    with open_book(page.desk.book) as store, store.reading() as connection:
        marks_and_sightings(connection)


def test_nothing_is_saved_while_a_pick_cannot_be_placed(paused, page):
    made, path, asked = paused()
    asked["picks"] = [*picks_of(made)[:1], {"x": 5000, "y": 5}]
    told = page.post(f"{path}/place", asked).json()["picks"]
    assert "outside the sonar panel" in told[1]["fault"]
    answer = page.post(f"{path}/save", asked)
    assert answer.status == 409
    assert "nothing was saved" in answer.json()["fault"]


def test_a_typed_place_serves_instead_of_a_track(paused, page):
    made, path, asked = paused()
    at = made.true_track
    k = int(np.argmin(np.abs(at["time"] - made.newest_time)))
    asked["place"] = {
        "how": "typed", "lat": f"{at['lat'][k]:.7f}", "lon": f"{at['lon'][k]:.7f}",
        "heading": f"{at['heading_deg'][k]:.1f}", "speed_mps": float(at["speed_mps"][k]),
    }  # fmt: skip
    answer = page.post(f"{path}/place", {**asked, "picks": picks_of(made)[:2]}).json()
    made_off = [
        GEOD.inv(t["lon"], t["lat"], p["lon"], p["lat"])[2]
        for t, p in zip(made.targets, answer["picks"], strict=False)
    ]
    assert max(made_off) < 4.0
    assert "as typed" in answer["boat"]["sentence"]


def test_the_bottom_line_is_found_and_dragged(paused, page):
    made, path, asked = paused()
    found = page.post(f"{path}/bottom", asked).json()
    assert "below the transducer" in found["sentence"]
    side = found["sides"]["starboard"]
    line = int(np.argmax(side["confidence"]))
    truth = made.pixel_of("starboard", line, float(made.first_return_m["starboard"][line]))
    assert abs(side["xy"][line][0] - truth[0]) < 3
    drag = page.post(f"{path}/drag", {**asked, "x": truth[0] + 25, "y": truth[1]}).json()["drag"]
    again = page.post(f"{path}/bottom", {**asked, "bottom": {"drags": [drag]}}).json()
    assert again["sides"]["starboard"]["xy"][line][0] == pytest.approx(truth[0] + 25, abs=0.6)
    assert again["sides"]["starboard"]["confidence"][line] == 1.0


def test_a_strip_is_written_with_progress_and_shown(paused, page, tmp_path):
    _, path, asked = paused()
    job = page.post(f"{path}/strip", {**asked, "name": "pause.tif"}).json()
    done = page.wait(job)
    with rasterio.open(tmp_path / "pause.tif") as file:
        assert file.count == 2
        assert file.read(2).any()
    picture = page.get(f"{path}/overlay")
    assert Image.open(BytesIO(picture.body)).mode == "P"
    west, south, east, north = done["bounds"]
    assert west < east
    assert south < north
    assert page.post(f"{path}/strip", {**asked, "name": "pause.tif"}).json() == {
        "exists": "pause.tif"
    }


def test_a_strip_takes_the_typed_depth_and_says_how_well_its_moment_is_known(
    paused, page, tmp_path
):
    _, path, asked = paused()
    nadir = {}
    for depth in (6.0, 11.0):
        asked["bottom"] = {"by": "typed", "depth_m": depth}
        body = {**asked, "name": f"{depth:g}.tif"}
        done = page.wait(page.post(f"{path}/strip", body).json())
        assert "give or take 1 s or 2 m along her track" in " ".join(done["words"])
        with rasterio.open(tmp_path / f"{depth:g}.tif") as file:
            nadir[depth] = file.dataset_mask()[file.height // 2].astype(bool)
    # At one slant range the ground lies nearer under deeper water: the strip is narrower.
    assert np.flatnonzero(nadir[11.0]).size < np.flatnonzero(nadir[6.0]).size


def test_layouts_are_kept_in_the_folder_of_the_book(paused, page, tmp_path):
    _, path, asked = paused()
    body = {**asked, "name": "tern.layout.toml"}
    assert page.post(f"{path}/layout/save", body).json() == {"file": "tern.layout.toml"}
    assert page.post(f"{path}/layout/save", body).json() == {"exists": "tern.layout.toml"}
    assert page.get("/api/layouts").json() == {"layouts": ["tern.layout.toml"]}
    taken = page.post(f"{path}/layout/take", {"name": "tern.layout.toml"}).json()
    assert taken["layout"]["range_m"] == asked["layout"]["range_m"]
    for name in ("../x.layout.toml", "/etc/x.layout.toml", "x.toml", ".x.layout.toml"):
        for what in ("save", "take"):
            assert page.post(f"{path}/layout/{what}", {**asked, "name": name}).status == 400
    (tmp_path / "away.layout.toml").symlink_to(tmp_path.parent / "other.toml")
    assert page.post(f"{path}/layout/take", {"name": "away.layout.toml"}).status == 409
    assert page.get("/api/layouts").json() == {"layouts": ["tern.layout.toml"]}


def test_a_layout_that_cannot_be_is_told_entry_by_entry(paused, page):
    _, path, asked = paused()
    wrong = {**asked["layout"], "range_m": -4, "newest": "up", "colour": 1}
    faults = page.post(f"{path}/layout", {"layout": wrong}).json()["faults"]
    assert {f["entry"] for f in faults} == {"range_m", "newest", "colour"}
    other = {**asked["layout"], "height_px": asked["layout"]["height_px"] * 3}
    answer = page.post(f"{path}/layout", {"layout": other})
    assert answer.status == 409
    assert "the layout is for" in answer.json()["fault"]
    for layout in ([], "x", None, {"panel": "x"}):
        answer = page.post(f"{path}/place", {**asked, "layout": layout})
        assert answer.status in (400, 409)


def test_how_long_a_line_takes_is_measured_on_two_pictures(page):
    made = frame()
    rows, n = made.image, 60
    ids = [
        sent(page, "/api/pictures", name, png_of(part)).json()["id"]
        for name, part in (("a.png", rows[n:]), ("b.png", rows[:-n]))
    ]
    layout = {**made.layout, "height_px": len(rows) - n}
    layout["panel"] = [0, 0, made.layout["width_px"], len(rows) - n]
    body = {"layout": layout, "other": ids[1], "seconds_apart": 6.0}
    found = page.post(f"/api/pictures/{ids[0]}/step", body).json()
    assert found["seconds_per_line"] == pytest.approx(0.1, rel=1e-6)


def twice_seen():
    """A frame of a turn about and the pixels of a patch that it shows twice."""
    body = Body(
        kind="patch", side="starboard", line=150, ground_m=24.0, length_m=1.5, width_m=1.5,
        strength=6.0,
    )  # fmt: skip
    for seed in range(30):
        bodies = (body, replace(body, side="port"))
        made = scene(seed, turn="about", lines=900, columns=600, bodies=bodies)
        for target in made.targets:
            looks = looks_at(made, target)
            if len(looks) == 2 and looks[1][0] - looks[0][0] > 300:
                screen = Layout.from_toml(made.layout_toml)
                return made, [screen.pixel_of(s, k, r).tolist() for k, s, r in looks]
    raise AssertionError("no turn shows the patch twice")


def test_how_long_a_line_takes_is_measured_on_a_thing_that_a_turn_shows_twice(page):
    made, twice = twice_seen()
    picture = sent(page, "/api/pictures", "turn.png", png(made)).json()
    track = sent(page, "/api/tracks", "trip.gpx", gpx(made)).json()
    boat = sent(page, "/api/boats", "tern.toml", boat_toml(made)).json()
    asked = question(made, track["id"], boat["id"], twice=[twice])
    true = asked["layout"]["seconds_per_line"]
    asked["layout"] = {k: v for k, v in asked["layout"].items() if k != "seconds_per_line"}
    path = f"/api/pictures/{picture['id']}/step-on-track"
    found = page.post(path, asked).json()
    assert abs(found["seconds_per_line"] / true - 1) < 3 * found["step_part"] < 0.2
    assert found["sentence"].startswith("Both places meet on the track if a line takes 0.0")
    metres = page.post(
        path, {**asked, "layout": {**asked["layout"], "metres_per_line": 1.0}}
    ).json()
    assert metres["metres_per_line"] == pytest.approx(true * made.options.speed_mps, rel=0.2)
    for wrong, words in (
        ({"twice": []}, "give 1 to 20 things"),
        ({"twice": [[twice[0]]]}, "two places"),
        ({"twice": [[twice[0], twice[0]]]}, "lines apart"),
        ({"twice": [["x", "y"]]}, "a point is a pair of numbers"),
        ({"place": {"how": "track"}}, "open a track of that time"),
        ({"moment": None}, "say when the newest line was drawn"),
    ):
        answer = page.post(path, {**asked, **wrong})
        assert answer.status in (400, 409)
        assert words in answer.json()["fault"]


def test_no_refusal_of_the_page_speaks_of_the_command_line(paused, page, tmp_path):
    _, path, asked = paused()
    (tmp_path / "there.tif").write_text("mine")
    nadir = {"x": asked["layout"]["centre_px"] + 3, "y": 40.5}
    typed = {"by": "typed", "depth_m": 15.0}
    untimed = b"<?xml version='1.0'?><gpx version='1.1'/>"
    undated = b"$GPGGA,061230,5530.0,N,01215.0,E,1,8,1.0,2.0,M,40.0,M,,*6B\r\n"
    answers = [
        page.post(f"{path}/place", {**asked, "picks": [nadir], "bottom": typed}),
        page.post(f"{path}/place", {**asked, "picks": [nadir], "place": {"how": "track"}}),
        page.post(f"{path}/place", {**asked, "moment": {"how": "typed", "text": "09:40:12"}}),
        page.post(f"{path}/place", {**asked, "layout": {}}),
        page.post(f"{path}/save", {**asked, "picks": [nadir], "bottom": typed}),
        page.post(f"{path}/strip", {**asked, "name": "strip.png"}),
        page.post(f"{path}/layout/take", {"name": "gone.layout.toml"}),
        page.post("/api/marks/nothing", {"name": "x"}),
        page.post("/api/undo", {"number": 99}),
        sent(page, "/api/tracks", "empty.gpx", untimed),
        sent(page, "/api/tracks", "log.nmea", undated),
        sent(page, "/api/boats", "tern.toml", b"[error]\nfast = 1\n"),
    ]
    told = [json.dumps(a.json()) for a in answers]
    assert sum('"fault"' in t for t in told) >= 9, told
    for text in told:
        assert not re.search(r"(?<![-\w])--[a-z]|athwart [a-z]+ ", text), text


def png_of(array):
    out = BytesIO()
    Image.fromarray(np.ascontiguousarray(array)).save(out, "PNG")
    return out.getvalue()


def bomb(width, height):
    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    raw = zlib.compress(b"\0" * (height * (width // 8 + 1)), 9)
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", raw) + chunk(b"IEND", b"")


HOSTILE = {
    "200 million pixels": (lambda: bomb(20_000, 10_000), "pixels"),
    "cut off": (lambda: png(frame())[:20_000], "damaged"),
    "a drawing": (
        lambda: b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
        "picture",
    ),
    "a page": (lambda: b"<html><script>alert(1)</script></html>", "picture"),
    "nothing": (lambda: b"", "empty"),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_picture_is_refused_in_a_sentence(page, what):
    make, words = HOSTILE[what]
    answer = sent(page, "/api/pictures", "pause.png", make())
    assert answer.status in (400, 409)
    assert words in answer.json()["fault"]
    assert page.get("/api/marks").status == 200


@pytest.mark.parametrize(
    "name", ["../../out.png", "<img src=x onerror=alert(1)>.png", "a\0b.png", ""]
)
def test_a_name_is_only_shown(page, name, tmp_path):
    before = sorted(tmp_path.rglob("*"))
    answer = sent(page, "/api/pictures", name, png_of(np.zeros((40, 40), np.uint8)))
    assert answer.status == 200
    told = answer.json()["name"]
    assert "/" not in told
    assert "\0" not in told
    assert told
    assert sorted(tmp_path.rglob("*")) == before


def test_a_picture_is_served_as_a_picture(page):
    made = frame()
    key = sent(page, "/api/pictures", "p.png", png(made)).json()["id"]
    answer = page.get(f"/api/pictures/{key}/image")
    assert answer.headers["content-type"] == "image/png"
    shown = np.asarray(Image.open(BytesIO(answer.body)))
    assert np.array_equal(shown, made.image)
    assert page.get("/api/pictures/unknown/image").status == 400
    assert page.get(f"/api/pictures/{key}/image?layout=x").status == 400


def test_a_file_that_is_no_track_is_refused(page):
    for name, body in (("t.gpx", b"<gpx>"), ("t.gpx", b""), ("t.exe", b"MZ"), ("../t.gpx", b"x")):
        assert sent(page, "/api/tracks", name, body).status in (400, 409)
    assert sent(page, "/api/boats", "b.toml", b"name = 3").status == 409


def test_a_photo_at_an_angle_is_straightened_and_picked_on(paused, page):
    made, path, asked = paused(photo_tilt_deg=20.0)
    import json
    from urllib.parse import quote

    layout = {**made.layout, "display_corners": made.photo_corners}
    answer = page.get(f"{path}/image?layout={quote(json.dumps(layout))}")
    straight = np.asarray(Image.open(BytesIO(answer.body)).convert("L"), float)
    assert straight.shape == made.straight.shape
    assert np.corrcoef(straight.ravel(), made.straight.ravel().astype(float))[0, 1] > 0.6
    told = page.post(f"{path}/place", {**asked, "layout": layout, "picks": picks_of(made)}).json()
    off = offs(made, told["picks"])
    assert np.median(off) < 2.0


def test_pictures_in_hand_are_listed_in_the_order_they_were_opened_with_what_the_page_said(page):
    page.desk.pictures.things.clear()
    keys = [
        sent(page, "/api/pictures", f"{n}.png", png_of(np.zeros((40, 40), np.uint8))).json()["id"]
        for n in "ab"
    ]
    entry = {"state": {"picks": [{"name": "<b>hump</b>"}]}}
    assert page.post(f"/api/pictures/{keys[0]}/entry", {"entry": entry}).status == 200
    listed = page.get("/api/pictures").json()["pictures"]
    assert [(p["id"], p["name"], p["entry"]) for p in listed] == [
        (keys[0], "a.png", entry), (keys[1], "b.png", {}),
    ]  # fmt: skip
    assert page.post(f"/api/pictures/{keys[0]}/away", {}).status == 200
    assert [p["id"] for p in page.get("/api/pictures").json()["pictures"]] == keys[1:]
    assert page.post(f"/api/pictures/{keys[0]}/entry", {"entry": entry}).status == 400
    assert page.post(f"/api/pictures/{keys[1]}/entry", {"entry": "x"}).status == 400
