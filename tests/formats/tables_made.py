"""Tables made by hypothesis, as wild as the contracts allow, and how to compare them."""

import numpy as np
from hypothesis import strategies as st

from athwart.tables import DEPTH_REFERENCES, Marks, Sightings, Track, Waypoints

WILD = st.text(max_size=12) | st.sampled_from(
    [
        "",
        " a ",
        "]]>",
        "<b>&\"'",
        "\x00\x0b\ufffe\ud800",
        "😀",
        "=1+1",
        "'=x",
        "a\r\nb\tc",
        "-",
        "@x",
    ]
)
TAME = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufffe\uffff\x85\u2028"),
    max_size=10,
).map(str.strip)
FLOATS = st.sampled_from([0.0, 1e-12, 1e-5, 0.1, 1 / 3, 7.25, 12345.678, 1e15]) | st.floats(
    0, 1e6, allow_subnormal=False
)
TIMES = st.integers(-(10**14), 4 * 10**15).map(lambda v: np.datetime64(v, "us"))
LONS = st.sampled_from([-180.0, 179.9999999999, 1e-7, -1e-12, 0.0]) | st.floats(
    -180, 180, exclude_max=True
)
LATS = st.sampled_from([-90.0, 90.0, 1e-9]) | st.floats(-90, 90)


def cells(column, text):
    if column.name == "lon" or column.name.endswith("_lon"):
        return LONS
    if column.name == "lat" or column.name.endswith("_lat"):
        return LATS
    if column.name == "depth_below":
        return st.sampled_from([*DEPTH_REFERENCES, ""])
    if column.name == "links":
        words = text.map(lambda t: " ".join(t.split()))
        return st.just("") | words.map(lambda t: f"http://example.org/a%20b?c=1\t{t}\tt/{t}")
    if column.words:
        return st.sampled_from([*column.words, ""])
    if column.type == "text":
        return text
    if column.type == "bool":
        return st.booleans()
    if column.type == "int":
        return st.integers(0, 10**9)
    if column.type == "time":
        return st.just(np.datetime64("NaT", "us")) | TIMES
    high = min(column.high, 1e15)
    values = FLOATS.map(lambda v: min(v, high)) | st.just(np.nan)
    return values.filter(lambda v: not v < column.low)


@st.composite
def tables(draw, cls, text=TAME, max_size=4, min_size=0):
    n = draw(st.integers(min_size, max_size))
    columns = {}
    for column in cls.columns():
        if column.name in ("sighting_id", "mark_id") or column.name == "sighting_ids":
            columns[column.name] = [f"id{i}" for i in range(n)]
        elif column.name in ("line", "segment"):
            columns[column.name] = list(range(n))
        elif draw(st.booleans()) or column.name in ("lon", "lat"):
            values = [draw(cells(column, text)) for _ in range(n)]
            columns[column.name] = (
                np.array(values, "datetime64[us]") if column.type == "time" else values
            )
    extra = {}
    if n and draw(st.booleans()):
        extra["colour"] = np.array([draw(text) for _ in range(n)], dtype=object)
    return cls.from_columns(columns, extra=extra) if n else cls.empty()


def assert_same(ours, theirs, *, degrees=0.0, skip=()):
    assert len(ours) == len(theirs)
    for name, values in ours.to_columns().items():
        if name in skip:
            continue
        back = getattr(theirs, name)
        if values.dtype.kind == "f" and name in ("lon", "lat"):
            gap = back - values
            gap = (gap + 180) % 360 - 180 if name == "lon" else gap  # -180 and 180 are one place
            np.testing.assert_allclose(gap, 0, atol=max(degrees, 1e-15), err_msg=name)
        elif values.dtype.kind == "M":
            np.testing.assert_array_equal(back, values, err_msg=name)
        else:
            np.testing.assert_array_equal(back, values, err_msg=name)
    for name, values in ours.extra.items():
        back = theirs.extra.get(name, np.full(len(ours), "", dtype=object))
        assert [str(v) for v in values] == [str(v) for v in back], name


__all__ = ["TAME", "WILD", "Marks", "Sightings", "Track", "Waypoints", "assert_same", "tables"]
