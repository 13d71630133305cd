"""Order, repeats and rounds of merging change nothing."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from looking import groups
from worlds import make_world

from athwart.merge import Rulings, merge
from athwart.tables import Sightings


def motley(seed, density):
    """Sightings with names, kinds, notes, depths; some undated, some without a trip."""
    rng = np.random.default_rng(seed)
    w = make_world(seed, density=density, targets=30, errors=(1.0, 12.0), boat=1.0)
    s = w.sightings
    n = len(s)
    pick = lambda words: np.array(words, dtype=object)[rng.integers(0, len(words), n)]  # noqa: E731
    time = s.time.copy()
    time[rng.random(n) < 0.2] = np.datetime64("NaT")
    return s.with_columns(
        time=time,
        trip=np.where(rng.random(n) < 0.5, s.trip, ""),
        name=pick(["", "", "WP001", "anchor rock", "the chimney"]),
        kind=pick(["", "rock", "reef", "wreck"]),
        note=pick(["", "", "snagged", "seen twice"]),
        hazard=rng.random(n) < 0.1,
        depth_m=np.where(rng.random(n) < 0.5, 20 + rng.normal(0, 0.5, n), np.nan),
        depth_below=pick(["surface", "datum"]),
        boat=pick(["", "Tern", "Gull"]),
        source=pick(["a.gpx", "b.csv"]),
    )


def same(one, two, *but):
    assert np.array_equal(one.mark_of, two.mark_of)
    for table in ("marks", "sightings"):
        a, b = getattr(one, table), getattr(two, table)
        for name, values in a.to_columns().items():
            if name in but:
                continue
            other = getattr(b, name)
            if values.dtype.kind in "fM":
                assert np.array_equal(values, other, equal_nan=True), name
            else:
                assert (values == other).all(), name
    assert list(one.report.rows()) == list(two.report.rows())


CASES = given(st.integers(0, 10**6), st.sampled_from([20.0, 100.0, 400.0]))


@settings(max_examples=25, deadline=None)
@CASES
def test_the_order_of_rows_and_files_does_not_matter(seed, density):
    s = motley(seed, density)
    order = np.random.default_rng(seed + 1).permutation(len(s))
    cut = len(s) // 3
    parts = [s.take(order[cut:]), s.take(order[:cut])]
    same(merge(s), merge(Sightings.concat(parts)))


@settings(max_examples=25, deadline=None)
@CASES
def test_merging_the_output_again_changes_nothing(seed, density):
    first = merge(motley(seed, density))
    same(first, merge(first.sightings))


@settings(max_examples=25, deadline=None)
@CASES
def test_merging_in_two_steps_is_merging_at_once(seed, density):
    s = motley(seed, density)
    part = np.random.default_rng(seed + 2).random(len(s)) < 0.6
    first = merge(s.take(part))
    later = s.take(~part)
    same(merge(s), merge(Sightings.concat([later, first.sightings])))
    # a source that was in the first merge too adds nothing
    again = merge(Sightings.concat([first.sightings, s]))
    assert groups(again) == groups(merge(s))
    assert again.report.repeats == int(part.sum())


@settings(max_examples=25, deadline=None)
@CASES
def test_every_sighting_is_in_exactly_one_mark(seed, density):
    s = motley(seed, density)
    m = merge(s)
    listed = " ".join(m.marks.sighting_ids.tolist()).split(" ")
    assert sorted(listed) == sorted(s.sighting_id.tolist())
    assert (np.bincount(m.mark_of, minlength=len(m.marks)) == m.marks.sightings).all()
    for i, at in zip(m.sightings.sighting_id, m.mark_of, strict=True):
        assert i in m.marks.sighting_ids[at].split(" ")
    assert set(m.marks.mark_id) <= set(s.sighting_id)
    assert not m.marks.faults()


@settings(max_examples=25, deadline=None)
@CASES
def test_no_mark_breaks_a_rule(seed, density):
    s = motley(seed, density).with_columns(boat="")
    rng = np.random.default_rng(seed)
    apart = [tuple(s.sighting_id[rng.choice(len(s), 2, replace=False)]) for _ in range(20)]
    m = merge(s, rulings=Rulings(apart=apart))
    at = dict(zip(m.sightings.sighting_id, m.mark_of, strict=True))
    assert all(at[a] != at[b] for a, b in apart)
    for k in range(len(m.marks)):
        rows = np.flatnonzero(m.mark_of == k)
        kinds = set(m.sightings.kind[rows]) - {""}
        assert kinds <= {"rock", "reef"} or kinds == {"wreck"}
        dated = rows[~np.isnat(m.sightings.time[rows]) | (m.sightings.trip[rows] != "")]
        named = {
            (m.trips[i], m.sightings.name[i])
            for i in dated
            if m.sightings.name[i] not in ("", "WP001")
        }
        assert len({t for t, _ in named}) == len(named)


def test_ids_of_any_shape_are_taken():
    s = motley(7, 100.0)
    plain = merge(s)
    ids = np.array([f"π {i}" for i in s.sighting_id], dtype=object)
    odd = merge(s.with_columns(sighting_id=ids))
    assert {frozenset(x.removeprefix("π ") for x in g) for g in _members(odd)} == _members(plain)


def _members(m):
    return {
        frozenset(m.sightings.sighting_id[m.mark_of == k].tolist()) for k in range(len(m.marks))
    }
