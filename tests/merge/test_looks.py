"""Positions in planes against geodesy libraries, and what is taken of each sighting."""

import numpy as np
import pytest
from looking import looks_at
from pyproj import Transformer

from athwart.errors import TableError
from athwart.merge.looks import Sphere, canonical, check, factorise, looks_of, turned

PLACES = [(-31.2, 44.4), (179.9999, -12.0), (-180.0, 60.0), (12.0, 89.999), (12.0, -90.0)]


def test_positions_are_earth_centred_as_proj_has_them():
    lon, lat = np.array(PLACES).T
    want = Transformer.from_crs(4979, 4978, always_xy=True).transform(lon, lat, 0 * lat)
    np.testing.assert_allclose(Sphere.at(lon, lat).xyz, want, atol=1e-6)


@pytest.mark.parametrize("place", PLACES)
def test_a_place_in_a_plane_is_found_on_earth_again(place):
    """Witness: PROJ's topocentric plane, the same for any point near the origin."""
    start = Sphere.at(*np.array([place]).T)
    lon, lat = start.back(np.zeros(1, int), np.array([300.0]), np.array([-200.0]))
    flat = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        f"+lon_0={place[0]} +lat_0={place[1]}"
    )
    east, north, _ = flat.transform(lon[0], lat[0], 0.0)
    assert (east, north) == pytest.approx((300.0, -200.0), abs=5e-4)
    assert -180.0 <= lon[0] < 180.0
    both = Sphere.at(np.array([place[0], lon[0]]), np.array([place[1], lat[0]]))
    x, y = both.plane(np.array([1]), np.array([0]))
    assert (x[0], y[0]) == pytest.approx((300.0, -200.0), abs=5e-4)


@pytest.mark.parametrize("place", [(-31.2, 44.4), (179.9999, -62.0), (12.0, 89.999)])
def test_east_turns_by_the_difference_of_longitude_times_the_sine_of_latitude(place):
    """Convergence of meridians, the usual series (exact on a sphere for one latitude)."""
    two = Sphere.at(np.array([place[0], place[0] + 0.5]), np.array([place[1]] * 2))
    c, s = two.turn(np.array([1]), np.array([0]))
    want = np.arctan2(np.sin(np.radians(0.5)) * np.sin(np.radians(place[1])),
                      np.cos(np.radians(0.5)))  # fmt: skip
    assert np.arctan2(s[0], c[0]) == pytest.approx(want)
    assert c[0] ** 2 + s[0] ** 2 == pytest.approx(1.0)


def test_the_east_of_a_mark_and_of_its_first_look_differ_beside_a_pole():
    """The same angle as between two looks: by the series above."""
    look, mark = Sphere.at(np.array([30.0]), np.array([89.999])), np.array([170.0, 89.998])
    c, s = look.turn(np.array([0]), slice(None), Sphere.at(*mark[:, None]))
    step = np.radians(30.0 - 170.0)
    want = np.arctan2(np.sin(step) * np.sin(np.radians(mark[1])), np.cos(step))
    assert np.arctan2(s[0], c[0]) == pytest.approx(want)


def test_a_covariance_is_turned_as_a_matrix_is():
    a = np.radians(25.0)
    r = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    want = r @ np.array([[9.0, 1.0], [1.0, 4.0]]) @ r.T
    got = turned(*np.array([[9.0], [4.0], [1.0], [np.cos(a)], [np.sin(a)]]))
    np.testing.assert_allclose(np.ravel(got), [want[0, 0], want[1, 1], want[0, 1]])


def test_what_is_at_the_edge_of_what_is_allowed_is_taken():
    s = looks_at([0, 9], 0, var_east_m2=5e5, var_north_m2=5e5, shared_sigma_m=[0.0, 1000.0],
                 boat_sigma_m=[1000.0, np.nan])  # fmt: skip
    check(s.with_columns(lon=[180.0, -180.0], lat=[90.0, -90.0]))


@pytest.mark.parametrize(
    ("columns", "code"),
    [
        ({"lon": 180.001}, "position-missing"),
        ({"lat": -90.001}, "position-missing"),
        ({"var_east_m2": 0.0}, "covariance-unsound"),
        ({"var_north_m2": 0.0}, "covariance-unsound"),
        ({"cov_east_north_m2": -4.0}, "covariance-unsound"),
        ({"var_east_m2": 1e6}, "error-too-large"),
        ({"shared_sigma_m": -0.1}, "shared-sigma-m-out-of-range"),
        ({"boat_sigma_m": 1000.1}, "boat-sigma-m-out-of-range"),
        ({"sighting_id": ""}, "sighting-id-missing"),
    ],
)
def test_what_is_beyond_the_edge_is_refused_with_its_row(columns, code):
    s = looks_at([0, 9, 20], 0)
    full = {k: np.where(np.arange(3) == 1, v, getattr(s, k)) for k, v in columns.items()}
    full = {k: v.astype(getattr(s, k).dtype) for k, v in full.items()}
    with pytest.raises(TableError) as caught:
        check(s.with_columns(**full))
    assert [(r.row, r.code) for r in caught.value.rows] == [(2, code)]


def test_distinct_texts_are_numbered_as_they_first_come():
    names, code = factorise(np.array(["b", "a", "b", "", "a"], dtype=object))
    assert names == ["b", "a", ""]
    assert code.tolist() == [0, 1, 0, 2, 1]
    names, code = factorise(np.array(["b"] * 100 + ["a"], dtype=object))
    assert (names, code.tolist()) == (["b", "a"], [0] * 100 + [1])
    names, code = factorise(np.array(["b"] * 70, dtype=object))
    assert (names, code.tolist()) == (["b"], [0] * 70)
    assert factorise(np.empty(0, dtype=object))[0] == []


def test_a_row_without_a_boat_is_of_its_trips_boat_and_one_trip_of_two_boats_is_two():
    s = looks_at(np.arange(5) * 30.0, 0, trip=["a", "a", "b", "b", "c"],
                 boat=["Tern", "", "Tern", "Skua", ""])  # fmt: skip
    looks = looks_of(canonical(s)[0])
    order = np.argsort(looks.sphere.xyz[1] * 0 + looks.sphere.plane(slice(None), 0)[0])
    boats = [looks.boat_names[b] for b in looks.boat[order]]
    trips = [looks.trip_names[t] for t in looks.trip[order]]
    assert boats == ["Tern", "Tern", "Tern", "Skua", ""]
    assert trips == ["a", "a", "b", "b", "c"]
    assert len(set(looks.trip.tolist())) == 4


def test_sightings_stand_in_rows_from_south_to_north_and_west_to_east():
    lat = [44.405, 44.401, 44.412, 44.401]
    s = looks_at([0] * 4, 0).with_columns(lon=[10.0, 10.2, 9.0, 10.1], lat=lat)
    ids = canonical(s)[0].sighting_id.tolist()
    assert ids == ["s00", "s03", "s01", "s02"]
