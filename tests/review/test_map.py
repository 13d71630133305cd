"""The review map's page as text: self-contained, inert, repeatable, true to scale."""

from __future__ import annotations

import base64
import json
import re
import subprocess
import sys

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import scene

from athwart.errors import DataError, UsageError
from athwart.features import ROLES, Feature
from athwart.geometry.geodesic import displace
from athwart.kinds import symbols_for
from athwart.review.assets import ASSETS, asset_text, leaflet_licence
from athwart.review.map import review_map, visible_text
from athwart.tables import KINDS, Marks, Sightings, Track
from athwart.units import format_position


def data_of(page):
    return json.loads(re.search(r'id="athwart-data">(.*?)</script>', page, re.DOTALL)[1])


def one_mark(**columns):
    base = {"mark_id": ["a"], "lon": [10.0], "lat": [50.0]}
    return Marks.from_columns({**base, **columns})


def test_same_input_gives_same_bytes_in_another_process():
    code = (
        "import sys; sys.path.insert(0, {!r}); from scenes import scene; import hashlib;"
        "from athwart.review.map import review_map; m, s, t, p = scene(12);"
        "h = review_map(marks=m, sightings=s, tracks=t, near_pairs=p, title='x');"
        "print(hashlib.sha256(h.encode()).hexdigest())"
    ).format(str(__import__("pathlib").Path(__file__).parent))
    runs = {
        subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout
        for _ in range(2)
    }
    assert len(runs) == 1


def test_page_holds_no_address_but_the_svg_namespace():
    marks, sightings, tracks, near = scene(5)
    page = review_map(marks=marks, sightings=sightings, tracks=tracks, near_pairs=near)
    assert set(re.findall(r"[a-z]+://[^\s\"'<>)]*", page)) == {"http://www.w3.org/2000/svg"}
    assert "sourceMappingURL" not in page
    assert "url(" not in "".join(re.findall(r"<style>(.*?)</style>", page, re.DOTALL))
    for word in ("jquery", "bootstrap", "awesome", "glyphicon", "<link", " src="):
        assert word not in page.lower()


def test_policy_forbids_every_fetch_and_comes_before_any_script():
    page = review_map(marks=one_mark())
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert "default-src 'none'" in policy[1]
    assert "connect-src" not in policy[1]
    assert "http" not in policy[1]
    assert policy.start() < page.index("<script")


def test_leaflet_goes_with_its_licence():
    page = review_map(marks=one_mark())
    assert "Redistribution and use in source and binary forms" in page
    assert "--" not in leaflet_licence()


def test_folium_is_left_as_it_was():
    import folium

    before = list(folium.Map.default_js), list(folium.Map.default_css)
    review_map(marks=one_mark())
    assert (folium.Map.default_js, folium.Map.default_css) == before
    assert folium.Map()._id != folium.Map()._id


def test_assets_are_text_that_can_stand_in_a_page():
    for _, name in ASSETS:
        text = asset_text(name)
        assert len(text) > 500
        assert "</script" not in text.lower()
        assert "</style" not in text.lower()


