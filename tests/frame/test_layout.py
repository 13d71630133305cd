"""The layout of a screen: which pixel is which side, line and range."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import DataError, FileError, TableError
from athwart.frame.layout import Layout, RangeChange

BASE = {
    "width_px": 400,
    "height_px": 300,
    "newest": "top",
    "centre_px": 200.0,
    "port_limit_px": 0.0,
    "starboard_limit_px": 400.0,
    "range_m": 40.0,
    "axis": "slant",
}


def layout(**other):
    values = {**BASE, **other}
    return Layout(**{k: v for k, v in values.items() if v is not None})


def refused(**other):
    with pytest.raises(TableError) as caught:
        Layout.from_mapping({k: v for k, v in {**BASE, **other}.items() if v is not None})
    return str(caught.value).splitlines()


# ---- by hand: 200 columns stand for 40 m, so a column is 0.2 m ------------------------------


def test_a_point_by_hand():
    side, r = layout().range_of([300.5, 10.5])
    assert side == "starboard"
    assert r == pytest.approx(20.1)  # 100.5 columns of 0.2 m
    assert layout().line_of([300.5, 10.5]) == 10


@pytest.mark.parametrize(
    ("newest", "xy", "line", "across"),
    [
        ("top", (10.0, 20.5), 20, 10.0),
        ("bottom", (10.0, 20.5), 279, 10.0),
        ("left", (20.5, 10.0), 20, 10.0),
        ("right", (20.5, 10.0), 379, 10.0),
    ],
)
def test_the_newest_line_lies_at_any_edge(newest, xy, line, across):
    turned = {} if newest in ("top", "bottom") else {"centre_px": 150.0, "starboard_limit_px": 300}
    screen = layout(newest=newest, **turned)
    assert screen.line_of(xy) == line
    side, r = screen.range_of(xy)
    assert side == "port"
    assert r == pytest.approx((screen.centre_px - across) * 40.0 / screen.centre_px)


def test_a_mirrored_screen_needs_no_word():
    screen = layout(port_limit_px=400.0, starboard_limit_px=0.0)
    side, _ = screen.range_of([[10.0, 5.0], [390.0, 5.0]])
    assert side.tolist() == ["starboard", "port"]


def test_one_side_only_says_nothing_of_the_other():
    screen = layout(port_limit_px=None, centre_px=100.0)
    assert screen.side_names == ("starboard",)
    side, r = screen.range_of([[50.0, 5.0], [150.0, 5.0]])
    assert side.tolist() == ["", "starboard"]
    assert np.isnan(r[0])
    assert np.isnan(screen.pixel_of("port", 3, 5.0)[0])
    with pytest.raises(DataError, match="shows no port side"):
        screen.columns("port")


def test_the_centre_line_may_lie_on_an_edge():
    screen = layout(centre_px=0.0, port_limit_px=None)
    sides = screen.sides(np.zeros((300, 400), np.float32))
    assert list(sides) == ["starboard"]
    assert sides["starboard"].echo.shape == (300, 400)
    assert sides["starboard"].start_columns == 0


def test_a_fractional_centre_line_belongs_to_its_pixel_s_two_sides():
    screen = layout(centre_px=200.3)
    sides = screen.sides(np.tile(np.arange(400, dtype=np.float32), (300, 1)))
    assert sides["port"].echo[0, 0] == 199
    assert sides["port"].start_columns == pytest.approx(0.3)
    assert sides["starboard"].echo[0, 0] == 201
    assert sides["starboard"].start_columns == pytest.approx(0.7)


def test_a_change_of_range_rules_the_older_lines():
    screen = layout(range_changes=[{"line": 100, "range_m": 20.0}, {"line": 200, "range_m": 80.0}])
    scale = screen.metres_per_column("port")
    assert scale[[0, 99, 100, 199, 200, 299]] == pytest.approx([0.2, 0.2, 0.1, 0.1, 0.4, 0.4])
    _, r = screen.range_of([[300, 99.99], [300, 100.01]])
    assert r == pytest.approx([20.0, 10.0])


# ---- round trips and sides ------------------------------------------------------------------


@st.composite
def screens(draw):
    newest = draw(st.sampled_from(["top", "bottom", "left", "right"]))
    width, height = draw(st.integers(60, 300)), draw(st.integers(60, 300))
    left, top = draw(st.integers(0, 10)), draw(st.integers(0, 10))
    panel = (left, top, width - draw(st.integers(0, 10)), height - draw(st.integers(0, 10)))
    low, high = panel[0::2] if newest in ("top", "bottom") else panel[1::2]
    centre = draw(st.floats(low + 12, high - 12))
    hands = [low, high][:: draw(st.sampled_from([1, -1]))]
    one = draw(st.sampled_from(["", "port", "starboard"]))
    lines = (panel[3] - panel[1]) if newest in ("top", "bottom") else (panel[2] - panel[0])
    return Layout(
        width_px=width,
        height_px=height,
        panel=panel,
        newest=newest,
        centre_px=centre,
        port_limit_px=None if one == "starboard" else hands[0],
        starboard_limit_px=None if one == "port" else hands[1],
        range_m=draw(st.floats(5, 200)),
        axis="slant",
        range_changes=[(lines // 2, draw(st.floats(5, 200)))] if draw(st.booleans()) else (),
    )


@settings(max_examples=150, deadline=None)
@given(screens(), st.integers(0, 10**6), st.floats(0.01, 0.99), st.floats(0.0, 1.0))
def test_pixels_round_trip_on_every_layout(screen, which, within, out):
    line = which % screen.lines + within - 0.5
    for side in screen.side_names:
        r = out * screen.range_m
        xy = screen.pixel_of(side, line, r)
        assert xy.shape == (2,)
        assert screen.line_of(xy) == pytest.approx(line, abs=1e-9)
        found, back = screen.range_of(xy)
        assert back == pytest.approx(r, abs=1e-9)
        if r > 1e-6:
            assert found == side


@settings(max_examples=60, deadline=None)
@given(screens())
def test_arrays_give_what_single_points_give(screen):
    side = np.array(screen.side_names, dtype=object)[:, None]
    line = np.array([0.0, 7.25, screen.lines - 1.0])
    xy = screen.pixel_of(side, line, 3.0)
    assert xy.shape == (len(side), 3, 2)
    sides, r = screen.range_of(xy)
    for i in range(len(side)):
        for k in range(3):
            one_side, one_r = screen.range_of(xy[i, k])
            assert (one_side, one_r) == (sides[i, k], r[i, k])


@settings(max_examples=80, deadline=None)
@given(screens())
def test_the_sides_hold_the_pixels_that_the_formulas_name(screen):
    rows, columns = np.indices((screen.height_px, screen.width_px))
    image = (rows * screen.width_px + columns).astype(np.float32)
    for side, echo in screen.sides(image).items():
        assert echo.echo.shape == (screen.lines, screen.columns(side))
        assert np.shares_memory(echo.echo, image)
        for i in (0, screen.lines // 2, screen.lines - 1):
            k = np.arange(screen.columns(side))
            r = (k + 0.5 + echo.start_columns) * echo.scale_m[i]
            xy = screen.pixel_of(side, i, r)
            x, y = np.floor(xy[:, 0]).astype(int), np.floor(xy[:, 1]).astype(int)
            assert xy % 1.0 == pytest.approx(0.5)
            assert (image[y, x] == echo.echo[i]).all()


def test_whole_numbers_are_made_shares_of_white():
    sides = layout().sides(np.full((300, 400), 255, np.uint8))
    assert sides["port"].echo.dtype == np.float32
    assert sides["port"].echo.max() == 1.0


def test_a_picture_of_another_size_is_not_cut_by_mistake():
    with pytest.raises(DataError, match="is 800 x 600 pixels, the layout is for 400 x 300; scale"):
        layout().sides(np.zeros((600, 800), np.float32))
    with pytest.raises(DataError, match="not grey"):
        layout().sides(np.zeros((300, 400, 3), np.float32))


# ---- other sizes ----------------------------------------------------------------------------


@pytest.mark.parametrize("newest", ["top", "left"])
def test_a_larger_picture_shows_the_same_ranges_and_moments(newest):
    small = layout(
        newest=newest,
        panel=[20, 10, 380, 290],
        centre_px=150.0,
        starboard_limit_px=280.0,
        seconds_per_line=0.5,
        range_changes=[(40, 20.0)],
    )
    large = small.for_picture(np.zeros((600, 800)))
    assert large.panel == (40, 20, 760, 580)
    point = np.array([[83.0, 171.0], [205.0, 33.0]])
    for screen, xy in ((small, point), (large, 2 * point)):
        side, r = screen.range_of(xy)
        # The middle of line 0 is the newest moment, half a line from the edge.
        back = (screen.line_of(xy) + 0.5) * screen.seconds_per_line
        if screen is small:
            first = side.tolist(), r, back
    assert first[0] == side.tolist()
    assert first[1] == pytest.approx(r)
    assert first[2] == pytest.approx(back)


def test_another_shape_is_refused():
    with pytest.raises(DataError, match="the picture is 400 x 400 pixels, but the layout is for"):
        layout().scaled(400, 400)
    assert layout().scaled(133, 100).width_px == 133  # 133.33 rounded to whole pixels


# ---- files ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(screens())
def test_a_layout_comes_back_from_its_file(screen):
    assert Layout.from_toml(screen.to_toml()) == screen


def test_a_full_layout_comes_back_from_its_file(tmp_path):
    screen = layout(
        panel=[10, 20, 390, 280],
        port_limit_px=12.5,
        starboard_limit_px=389.0,
        metres_per_line=0.1,
        range_changes=(RangeChange(50, 20.0),),
        display_corners=[[100, 50], [700, 80], [720, 500], [90, 480]],
    )
    path = tmp_path / "screen.toml"
    path.write_text(screen.to_toml(), encoding="utf-8")
    assert Layout.from_toml(path) == screen
    assert Layout.from_toml(str(path)) == screen


def test_every_fault_is_named_at_once():
    lines = refused(newest="up", range_m=-1, axis="", width_px=3.5, seconds_per_line=0, colour=1)
    text = "\n".join(lines)
    assert all(line.startswith("layout: ") for line in lines)
    for words in (
        "newest is 'up'; allowed is top, bottom, left, right",
        "range_m is -1; allowed is a number above 0 to 5000 metres",
        "axis is ''; allowed is slant, ground",
        "width_px is 3.5; allowed is a whole number from 8 to 100000 pixels",
        "seconds_per_line is 0; allowed is a number above 0 to 60 seconds",
        "there is no entry 'colour'; known are width_px",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("other", "sentence"),
    [
        ({"width_px": None}, "there is no width_px; say how wide the picture is"),
        ({"axis": None}, "there is no axis; say whether the screen shows slant or ground ranges"),
        ({"height_px": True}, "height_px is True"),
        ({"range_m": float("nan")}, "range_m is nan"),
        ({"range_m": "40"}, "range_m is '40'"),
        ({"panel": [0, 0, 500, 300]}, "allowed is [left, top, right, bottom] within the picture"),
        ({"panel": [0, 0, 400]}, "allowed are four numbers [left, top, right, bottom]"),
        ({"panel": [0, 0, 400, 4]}, "the panel is 400 x 4 pixels"),
        ({"centre_px": 401}, "centre_px is 401; allowed is a number from 0 to 400"),
        ({"port_limit_px": 196.0}, "port_limit_px is 196, only 4 pixels from centre_px 200"),
        ({"port_limit_px": 390.0}, "lie on the same hand of centre_px 200"),
        ({"port_limit_px": 5000}, "port_limit_px is 5000; allowed is a number from -400 to 800"),
        ({"centre_px": 0.0, "port_limit_px": -100}, "so it shows nothing of port"),
        (
            {"port_limit_px": None, "starboard_limit_px": None},
            "there is no port_limit_px and no starboard_limit_px",
        ),
        (
            {"seconds_per_line": 0.1, "metres_per_line": 0.2},
            "seconds_per_line and metres_per_line are both given; give only one",
        ),
        ({"range_changes": 5}, "range_changes is 5; allowed is a list such as"),
        ({"range_changes": [{"line": 5}]}, "a range change is {'line': 5}; allowed is a list"),
        (
            {"range_changes": [{"line": 300, "range_m": 5.0}]},
            "a range change is at line 300; allowed is a whole number from 1 to 299",
        ),
        (
            {"range_changes": [{"line": 30, "range_m": 0}]},
            "the range from line 30 on is 0; allowed is a number above 0",
        ),
        (
            {"range_changes": [{"line": 30, "range_m": 5}, {"line": 30, "range_m": 6}]},
            "the range changes are not in order",
        ),
        ({"display_corners": [[0, 0], [1, 1]]}, "display_corners: give four corners"),
    ],
)
def test_a_bad_value_is_refused_in_one_sentence(other, sentence):
    lines = refused(**other)
    assert len(lines) == 1
    assert sentence in lines[0]


def test_a_wrong_argument_is_refused_as_a_wrong_entry_is():
    with pytest.raises(TableError, match="newest is 'up'"):
        replace(layout(), newest="up")


def test_a_file_that_is_no_layout_is_refused(tmp_path):
    path = tmp_path / "screen.toml"
    path.write_text("range_m = = 3")
    with pytest.raises(FileError, match=re.escape("screen.toml: is not a valid TOML file")):
        Layout.from_toml(path)
    path.write_bytes(b"\xff\xfe\x00range")
    with pytest.raises(FileError, match="is not a text file in UTF-8"):
        Layout.from_toml(path)
    path.write_text("x" * 1_000_001)
    with pytest.raises(FileError, match="at most 1000 are read"):
        Layout.from_toml(path)
    with pytest.raises(FileError, match=r"gone\.toml: cannot be read"):
        Layout.from_toml(tmp_path / "gone.toml")
