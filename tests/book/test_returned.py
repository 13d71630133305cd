"""A plotter's file comes back: which waypoint is which mark."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.book import returned_assignment, returned_places
from athwart.book.names_back import comparable, learn
from athwart.book.returned import HandedOver, recognise
from athwart.errors import DataError
from athwart.geometry.geodesic import displace

PLACES = {
    "north": (12.0, 55.0),
    "south": (151.3, -33.9),
    "west": (-70.6, 41.5),
    "origin": (0.0, 0.0),
    "180th meridian": (179.9999, -17.0),
    "180th meridian, other side": (-179.9999, 17.0),
    "north pole": (30.0, 89.9995),
    "south pole": (-100.0, -89.9995),
}
WORDS = ("Wreck", "Anchor", "Ledge", "Boulder", "Chain", "Kelp", "Pipe", "Mound", "Hull", "Trap")


def objects(values):
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


def handed_over(lon, lat, names, ids=None, export=None):
    ids = [f"m{i}" for i in range(len(names))] if ids is None else ids
    export = [1] * len(names) if export is None else export
    return HandedOver(
        mark_id=objects(ids),
        name=objects(names),
        lon=np.asarray(lon, dtype=float),
        lat=np.asarray(lat, dtype=float),
        export=np.asarray(export, dtype=np.int64),
    )


def around(place, east, north):
    lon, lat = displace(*PLACES.get(place, place), east, north)
    return np.round(lon, 9), np.round(lat, 9)


def field(place="north", n=40, apart=150.0):
    """Marks in a square, each with a name of its own that survives a cut to eight letters."""
    side = int(np.ceil(np.sqrt(n)))
    i = np.arange(n)
    # Off any grid, so that rounding shows.
    lon, lat = around(place, (i % side) * apart + 0.37 * i, (i // side) * apart + 0.71 * i)
    names = [f"{WORDS[k % 10]}{k:02d} on sand" for k in range(n)]
    return lon, lat, names


def plotted(lon, lat, names, steps=60_000, cut=8, how=np.trunc):
    """Lay on a grid, and cut and capitalise names."""
    lon, lat = how(np.asarray(lon) * steps) / steps, how(np.asarray(lat) * steps) / steps
    return np.round(lon, 9), np.round(lat, 9), [n.upper()[:cut].rstrip() for n in names]


def with_more(back, lon, lat, *names):
    return (
        np.concatenate([back[0], np.atleast_1d(lon)]),
        np.concatenate([back[1], np.atleast_1d(lat)]),
        [*back[2], *names],
    )


def without(back, *rows):
    keep = [i for i in range(len(back[2])) if i not in rows]
    return back[0][keep], back[1][keep], [back[2][i] for i in keep]


def said(out):
    return list(zip(out.mark_id.tolist(), out.verdict.tolist(), strict=True))


# Nothing was done but what a plotter does


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    ("steps", "how", "words"),
    [
        (60_000, np.trunc, "0.001 minute, cut off"),
        (60_000, np.rint, "0.001 minute, rounded"),
        (100_000, np.trunc, "0.00001 degree, cut off"),
        (100_000, np.rint, "0.00001 degree, rounded"),
        (600_000, np.trunc, "0.0001 minute"),
        (600_000, np.rint, "0.0001 minute"),
    ],
)
def test_rounded_cut_and_capitalised_is_known(place, steps, how, words):
    lon, lat, names = field(place)
    back = plotted(lon, lat, names, steps, how=how)
    out = recognise(handed_over(lon, lat, names), *back)
    assert said(out) == [(f"m{i}", "known") for i in range(40)]
    assert out.missing.tolist() == []
    assert out.renamed == ()
    assert out.export == 1
    assert out.doubtful == ()
    assert out.grid == words
    assert np.isnan(out.moved_m).all()
    assert np.isnan(out.moved_bearing_deg).all()


@pytest.mark.parametrize("decimals", [5, 6, 7, 9])
def test_minutes_written_as_decimal_degrees_are_still_minutes(decimals):
    lon, lat, names = field()
    x, y, n = plotted(lon, lat, names)
    out = recognise(handed_over(lon, lat, names), np.round(x, decimals), np.round(y, decimals), n)
    assert out.grid == "0.001 minute, cut off"
    assert set(out.verdict) == {"known"}


def test_five_decimals_are_no_minutes():
    lon, lat, names = field()
    out = recognise(handed_over(lon, lat, names), np.round(lon, 5), np.round(lat, 5), names)
    assert out.grid == "0.00001 degree, rounded"


def test_a_file_without_a_grid_has_a_box_of_a_metre():
    lon, lat, names = field()
    x, y = displace(lon, lat, 0.6, -0.7)
    out = recognise(handed_over(lon, lat, names), x, y, names)
    assert out.grid == "no grid found"
    assert set(out.verdict) == {"known"}


def test_a_cut_of_nearly_a_step_is_no_move_but_on_a_finer_grid_it_is():
    # A minute of latitude is 1852 m by definition of the nautical mile, to within 1 % anywhere,
    # so 0.00095 minute is 1.76 m.
    lon, lat, names = field()
    lat[0] = 55.0 + 0.00195 / 60
    handed = handed_over(lon, lat, names)
    coarse = plotted(lon, lat, names)
    assert recognise(handed, *coarse).verdict[0] == "known"
    fine = plotted(lon, lat, names, 600_000)
    fine[1][0] = 55.0 + 0.001 / 60
    out = recognise(handed, *fine)
    assert said(out)[0] == ("m0", "moved")
    assert out.moved_m[0] == pytest.approx(1.76, abs=0.25)


@pytest.mark.parametrize(
    ("written", "came"),
    [(179.9999999, -180.0), (-179.9999999, 180.0), (359.5, -0.5), (1.0, -359.0)],
)
def test_one_meridian_has_several_numbers(written, came):
    lon, lat, names = field()
    x = lon.copy()
    lon[3], x[3] = written, came
    out = recognise(handed_over(lon, lat, names), np.round(x, 5), np.round(lat, 5), names)
    assert said(out) == [(f"m{i}", "known") for i in range(40)]
    assert out.doubtful == ()


@pytest.mark.parametrize(
    "came",
    [
        "OSTRE BAE 12",
        "ostre bae 12  ",
        "OESTRE BAAE 12",
        "STRE BE 12",
        "?stre b?e 12",
        "Østre b",
        "OSTRE B",
        "Ostr b12",
        "ØSTRE BÅE 123",
        "OSTRE BAE 12 (1001)",
    ],
)
def test_what_a_plotter_does_to_a_name_is_no_renaming(came):
    lon, lat, names = field()
    names[0] = "Østre båe 12"
    _, _, back = plotted(lon, lat, names, cut=7)
    back[0] = came
    out = recognise(handed_over(lon, lat, names), np.round(lon, 5), np.round(lat, 5), back)
    assert said(out)[0] == ("m0", "known")
    assert out.renamed == ()


@pytest.mark.parametrize("name", ["岩礁", "скала 7", "βράχος", "صخرة"])
def test_names_in_other_scripts_come_back(name):
    lon, lat, names = field()
    names[3] = name
    out = recognise(handed_over(lon, lat, names), lon, lat, names)
    assert set(out.verdict) == {"known"}
    assert out.renamed == ()
    assert comparable(name)


def test_a_shorter_name_in_a_file_that_cuts_nothing_was_changed_by_a_person():
    lon, lat, names = field()
    back = list(names)
    back[4] = "Chain"
    out = recognise(handed_over(lon, lat, names), lon, lat, back)
    assert out.renamed == (("m4", "Chain04 on sand", "Chain"),)
    assert set(out.verdict) == {"known"}


def test_names_numbered_anew_by_the_plotter_are_no_persons_work():
    lon, lat, names = field()
    back = [f"WPT {i:03d}" for i in range(len(names))]
    out = recognise(handed_over(lon, lat, names), np.round(lon, 5), np.round(lat, 5), back)
    assert set(out.verdict) == {"known"}
    assert out.renamed == ()


def test_waypoints_without_names_are_known_by_place():
    lon, lat, names = field()
    out = recognise(handed_over(lon, lat, names), np.round(lon, 5), np.round(lat, 5), [None] * 40)
    assert said(out) == [(f"m{i}", "known") for i in range(40)]
    assert out.renamed == ()


# What a person did


def test_what_is_left_out_is_missing_in_the_order_of_the_export():
    lon, lat, names = field()
    out = recognise(handed_over(lon, lat, names), *without(plotted(lon, lat, names), 3, 17, 30))
    assert out.missing.tolist() == ["m3", "m17", "m30"]
    assert set(out.verdict) == {"known"}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("steps", [60_000, 100_000, 600_000])
def test_one_moved_by_sixty_metres_is_moved(place, steps):
    lon, lat, names = field(place)
    x, y = lon.copy(), lat.copy()
    x[5], y[5] = displace(lon[5], lat[5], 60.0 * np.sin(2.0), 60.0 * np.cos(2.0))
    out = recognise(handed_over(lon, lat, names), *plotted(x, y, names, steps))
    assert said(out) == [(f"m{i}", "moved" if i == 5 else "known") for i in range(40)]
    assert out.moved_m[5] == pytest.approx(60.0, abs=2.7)
    assert out.moved_bearing_deg[5] == pytest.approx(np.degrees(2.0), abs=2.6)
    assert np.isnan(out.moved_m).sum() == 39
    assert out.missing.tolist() == []
    assert out.doubtful == ()


def test_how_far_and_where_to_it_was_moved():
    # Length of a degree at 45 degrees on WGS 84, published by the National Geospatial-
    # Intelligence Agency (from memory): latitude 111,132 m, longitude 78,847 m.
    lon, lat, names = field((12.0, 45.0))
    for shift, metres, bearing in (
        ((0.0, 0.0005), 55.57, 0.0),
        ((0.001, 0.0), 78.85, 90.0),
        ((0.0, -0.0005), 55.57, 180.0),
        ((-0.001, 0.0), 78.85, 270.0),
    ):
        x, y = lon.copy(), lat.copy()
        x[0] += shift[0]
        y[0] += shift[1]
        out = recognise(handed_over(lon, lat, names), x, y, names)
        assert out.verdict[0] == "moved"
        assert out.moved_m[0] == pytest.approx(metres, abs=0.05)
        turn = (out.moved_bearing_deg[0] - bearing + 180.0) % 360.0 - 180.0
        assert turn == pytest.approx(0.0, abs=0.01)


def test_one_moved_into_the_place_of_another_is_moved():
    lon, lat, names = field()
    for east in (0.0, 2.5):
        x, y = lon.copy(), lat.copy()
        x[0], y[0] = displace(lon[1], lat[1], east, 0.0)
        out = recognise(handed_over(lon, lat, names), *plotted(x, y, names))
        assert said(out) == [(f"m{i}", "known" if i else "moved") for i in range(40)]


def test_one_moved_into_the_place_of_another_that_was_moved_away():
    lon, lat, names = field(apart=60.0)
    x, y = lon.copy(), lat.copy()
    x[0], y[0] = lon[1], lat[1]
    x[1], y[1] = displace(lon[1], lat[1], 40.0, -45.0)
    out = recognise(handed_over(lon, lat, names), *plotted(x, y, names))
    assert said(out)[:2] == [("m0", "moved"), ("m1", "moved")]
    assert out.missing.tolist() == []
    assert out.renamed == ()


def test_in_the_place_of_one_and_with_the_name_of_another_that_is_gone_is_doubtful():
    lon, lat, names = field()
    back = without(plotted(lon, lat, names), 0)
    back[2][0] = "WRECK00"
    out = recognise(handed_over(lon, lat, names), *back)
    assert said(out)[0] == ("m1", "known")
    assert out.missing.tolist() == ["m0"]
    assert any("has the name of" in s and "m0" in s for s in out.doubtful)


def test_swapped_names_are_two_renamings_and_no_move():
    lon, lat, names = field(apart=40.0)
    back = plotted(lon, lat, names)
    back[2][7], back[2][8] = back[2][8], back[2][7]
    out = recognise(handed_over(lon, lat, names), *back)
    assert said(out) == [(f"m{i}", "known") for i in range(40)]
    assert out.renamed == (
        ("m7", names[7], "HULL08 O"),
        ("m8", names[8], "MOUND07"),
    )


def test_another_name_in_its_place_is_a_renaming():
    lon, lat, names = field()
    back = plotted(lon, lat, names)
    back[2][9] = "DAD'S SP"
    out = recognise(handed_over(lon, lat, names), *back)
    assert out.renamed == (("m9", names[9], "DAD'S SP"),)
    assert set(out.verdict) == {"known"}


@pytest.mark.parametrize("steps", [60_000, 100_000, 600_000])
@pytest.mark.parametrize("place", ["north", "south", "180th meridian", "north pole"])
def test_a_new_one_three_metres_beside_an_old_one_is_new(place, steps):
    lon, lat, names = field(place)
    x, y = displace(lon[6], lat[6], 2.0, 2.7)
    back = with_more(plotted(lon, lat, names, steps), *plotted(x, y, [], steps)[:2], "COD")
    handed = handed_over(lon, lat, names)
    out = recognise(handed, *back)
    assert said(out) == [*((f"m{i}", "known") for i in range(40)), ("", "new")]
    # Also where the old one was deleted.
    out = recognise(handed, *without(back, 6))
    assert said(out)[-1] == ("", "new")
    assert out.missing.tolist() == ["m6"]
    assert out.renamed == ()


def test_a_new_one_in_the_very_place_of_an_old_one_is_new():
    lon, lat, names = field()
    back = plotted(lon, lat, names)
    out = recognise(handed_over(lon, lat, names), *with_more(back, back[0][2], back[1][2], "COD"))
    assert said(out)[-1] == ("", "new")
    assert said(out)[2] == ("m2", "known")


@pytest.mark.parametrize("name", ["LEDGE02", "LEDGE021", "LEDGE02 2", "LEDGE02 O"])
def test_a_second_copy_is_repeated(name):
    lon, lat, names = field()
    names[2] = "Ledge02 old"
    back = plotted(lon, lat, names)
    back[2][2] = "LEDGE02 O"
    out = recognise(handed_over(lon, lat, names), *with_more(back, back[0][2], back[1][2], name))
    assert sorted(said(out)[i] for i in (2, -1)) == [("m2", "known"), ("m2", "repeated")]
    assert out.missing.tolist() == []


def test_a_whole_file_twice_is_known_once():
    lon, lat, names = field()
    x, y, n = plotted(lon, lat, names)
    out = recognise(handed_over(lon, lat, names), np.tile(x, 2), np.tile(y, 2), n * 2)
    assert sorted(said(out)) == sorted(
        (f"m{i}", v) for i in range(40) for v in ("known", "repeated")
    )


def test_a_copy_of_a_moved_one_is_repeated():
    lon, lat, names = field()
    x, y = lon.copy(), lat.copy()
    x[2], y[2] = displace(lon[2], lat[2], 45.0, 40.0)
    back = plotted(x, y, names)
    out = recognise(
        handed_over(lon, lat, names), *with_more(back, back[0][2], back[1][2], back[2][2])
    )
    assert sorted(said(out)[i] for i in (2, -1)) == [("m2", "moved"), ("m2", "repeated")]


def test_a_new_one_on_the_wrong_side_of_a_cut_is_new_and_said():
    # Cut off, a mark comes back south and west of its place, here by under half a step; another
    # name one step north of that is none of a mark that was deleted.
    lon, lat, names = field()
    lon[6], lat[6] = 12.0 + 0.0304 / 60, 55.0 + 0.0304 / 60
    back = without(plotted(lon, lat, names), 6)
    handed = handed_over(lon, lat, names)
    in_place = (12.0 + 0.030 / 60, 55.0 + 0.030 / 60, "COD")
    out = recognise(handed, *with_more(back, *in_place))
    assert said(out)[-1] == ("m6", "known")
    assert out.renamed == (("m6", names[6], "COD"),)
    beside = (12.0 + 0.030 / 60, 55.0 + 0.031 / 60, "COD")
    out = recognise(handed, *with_more(back, *beside))
    assert said(out)[-1] == ("", "new")
    assert out.missing.tolist() == ["m6"]
    assert len(out.doubtful) == 1
    assert "it may be mark m6" in out.doubtful[0]


def test_one_of_many_with_one_name_was_moved():
    lon, lat, _ = field()
    names = ["Rock"] * 40
    x, y = lon.copy(), lat.copy()
    x[5], y[5] = displace(lon[5], lat[5], 36.0, 48.0)
    out = recognise(handed_over(lon, lat, names), *plotted(x, y, names))
    assert said(out) == [(f"m{i}", "moved" if i == 5 else "known") for i in range(40)]


def test_a_new_one_far_off_may_have_the_name_of_one_that_is_there():
    lon, lat, names = field()
    x, y = displace(lon[0], lat[0], -2000.0, 0.0)
    out = recognise(handed_over(lon, lat, names), *with_more((lon, lat, names), x, y, names[0]))
    assert said(out)[-1] == ("", "new")
    assert out.doubtful == ()


# Names that become one


def test_fifteen_metres_apart_and_one_name_after_the_cut():
    lon, lat, names = field()
    x, y = displace(lon[0], lat[0], 9.0, 12.0)
    lon, lat = np.append(lon, np.round(x, 9)), np.append(lat, np.round(y, 9))
    names = ["Harbour wreck 1", *names[1:], "Harbour wreck 2"]
    handed = handed_over(lon, lat, names)
    back = plotted(lon, lat, names)
    assert back[2][0] == back[2][-1]
    assert said(recognise(handed, *back)) == [(f"m{i}", "known") for i in range(41)]
    out = recognise(handed, *without(back, 0))
    assert out.missing.tolist() == ["m0"]
    assert set(out.verdict) == {"known"}
    out = recognise(handed, *without(back, 40))
    assert out.missing.tolist() == ["m40"]


def test_two_in_one_step_with_one_name_after_the_cut_are_both_known():
    lon, lat, names = field()
    lon[0], lat[0] = 12.0000001, 55.0000001
    lon, lat = np.append(lon, 12.0000004), np.append(lat, 55.0000004)
    names = ["Harbour wreck 1", *names[1:], "Harbour wreck 2"]
    out = recognise(handed_over(lon, lat, names), *plotted(lon, lat, names))
    assert sorted(out.mark_id) == sorted(f"m{i}" for i in range(41))
    assert set(out.verdict) == {"known"}
    assert out.doubtful == ()


def test_which_of_two_alike_was_moved_is_said_to_be_doubtful():
    lon, lat, names = field()
    x, y = displace(lon[0], lat[0], 100.0, 0.0)
    lon, lat = np.append(lon, np.round(x, 9)), np.append(lat, np.round(y, 9))
    names = ["Harbour wreck 1", *names[1:], "Harbour wreck 2"]
    back = without(plotted(lon, lat, names), 0, 40)
    x, y = displace(lon[0], lat[0], 48.0, 0.0)
    back = with_more(back, *plotted(x, y, [])[:2], "HARBOUR")
    out = recognise(handed_over(lon, lat, names), *back)
    assert said(out)[-1] == ("m0", "moved")
    assert out.missing.tolist() == ["m40"]
    assert len(out.doubtful) == 1
    assert "mark m40" in out.doubtful[0]
    assert "nearly as well" in out.doubtful[0]


def test_of_two_that_could_be_either_the_order_does_not_say_which():
    # All four distances are the same to the last bit, about the origin of both coordinates.
    lon, lat, names = field("origin")
    lon, lat = lon + 0.01, lat + 0.01
    lon = np.concatenate([lon, [0.0005, -0.0005]])
    lat = np.concatenate([lat, [0.0, 0.0]])
    names = [*names, "Harbour wreck 1", "Harbour wreck 2"]
    handed = handed_over(lon, lat, names)
    back = without(plotted(lon, lat, names, 100_000), 40, 41)
    north, south = (0.0, 0.0004, "HARBOUR"), (0.0, -0.0004, "HARBOUR")
    one = said(recognise(handed, *with_more(with_more(back, *north), *south)))[-2:]
    two = said(recognise(handed, *with_more(with_more(back, *south), *north)))[-2:]
    assert one == two[::-1]
    assert sorted(one) == [("m40", "moved"), ("m41", "moved")]
    out = recognise(handed, *with_more(with_more(back, *south), *north))
    assert len(out.doubtful) == 2


# Which export


def test_a_file_of_a_plotter_that_never_saw_an_export_is_all_new():
    lon, lat, names = field()
    x, y = displace(lon, lat, 30.0, -41.0)
    other = [f"Spot {i}" for i in range(40)]
    out = recognise(handed_over(lon, lat, names), x, y, other)
    assert said(out) == [("", "new")] * 40
    assert out.export == 0
    assert out.missing.tolist() == []
    assert out.doubtful == ()


def test_a_namesake_in_a_foreign_file_is_new_and_said():
    lon, lat, names = field()
    x, y = displace(lon, lat, 30.0, -41.0)
    other = [f"Spot {i}" for i in range(40)]
    other[3] = names[3]
    out = recognise(handed_over(lon, lat, names), x, y, other)
    assert set(out.verdict) == {"new"}
    assert len(out.doubtful) == 1
    assert "51 m away" in out.doubtful[0]


def test_a_namesake_beyond_reach_is_new_and_said():
    lon, lat, names = field()
    x, y = lon.copy(), lat.copy()
    x[0], y[0] = displace(lon[0], lat[0], -2000.0, 0.0)
    out = recognise(handed_over(lon, lat, names), *plotted(x, y, names, cut=20))
    assert said(out)[0] == ("", "new")
    assert out.missing.tolist() == ["m0"]
    assert len(out.doubtful) == 1
    assert "which the file lacks" in out.doubtful[0]
    x[0], y[0] = displace(lon[0], lat[0], -60.0, 0.0)
    for reach_m, verdict in ((59.0, "new"), (61.0, "moved")):
        out = recognise(handed_over(lon, lat, names), x, y, names, reach_m=reach_m)
        assert out.verdict[0] == verdict


def test_one_known_mark_makes_a_foreign_file_no_return_of_the_rest():
    lon, lat, names = field(n=400)
    x, y = displace(lon, lat, 30.0, -41.0)
    other = [f"Spot {i}" for i in range(400)]
    x[0], y[0], other[0] = lon[0], lat[0], names[0]
    # By chance in the box of another mark.
    x[1], y[1] = displace(lon[1], lat[1], 0.5, 0.5)
    out = recognise(handed_over(lon, lat, names), x, y, other)
    assert said(out) == [("m0", "known"), *[("", "new")] * 399]
    assert out.renamed == ()


def test_the_export_that_explains_the_file_best_says_what_is_missing():
    lon, lat, names = field(n=60)
    handed = handed_over(
        np.concatenate([lon[:40], lon[20:], lon[:30]]),
        np.concatenate([lat[:40], lat[20:], lat[:30]]),
        [*names[:40], *names[20:], *names[:30]],
        ids=[f"m{i}" for i in (*range(40), *range(20, 60), *range(30))],
        export=[1] * 40 + [2] * 40 + [3] * 30,
    )
    back = plotted(lon, lat, names)
    out = recognise(handed, *without(back, 21, *range(40, 60)))
    assert (out.export, out.missing.tolist()) == (1, ["m21"])
    out = recognise(handed, *without(back, 50, *range(20)))
    assert (out.export, out.missing.tolist()) == (2, ["m50"])
    out = recognise(handed, *without(back, *range(30, 60)))
    assert (out.export, out.missing.tolist()) == (3, [])


def test_the_newest_of_alike_exports_is_the_one():
    lon, lat, names = field()
    handed = handed_over(
        np.tile(lon, 3),
        np.tile(lat, 3),
        names * 3,
        ids=[f"m{i}" for i in range(40)] * 3,
        export=np.repeat([1, 2, 3], 40),
    )
    out = recognise(handed, *plotted(lon, lat, names))
    assert out.export == 3
    assert set(out.verdict) == {"known"}


def test_a_mark_at_its_place_of_an_older_export_is_known():
    lon, lat, names = field()
    x, y = displace(lon, lat, 3.0, -4.0)
    handed = handed_over(
        np.concatenate([lon, x]),
        np.concatenate([lat, y]),
        names * 2,
        ids=[f"m{i}" for i in range(40)] * 2,
        export=np.repeat([1, 2], 40),
    )
    old, new = plotted(lon, lat, names), plotted(x, y, names)
    for back, export in ((old, 1), (new, 2)):
        out = recognise(handed, *back)
        assert out.export == export
        assert said(out) == [(f"m{i}", "known") for i in range(40)]
    # One stale copy in a file that is otherwise of the newer export.
    new[0][5], new[1][5] = old[0][5], old[1][5]
    out = recognise(handed, *new)
    assert out.export == 2
    assert said(out) == [(f"m{i}", "known") for i in range(40)]
    assert out.missing.tolist() == []


# Any file


def test_empty_files_and_books():
    lon, lat, names = field()
    out = recognise(handed_over(lon, lat, names), [], [], [])
    assert (len(out.verdict), out.export, out.missing.tolist()) == (0, 0, [])
    out = recognise(handed_over([], [], []), lon, lat, names)
    assert set(out.verdict) == {"new"}
    assert out.export == 0


def test_one_waypoint():
    handed = handed_over([12.123456789], [55.123456789], ["Old wreck"])
    out = recognise(handed, [12.12346], [55.12346], ["OLD WRECK"])
    assert said(out) == [("m0", "known")]
    assert recognise(handed, [12.2], [55.2], ["COD"]).export == 0


def test_waypoints_that_cannot_be_are_refused():
    handed = handed_over([12.0], [55.0], ["A"])
    with pytest.raises(DataError, match="columns of the waypoints returned differ in length"):
        recognise(handed, [12.0, 13.0], [55.0], ["A"])
    with pytest.raises(DataError, match="waypoint 1 of those returned is at longitude nan"):
        recognise(handed, [np.nan], [55.0], ["A"])
    with pytest.raises(DataError, match=r"latitude 91\.0"):
        recognise(handed, [12.0], [91.0], ["A"])
    with pytest.raises(DataError, match="handed over differ in length"):
        handed_over([12.0], [55.0, 56.0], ["A"])
    with pytest.raises(DataError, match="an export has the number 0"):
        handed_over([12.0], [55.0], ["A"], export=[0])


def test_too_many_at_one_place_are_refused(monkeypatch):
    monkeypatch.setattr(returned_places, "_MOST_PAIRS", 99)
    n = 10
    handed = handed_over([12.0] * n, [55.0] * n, [f"A{i}" for i in range(n)])
    with pytest.raises(DataError, match="lie at one place"):
        recognise(handed, [12.0] * n, [55.0] * n, [f"B{i}" for i in range(n)])


@st.composite
def worlds(draw):
    place = draw(st.sampled_from(sorted(PLACES)))
    n = draw(st.integers(1, 12))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    spread = draw(st.sampled_from([4.0, 40.0, 4000.0]))
    lon, lat = around(place, rng.uniform(-spread, spread, n), rng.uniform(-spread, spread, n))
    names = draw(
        st.lists(
            st.one_of(
                st.sampled_from(["Rock", "Rock 1", "Rock 12", "WP 001", "", "Båe"]),
                st.text(max_size=10),
            ),
            min_size=n,
            max_size=n,
        )
    )
    return lon, lat, names, rng


@given(worlds())
@settings(max_examples=150, deadline=None)
def test_what_was_handed_over_comes_back_known(world):
    lon, lat, names, _ = world
    out = recognise(handed_over(lon, lat, names), lon, lat, names)
    assert set(out.verdict) == {"known"}
    assert sorted(out.mark_id) == sorted(f"m{i}" for i in range(len(names)))
    assert out.missing.tolist() == []
    assert out.renamed == ()
    assert out.export == 1


@given(worlds(), st.sampled_from([0, 60_000, 100_000]), st.integers(3, 12))
@settings(max_examples=150, deadline=None)
def test_the_order_of_the_waypoints_says_nothing(world, steps, cut):
    lon, lat, names, rng = world
    east, north = rng.normal(0.0, 20.0, (2, len(lon))) * (rng.random(len(lon)) < 0.3)
    x, y = displace(lon, lat, east, north)
    back = plotted(x, y, names, steps, cut) if steps else (x, y, names)
    pick = rng.integers(0, len(lon), len(lon) + 2)
    x, y, n = back[0][pick], back[1][pick], [back[2][i] for i in pick]
    handed = handed_over(lon, lat, names)
    first = recognise(handed, x, y, n)
    order = rng.permutation(len(pick))
    again = recognise(handed, x[order], y[order], [n[i] for i in order])

    def rows(out, x, y, n):
        return sorted(
            zip(x, y, n, out.mark_id, out.verdict, np.nan_to_num(out.moved_m, nan=-1), strict=True)
        )

    assert rows(first, x, y, n) == rows(again, x[order], y[order], [n[i] for i in order])
    assert first.missing.tolist() == again.missing.tolist()
    assert first.renamed == again.renamed
    assert first.doubtful == again.doubtful
    assert (first.export, first.grid) == (again.export, again.grid)
    # No mark is found twice, and none is both found and missing.
    found = first.mark_id[np.isin(first.verdict, ("known", "moved"))].tolist()
    assert len(found) == len(set(found))
    if first.export:
        assert sorted([*found, *first.missing]) == sorted(f"m{i}" for i in range(len(lon)))


@pytest.mark.parametrize("dense", [0, 1_000_000])
def test_the_best_assignment_is_the_best_of_all(monkeypatch, dense):
    # Outside witness: every assignment tried.
    monkeypatch.setattr(returned_assignment, "_DENSE", dense)
    rng = np.random.default_rng(4)
    for _ in range(20):
        table = rng.uniform(-3.0, 9.0, (5, 5)) * (rng.random((5, 5)) < 0.7)
        r, k = np.nonzero(table > 0)
        if not len(r):
            continue
        chosen = returned_assignment.best_assignment(r, k, table[r, k])
        assert len(set(r[chosen])) == len(chosen) == len(set(k[chosen]))
        best = max(
            sum(max(table[i, j], 0.0) for i, j in enumerate(p))
            for p in itertools.permutations(range(5))
        )
        assert table[r[chosen], k[chosen]].sum() == pytest.approx(best)


@pytest.mark.parametrize(
    ("shown", "numbered"),
    [
        (lambda n: n.upper()[:8], lambda n, k: f"{n[: 8 - len(str(k))]}{k}"),
        (lambda n: n[:8], lambda n, k: f"{n[:5]}-{k - 1:02d}"),
        (lambda n: n.replace("ø", "?").replace("å", "?")[:8], lambda n, k: f"{n[:7]}{k}"),
        (lambda n: n.replace("ø", "").replace("å", "")[:8], lambda n, k: f"{n[:7]}{k}"),
        (lambda n: n[:8].replace("ø", "o").replace("å", "a"), lambda n, k: f"{n[:7]}{k}"),
    ],
)
def test_the_way_of_changing_names_is_learnt_and_predicts_every_name(shown, numbered):
    written = [f"Grønnskjår båe {k}" if k % 4 == 0 else f"Wrecks{k:02d} in sand" for k in range(36)]
    seen, out = {}, []
    for name in map(shown, written):
        seen[name] = seen.get(name, 0) + 1
        out.append(name if seen[name] == 1 else numbered(name, seen[name]))
    came = np.arange(0, 36, 2)
    told = learn(written, np.ones(36, dtype=np.int64), came, [out[k] for k in came])
    assert told.name == out
    assert told.explained == told.seen == 18


def test_one_moved_is_known_by_the_number_that_the_plotter_gave_its_name():
    lon, lat, _ = field()
    names = [f"Long ledge {k}" for k in range(40)]
    back = ["LONG LED", *("LONG LED"[: 8 - len(str(k))] + str(k) for k in range(2, 41))]
    x, y = plotted(lon, lat, names)[:2]
    x[7] += 0.001
    keep = [k for k in range(40) if k not in (6, 8)]  # neighbours that are gone
    out = recognise(handed_over(lon, lat, names), x[keep], y[keep], [back[k] for k in keep])
    assert said(out)[keep.index(7)] == ("m7", "moved")
    assert out.missing.tolist() == ["m6", "m8"]
    assert out.renamed == ()
    assert out.doubtful == ()