HOSTILE = (
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "<!--<script>",
    "{{ 7*7 }}{% raw %}",
    "a\u2028b\u2029c",
    "&lt;b&gt;",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_markup_in_any_text_stays_text(text):
    marks = one_mark(name=[text], note=[text], kind=[text], sighting_ids=["s"])
    sightings = Sightings.from_columns(
        {"sighting_id": ["s"], "lon": [10.0], "lat": [50.0], "name": [text], "trip": [text]}
    )
    near = [(10.0, 50.0, 10.001, 50.0, text)]
    plain = review_map(marks=one_mark())
    page = review_map(marks=marks, sightings=sightings, near_pairs=near, title=text)
    assert page.count("<script") == plain.count("<script")
    assert "<img" not in page
    assert "49" not in re.search(r"<h1>(.*?)</h1>", page)[1]
    assert data_of(page)["marks"]["name"] == [visible_text(text)]


@given(st.text(max_size=40))
@settings(max_examples=25, deadline=None)
def test_any_text_survives_as_data_and_cannot_end_it(text):
    page = review_map(marks=one_mark(name=[text]), title=text)
    assert data_of(page)["marks"]["name"] == [visible_text(text)]
    page.encode("utf-8")


def test_direction_and_control_characters_are_shown():
    assert visible_text("abc\u202edef\x00") == "abc⟦U+202E⟧def⟦U+0000⟧"
    assert visible_text("a\nb") == "a b"
    assert visible_text("a\r\nb", lines=True) == "a\nb"
    assert visible_text("שלום 👩‍🚀 नमस्ते") == "שלום 👩‍🚀 नमस्ते"


def test_position_text_is_the_one_that_is_typed():
    marks, *_ = scene(4)
    data = data_of(review_map(marks=marks))
    assert data["marks"]["at"] == [
        format_position(a, b) for a, b in zip(marks.lon, marks.lat, strict=True)
    ]


def test_ellipse_is_drawn_at_the_95_percent_axes():
    """GeodePy's published error ellipse (test_error_ellipse), times the root of 5.9915."""
    marks = one_mark(var_east_m2=[144.0], var_north_m2=[122.0], cov_east_north_m2=[-132.0])
    data = data_of(review_map(marks=marks))["marks"]
    assert data["a"] == [round(16.292867776 * 2.4477468 * 10)]
    assert data["b"] == [round(0.736518590 * 2.4477468 * 10)]
    assert data["az"] == [133]


def test_unknown_error_is_no_ellipse():
    data = data_of(review_map(marks=one_mark()))["marks"]
    assert data["a"] == data["r95"] == [None]


def placed(page):
    data = data_of(page)
    x = data["origin"][0] + np.array(data["marks"]["x"]) * data["quantum"]
    y = data["origin"][1] + np.array(data["marks"]["y"]) * data["quantum"]
    return x, y, data


def test_both_sides_of_the_180th_meridian_lie_together():
    lon, lat = displace(180.0, -17.0, [-400.0, 400.0], [0.0, 0.0])
    marks = Marks.from_columns({"mark_id": ["w", "e"], "lon": lon, "lat": lat})
    track = Track.from_columns({"lon": lon, "lat": lat})
    shore = {"type": "LineString", "coordinates": [[179.99, -17.0], [-179.99, -17.0]]}
    x, _, data = placed(review_map(marks=marks, tracks=track, background=shore))
    assert 0 < x[1] - x[0] < 0.01
    steps = np.array(data["tracks"][0]["d"]).reshape(-1, 2)
    assert 0 < steps[1, 0] * data["quantum"] < 0.01
    shore_steps = np.array(data["background"]["lines"][0]).reshape(-1, 2)
    assert shore_steps[1, 0] * data["quantum"] == pytest.approx(0.02)


@pytest.mark.parametrize("pole", [90.0, -90.0])
def test_near_a_pole_the_sheet_is_a_plane_in_metres(pole):
    """Four marks 500 m from the pole lie on a circle of that radius, a right angle apart."""
    lon, lat = displace(np.zeros(4), np.full(4, pole), [0, 500, 0, -500], [500, 0, -500, 0])
    marks = Marks.from_columns(
        {
            "mark_id": list("abcd"),
            "lon": lon,
            "lat": lat,
            "var_east_m2": np.full(4, 100.0),
            "var_north_m2": np.full(4, 1.0),
            "cov_east_north_m2": np.zeros(4),
        }
    )
    x, y, data = placed(review_map(marks=marks))
    assert data["plane"] is not None
    np.testing.assert_allclose(np.hypot(x - x.mean(), y - y.mean()), 500.0, atol=0.05)
    sides = np.hypot(np.diff(x), np.diff(y))
    np.testing.assert_allclose(sides, 500 * np.sqrt(2), atol=0.05)
    # East is along the circle, so each long axis is square to the radius.
    radius = np.degrees(np.arctan2(x - x.mean(), y - y.mean()))
    across = (np.array(data["marks"]["az"]) - radius - 90.0 + 90.0) % 180.0 - 90.0
    np.testing.assert_allclose(across, 0.0, atol=1.0)


def test_track_is_simplified_within_a_metre():
    _, _, track, _ = scene(2)
    data = data_of(review_map(marks=Marks.empty(), tracks=track))
    steps = np.array(data["tracks"][0]["d"]).reshape(-1, 2).cumsum(axis=0) * data["quantum"]
    lon, lat = steps[:, 0] + data["origin"][0], steps[:, 1] + data["origin"][1]
    assert len(lon) < len(track)
    scale = 111_320 * np.array([np.cos(np.radians(51.25)), 1.0])
    drawn = shapely.linestrings(np.stack([lon, lat], axis=1) * scale)
    points = shapely.points(np.stack([track.lon, track.lat], axis=1) * scale)
    assert shapely.distance(drawn, points).max() < 1.05


def test_every_kind_has_its_own_shape_and_code():
    signs = symbols_for(KINDS)
    assert len({s.code for s in signs}) == len(KINDS)
    assert len({(s.shape, s.code) for s in signs}) == len(KINDS)
    codes = {s.word: s.code for s in symbols_for([*KINDS, "stones", "obstruction"])}
    # IHO INT 1 abbreviations.
    assert (codes["rock"], codes["wreck"], codes["weed"]) == ("R", "Wk", "Wd")
    assert (codes["stones"], codes["obstruction"]) == ("St", "Obstn")


@given(st.lists(st.text(max_size=12), max_size=30, unique=True))
def test_own_kinds_never_share_a_code(words):
    signs = symbols_for([w for w in words if w not in ("", "other")])
    assert len({s.code for s in signs}) == len(signs)
    assert all(0 < len(s.code) <= 5 for s in signs)


def test_day_colours_are_those_of_okabe_and_ito():
    """Okabe and Ito, Color Universal Design, 2008 (from memory); white stands for the rest."""
    published = {
        "#000000", "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7",
    }  # fmt: skip
    assert {s.colour for s in symbols_for(KINDS)} - {"#ffffff"} <= published


def test_no_marks_still_gives_a_page():
    page = review_map(marks=Marks.empty())
    assert data_of(page)["marks"]["x"] == []
    assert "Not for navigation." in page


def test_sightings_find_their_marks():
    marks, sightings, *_ = scene(3)
    assert data_of(review_map(marks=marks, sightings=sightings))["marks"]["looks"] == [3, 3, 3]
    given_ = review_map(marks=marks, sightings=sightings, mark_of=np.full(9, -1))
    assert data_of(given_)["marks"]["looks"] == [0, 0, 0]


@pytest.mark.parametrize("lon0", [-24.5, 179.999])
def test_sightings_in_any_order_lie_mark_by_mark_and_where_they_were(lon0):
    marks, sightings, *_ = scene(4, lon0=lon0)
    mixed = np.random.default_rng(1).permutation(12)
    owner = np.repeat(np.arange(4), 3)
    owner[[2, 10]] = -1
    data = data_of(review_map(marks=marks, sightings=sightings.take(mixed), mark_of=owner[mixed]))
    assert data["marks"]["looks"] == [2, 3, 3, 2]
    shown, of = data["sightings"], [0, 0, 1, 1, 1, 2, 2, 2, 3, 3, None, None]
    for k, mark in enumerate(of):
        row = list(sightings.name).index(shown["name"][k])
        assert owner[row] == (-1 if mark is None else mark)
        step = [0, 0] if mark is None else [data["marks"][axis][mark] for axis in "xy"]
        x, y = (
            (shown[axis][k] + step[j]) * data["quantum"] + data["origin"][j]
            for j, axis in enumerate("xy")
        )
        assert (x - sightings.lon[row] + 180) % 360 - 180 == pytest.approx(0, abs=1.1e-7)
        assert y == pytest.approx(sightings.lat[row], abs=1.1e-7)
        time = np.datetime64(shown["since"] + shown["time"][k], "m")
        assert time == sightings.time[row].astype("datetime64[m]")


def test_times_before_1970_fall_on_their_own_minute_and_day():
    marks, sightings, *_ = scene(1)
    times = np.array(["1969-12-31T23:59:59", "NaT", "1970-01-02T00:00:30"], "datetime64[us]")
    marks = marks.with_columns(first_time=times[:1], last_time=times[2:])
    data = data_of(review_map(marks=marks, sightings=sightings.with_columns(time=times)))
    assert (data["marks"]["first"], data["marks"]["last"]) == ([-1], [1])
    assert (data["sightings"]["since"], data["sightings"]["time"]) == (-1, [0, None, 1441])


def test_owners_that_do_not_fit_are_refused():
    marks, sightings, *_ = scene(2)
    with pytest.raises(DataError, match="mark_of has 1 rows for 6 sightings"):
        review_map(marks=marks, sightings=sightings, mark_of=np.array([0]))
    with pytest.raises(DataError, match="not among the 2 marks"):
        review_map(marks=marks, sightings=sightings, mark_of=np.full(6, 7))


def test_background_gives_its_shapes_and_nothing_else():
    feature = {
        "type": "Feature",
        "properties": {"owner": "secret"},
        "geometry": {
            "type": "MultiPolygon",
            "coordinates": [
                [[[10, 50], [10.01, 50], [10, 50.01], [10, 50]]],
                [[[60, 0], [61, 0], [60, 1], [60, 0]]],
            ],
        },
    }
    collection = {"type": "FeatureCollection", "features": [feature]}
    page = review_map(marks=one_mark(), background=collection)
    assert "secret" not in page
    assert len(data_of(page)["background"]["fills"]) == 1, "what lies far away stays out"


@pytest.mark.parametrize(
    ("thing", "words"),
    [
        ({"type": "Nonsense"}, "not GeoJSON"),
        ({}, "not GeoJSON"),
        ({"type": "Point", "coordinates": [500000, 6000000]}, "not longitude and latitude"),
    ],
)
def test_background_that_is_none_is_refused(thing, words):
    with pytest.raises(DataError, match=words):
        review_map(marks=one_mark(), background=thing)


def test_tiles_widen_the_policy_for_pictures_only():
    page = review_map(
        marks=one_mark(), tiles="https://{s}.tiles.example/{z}/{x}/{y}.png", attribution="Someone"
    )
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert "img-src data: blob: https://*.tiles.example;" in policy
    assert "default-src 'none'" in policy
    assert data_of(page)["tiles"]["by"] == "Someone"


@pytest.mark.parametrize(
    "address",
    [
        "tiles.example/{z}/{x}/{y}",
        "https://tiles.example/a.png",
        "javascript://x/{z}/{x}/{y}",
        "https://a; script-src *//{z}/{x}/{y}",
        "https://us:pw@tiles.example/{z}/{x}/{y}",
        'https://t.example/{z}/{x}/{y}"><script>',
    ],
)
def test_odd_tile_addresses_are_refused(address):
    with pytest.raises(UsageError, match="not a tile address"):
        review_map(marks=one_mark(), tiles=address)


def test_tiles_at_the_pole_are_refused():
    with pytest.raises(UsageError, match="beyond 85 degrees"):
        review_map(marks=one_mark(lat=[89.0]), tiles="https://t.example/{z}/{x}/{y}.png")


def test_unknown_units_are_refused():
    with pytest.raises(UsageError, match="allowed are metric, feet, fathoms"):
        review_map(marks=one_mark(), units="cubits")


def test_visits_that_another_format_carried_are_read_as_numbers_or_text():
    """A GeoPackage gives them back as floats with gaps, a table as text; junk is no visit."""
    marks, *_ = scene(4)
    for counts in ([3, 0, 0, 0], [3.0, np.nan, -1.0, 0.0], ["3", "", "many", "1e999"]):
        extra = {"visits": np.array(counts, dtype=object)}
        data = data_of(review_map(marks=Marks(**marks.to_columns(), extra=extra)))["marks"]
        assert data["visits"] == [3, 0, 0, 0]
        assert data["visitDay"] == data["visitSaid"] == ["", "", "", ""]


@pytest.mark.parametrize("visits", [None, [0, 0, 0, 0]])
def test_marks_never_visited_add_nothing_to_the_page(visits):
    marks, *_ = scene(4)
    extra = {} if visits is None else {"visits": np.array(visits)}
    page = review_map(marks=Marks(**marks.to_columns(), extra=extra))
    assert page == review_map(marks=marks)


# ---- sonar pictures -------------------------------------------------------------------------


def png_of(size=(40, 30), grey=200):
    from io import BytesIO

    from PIL import Image

    out = BytesIO()
    Image.new("L", size, grey).save(out, "PNG")
    return out.getvalue()


BOX = (9.999, 49.9995, 10.001, 50.0005)


def test_sonar_pictures_go_into_the_page_with_their_place_and_outline():
    outline = shapely.box(*BOX)
    png = png_of()
    data = data_of(
        review_map(
            marks=one_mark(), pictures=[(png, BOX, "north bank", outline), (png, BOX, "", None)]
        )
    )
    first, second = data["pictures"]
    assert base64.b64decode(first["png"]) == png
    assert first["bytes"] == len(first["png"])
    assert first["box"] == pytest.approx(BOX, abs=1e-9)
    assert first["title"] == "north bank"
    ring = np.cumsum(np.reshape(first["outline"][0], (-1, 2)), axis=0) * data["quantum"]
    corners = ring + data["origin"]
    np.testing.assert_allclose(corners.min(axis=0), BOX[:2], atol=1e-7)
    np.testing.assert_allclose(corners.max(axis=0), BOX[2:], atol=1e-7)
    assert second["outline"] == []


def test_a_sonar_picture_across_the_180th_meridian_lies_beside_its_mark():
    marks = one_mark(lon=[-179.9995])
    box = (179.999, 49.9995, 180.001, 50.0005)
    data = data_of(review_map(marks=marks, pictures=[(png_of(), box, "", shapely.box(*box))]))
    x = data["origin"][0] + data["marks"]["x"][0] * data["quantum"]
    west, _, east, _ = data["pictures"][0]["box"]
    assert west < x < east
    ring = np.cumsum(data["pictures"][0]["outline"][0][::2]) * data["quantum"] + data["origin"][0]
    np.testing.assert_allclose([ring.min(), ring.max()], [west, east], atol=1e-6)


def test_near_a_pole_sonar_pictures_are_outlines_alone():
    outline = shapely.box(10.0, 88.99, 10.1, 89.0)
    picture = (png_of(), (10.0, 84.0, 10.1, 84.1), "", outline)
    data = data_of(review_map(marks=one_mark(lat=[89.0]), pictures=[picture]))
    assert data["pictures"][0]["png"] == ""
    assert data["pictures"][0]["outline"]


def test_a_page_that_its_pictures_make_large_says_so():
    noise = png_of() + bytes(7_000_000)
    page = review_map(marks=one_mark(), pictures=[(noise, BOX, "", None)])
    assert data_of(page)["pageBytes"] == pytest.approx(len(page.encode()), abs=100)
    small = review_map(marks=one_mark(), pictures=[(png_of(), BOX, "", None)])
    assert "pageBytes" not in data_of(small)


@pytest.mark.parametrize(
    ("png", "box", "words"),
    [
        (b"GIF89a", BOX, "the sonar picture 'x' is not a PNG"),
        (None, (10.0, 50.0, 9.0, 51.0), "has the edges 10, 50, 9, 51"),
        (None, (10.0, 50.0, 11.0, 86.0), "within 85 degrees of the equator"),
        (None, (float("nan"), 50.0, 11.0, 51.0), "has the edges nan"),
    ],
)
def test_sonar_pictures_that_cannot_be_are_refused(png, box, words):
    with pytest.raises(DataError, match=words):
        review_map(marks=one_mark(), pictures=[(png or png_of(), box, "x", None)])


def test_drawn_lines_and_areas_go_into_the_page_escaped():
    page = review_map(
        marks=Marks.empty(),
        shapes=[
            ([12.0, 12.001], [54.0, 54.001], False, "</script><b>step", "ledge", "", 6.0),
            ([12.0, 12.001, 12.0], [54.0, 54.001, 54.001], True, "", "weed", "", 7.5),
        ],
    )
    data = data_of(page)
    assert [s["area"] for s in data["shapes"]] == [False, True]
    assert data["shapes"][0]["title"] == "</script><b>step"
    assert data["shapes"][1]["title"] == "weed"
    assert "<b>step" not in page
    # An area comes back to where it began: its steps sum to nothing.
    ring = np.array(data["shapes"][1]["d"]).reshape(-1, 2)
    assert len(ring) == 4
    assert ring[1:].sum(axis=0).tolist() == [0, 0]


def a_plan():
    """One feature of every role, about 51.25 N 24.5 W, one with markup in all its texts."""
    made = []
    for i, role in enumerate(ROLES):
        west = -24.5 + 0.002 * i
        square = shapely.box(west, 51.25, west + 0.001, 51.251)
        line = shapely.LineString([(west, 51.25), (west + 0.001, 51.251)])
        shape = line if role in ("lane", "run", "leg", "drift") else square
        shape = shapely.Point(west, 51.25) if role in ("hold", "cast") else shape
        values = {"heading_deg": 305.0, "r95_m": 22.0} if role == "hold" else {"length_m": 70.0}
        made.append(Feature(role=role, geometry=shape, name=f"{role} 1", values=values))
    return made


def test_every_role_of_a_plan_goes_into_the_page_with_its_words():
    plan = a_plan()
    data = data_of(review_map(marks=Marks.empty(), plan=plan))["plan"]
    assert {r["role"]: r["words"] for r in data["roles"]} == ROLES
    script = asset_text("plan.js")
    assert all(f'"{role}": {{ day:' in script for role in ROLES), "every role has a look"
    for feature, record in zip(plan, data["features"], strict=True):
        assert record["name"] == feature.name
        kinds = {"Polygon": "fills", "LineString": "lines", "Point": "points"}
        assert len(record[kinds[feature.geometry.geom_type]]) == 1
    hold = next(r for r in data["features"] if r["name"] == "hold 1")
    assert (hold["heading"], hold["r95"]) == (305.0, 22.0)
    assert hold["at"] == format_position(-24.5 + 0.002 * list(ROLES).index("hold"), 51.25)
    assert hold["rows"] == [["Heading", "305°"], ["R95", "22.0 m"]]


def test_values_of_a_plan_are_told_in_the_users_units():
    """1852 m are 6076 ft (the nautical mile by definition, the foot 0.3048 m); 1 kn in feet too."""
    values = {
        "length_m": 1852.0, "speed_mps": 1852 / 3600, "time_s": 7325.0, "area_m2": 2.5e6,
        "closed": True, "count": 3, "gap": None, "nan_m": float("nan"), "words": "<b>",
    }  # fmt: skip
    feature = Feature(role="run", geometry=shapely.LineString([(0, 0), (0, 1)]), values=values)
    (record,) = data_of(review_map(marks=Marks.empty(), plan=[feature], units="feet"))["plan"][
        "features"
    ]
    assert record["rows"] == [
        ["Length", "6076 ft"], ["Speed", "1.0 kn"], ["Time", "2 h 02 min"],
        ["Area", "2.50 km²"], ["Closed", "yes"], ["Count", "3"], ["Words", "<b>"],
    ]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_markup_in_a_plan_stays_text(text):
    feature = Feature(
        role="zone", geometry=shapely.box(0, 0, 1, 1), name=text, note=text, values={text: text}
    )
    plain = review_map(marks=Marks.empty())
    page = review_map(marks=Marks.empty(), plan=[feature])
    assert page.count("<script") == plain.count("<script")
    assert "<img" not in page
    (record,) = data_of(page)["plan"]["features"]
    assert record["name"] == visible_text(text).strip()


def placed_of(data, steps):
    return np.cumsum(np.reshape(steps, (-1, 2)), axis=0) * data["quantum"] + data["origin"]


def test_a_plan_across_the_180th_meridian_lies_in_one_piece():
    line = shapely.LineString([(179.999, 10.0), (180.001, 10.0)])
    cut = shapely.LineString([(-179.999, 10.001), (-179.998, 10.001)])
    data = data_of(
        review_map(
            marks=Marks.empty(),
            plan=[Feature(role="run", geometry=line), Feature(role="lane", geometry=cut)],
        )
    )
    run, lane = (placed_of(data, f["lines"][0]) for f in data["plan"]["features"])
    assert np.diff(run[:, 0]) == pytest.approx([0.002], abs=1e-6)
    assert lane[0, 0] - run[1, 0] == pytest.approx(0.0, abs=1e-6)


def test_near_a_pole_a_hold_is_turned_with_the_sheet():
    """On the plane about the pole north points to its middle: at 90 E, to the left of the page."""
    feature = Feature(role="hold", geometry=shapely.Point(90.0, 89.99), values={"heading_deg": 0.0})
    other = Feature(role="hold", geometry=shapely.Point(-90.0, 89.99), values={"heading_deg": 0.0})
    data = data_of(review_map(marks=Marks.empty(), plan=[feature, other]))
    assert data["plane"]["lat"] == pytest.approx(90.0, abs=0.001)
    for record in data["plan"]["features"]:
        x, y = placed_of(data, record["points"][0])[0]
        towards_pole = np.degrees(np.arctan2(-x, -y)) % 360
        assert abs((record["heading"] - towards_pole + 180) % 360 - 180) < 1.0


def test_a_zone_does_not_choose_what_the_sheet_is_about():
    """A zone up to 89 N beside a run at 60 N: the sheet stays Web Mercator, the zone is cut off."""
    zone = Feature(role="zone", geometry=shapely.box(-30, 50, 30, 89))
    run = Feature(role="run", geometry=shapely.LineString([(0, 60), (0.01, 60)]))
    data = data_of(review_map(marks=Marks.empty(), plan=[zone, run]))
    assert data["plane"] is None
    ring = placed_of(data, data["plan"]["features"][0]["fills"][0][0])
    assert np.abs(ring[:, 1] - 60).max() < 1.0


def test_a_plan_with_very_many_corners_is_thinned_and_the_page_says_within_what():
    angle = np.linspace(0, 2 * np.pi, 200_001)[:-1]
    radius = 0.02 + 2e-7 * np.sin(50_000 * angle)
    ring = shapely.Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
    data = data_of(review_map(marks=Marks.empty(), plan=[Feature(role="seen", geometry=ring)]))
    drawn = data["plan"]["features"][0]["fills"][0][0]
    assert len(drawn) / 2 <= 60_000
    assert 0 < data["plan"]["within"] <= 1.0


def test_a_plan_that_is_no_longitude_and_latitude_is_refused():
    bad = Feature(role="run", geometry=shapely.LineString([(0, 0), (500_000, 6_000_000)]))
    good = Feature(role="run", geometry=shapely.LineString([(0, 0), (0, 1)]))
    with pytest.raises(DataError, match="the plan holds coordinates that are not longitude"):
        review_map(marks=Marks.empty(), plan=[good, bad])
