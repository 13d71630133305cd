"""Tables and files made by hypothesis, as wild as the contracts allow, and how to compare them.

Tables keep their contract. Files are bytes as somebody might hand them in: well formed, with odd
cells here and there; `damaged` hurts them further. `examples` sets how many are tried: the suite
tries a few, the same each time, ``HYPOTHESIS_PROFILE=long`` fifty times as many, new each time.
"""

import json
import os

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from athwart.tables import DEPTH_REFERENCES, Marks, Picks, Sightings, Track, Waypoints

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


def assert_same(ours, theirs, *, degrees=0.0, relative=0.0, skip=()):
    assert len(ours) == len(theirs)
    for name, values in ours.to_columns().items():
        if name in skip:
            continue
        back = getattr(theirs, name)
        if values.dtype.kind == "f" and name in ("lon", "lat"):
            gap = back - values
            gap = (gap + 180) % 360 - 180 if name == "lon" else gap  # -180 and 180 are one place
            np.testing.assert_array_equal(np.isnan(back), np.isnan(values), err_msg=name)
            np.testing.assert_allclose(
                np.nan_to_num(gap), 0, atol=max(degrees, 1e-15), err_msg=name
            )
        elif values.dtype.kind == "f" and relative:
            np.testing.assert_allclose(back, values, rtol=relative, atol=0, err_msg=name)
        elif values.dtype.kind == "M":
            np.testing.assert_array_equal(back, values, err_msg=name)
        else:
            np.testing.assert_array_equal(back, values, err_msg=name)
    for name, values in ours.extra.items():
        back = theirs.extra.get(name, np.full(len(ours), "", dtype=object))
        assert _said(values) == _said(back), name


def _said(values):
    """Return cells of a column of any type as text; what is missing is empty."""
    return [
        "" if v is None or v != v else str(v + 0.0 if isinstance(v, float) else v) for v in values
    ]


# -- how many ------------------------------------------------------------------------------------

LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"


def examples(number):
    """Return settings for so many examples in the suite, and fifty times as many by hand."""
    slow = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example]
    return settings(
        max_examples=number * (50 if LONG else 1), deadline=None, suppress_health_check=slow
    )


# -- picks, boats, layouts -----------------------------------------------------------------------


@st.composite
def picks(draw, text=TAME, max_size=4):
    """Return picks that keep the rules between columns: a range, a whole position, one heading."""
    table = draw(tables(Picks, text, max_size, min_size=1))
    n = len(table)
    slant = np.array([draw(st.booleans()) for _ in range(n)])
    placed = np.array([draw(st.booleans()) for _ in range(n)])
    true = np.array([draw(st.booleans()) for _ in range(n)])
    ranges = np.array([draw(FLOATS) for _ in range(n)])
    sides = [draw(st.sampled_from(["port", "starboard"])) for _ in range(n)]
    defaults = {
        c.name: np.where(np.isnan(getattr(table, c.name)), c.default, getattr(table, c.name))
        for c in Picks.columns()
        if c.type == "float" and c.default == c.default  # an empty cell stands for it
    }
    return table.with_columns(
        **defaults,
        side=np.array(sides, dtype=object),
        slant_range_m=np.where(slant, ranges, np.nan),
        ground_range_m=np.where(slant, np.nan, ranges),
        lon=np.where(placed, np.nan_to_num(table.lon), np.nan),
        lat=np.where(placed, np.nan_to_num(table.lat), np.nan),
        heading_deg=np.where(true, table.heading_deg, np.nan),
        heading_mag_deg=np.where(true, np.nan, table.heading_mag_deg),
    )


def _toml(entries):
    """Return entries as TOML: tables last, texts as JSON has them (the same escapes)."""
    lines, tables_ = [], []
    for name, value in entries.items():
        if isinstance(value, dict) and value:
            tables_ += [f"[{name}]", _toml(value)]
        elif not isinstance(value, dict):
            lines.append(f"{name} = {_toml_value(value)}")
    return "\n".join([*lines, *tables_])


def _toml_value(value):
    if isinstance(value, list):
        return f"[{', '.join(map(_toml_value, value))}]"
    return json.dumps(value) if isinstance(value, str | bool) else repr(value)


ODD = st.sampled_from([-1, 0, 1e300, 2**63, float("inf"), float("nan"), "", "3m", True, [], [[1]]])
PLAIN = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=8)


def _entries(**values):
    """Return mappings of some of the entries, one in a few of them odd."""
    return st.fixed_dictionaries(
        {},
        optional={name: value | ODD if value is not ODD else ODD for name, value in values.items()},
    )


def boat_files():
    """Return boat files as bytes."""
    some = st.floats(-5, 5)
    return _entries(
        name=PLAIN,
        time_zone=st.sampled_from(["", "UTC", "Pacific/Auckland", "../etc", "Mars"]),
        units=st.sampled_from(["metric", "feet", "fathoms", "yards"]),
        clock_offset_s=some,
        transducer=_entries(forward_m=some, depth_m=some, depth_below=st.just("surface")),
        sound=_entries(temperature_c=some, salinity_gkg=st.floats(0, 42), water_mps=st.just(1480)),
        compass=_entries(deviation=st.lists(st.lists(st.floats(0, 90), max_size=3), max_size=3)),
        error=_entries(heading_deg=some, range_m=some, gnss_own_m=some, nothing=some),
        other=some,
    ).map(lambda entries: _toml(entries).encode())


def limits_files():
    """Return limits of plotters as bytes."""
    few = st.integers(0, 40)
    return _entries(
        max_waypoints=few,
        max_name=few,
        max_note=few,
        max_track_points=few,
        max_track_km=st.floats(0, 9),
        max_route_points=few,
        charset=st.sampled_from(["utf-8", "ascii", "ascii-upper", "latin"]),
        unique_names=st.booleans(),
        depth_element=st.sampled_from(["{urn:x}d", "d", "{}d", "{urn:x}<"]),
        symbols=_entries(rock=PLAIN, other=PLAIN),
    ).map(lambda entries: _toml(entries).encode())


def layout_files():
    """Return layouts of screens as bytes, for pictures of 60 by 40 pixels or of another size."""
    pixel = st.integers(-5, 70) | st.floats(0, 60)
    return _entries(
        range_changes=st.lists(st.just(3), max_size=2),
        seconds_per_line=st.floats(0, 2),
        metres_per_line=st.floats(0, 2),
        panel=st.just([0, 4, 60, 40]) | st.lists(pixel, min_size=4, max_size=4),
        display_corners=st.just([[1, 1], [59, 2], [58, 39], [2, 38]]),
        port_limit_px=st.just(0) | pixel,
        starboard_limit_px=st.just(60) | pixel,
    ).flatmap(
        lambda more: st.fixed_dictionaries(
            {
                "width_px": st.sampled_from([60, 60, 120]),
                "height_px": st.sampled_from([40, 40, 80]),
                "newest": st.sampled_from(["top", "bottom", "left", "right"]),
                "centre_px": st.just(30) | pixel,
                "range_m": st.floats(1, 90),
                "axis": st.sampled_from(["slant", "ground"]),
            }
        ).map(lambda must: _toml({**must, **more}).encode())
    )


# -- files of positions --------------------------------------------------------------------------

NUMBERS = st.floats(-200, 200).map(repr) | st.sampled_from(
    ["", "1", "-0", "1e-7", "1,5", "NaN", "1e999", "4m", "90", "180", "-180", "99999999999"]
)
MOMENTS = st.sampled_from(
    [
        "", "2031-05-04T06:00:00Z", "2031-05-04T06:00:01.250+02:00", "2031-05-04 06:00", "yesterday",
        "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59Z", "2031-02-30T00:00:00Z",
    ]
) | st.datetimes().map(lambda t: t.isoformat() + "Z")  # fmt: skip
MARKUP = st.sampled_from(["", "A", "<b>&\"'", "]]>", "=1+1", "\u202e", "é😀", "a\nb", " "])


def _xml(text):
    return text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")


@st.composite
def gpx_files(draw):
    """Return GPX as bytes: waypoints, routes and tracks with fields in any order."""

    def point(tag):
        fields = [
            f"<{name}>{_xml(draw(cell))}</{name}>"
            for name, cell in (
                ("ele", NUMBERS), ("time", MOMENTS), ("name", MARKUP), ("desc", MARKUP),
                ("sym", MARKUP), ("type", MARKUP), ("sat", NUMBERS), ("hdop", NUMBERS),
            )
            if draw(st.booleans())
        ]  # fmt: skip
        near = st.floats(-1, 1).map(repr)
        lat, lon = draw(near | NUMBERS), draw(near | NUMBERS)
        return f'<{tag} lat="{lat}" lon="{lon}">{"".join(fields)}</{tag}>'

    def points(tag):
        return "\n".join(point(tag) for _ in range(draw(st.integers(0, 4))))

    body = points("wpt")
    if draw(st.booleans()):
        body += f"<rte><name>{_xml(draw(MARKUP))}</name>{points('rtept')}</rte>"
    if draw(st.booleans()):
        body += f"<trk><name>T</name><trkseg>{points('trkpt')}</trkseg><trkseg/></trk>"
    version, codec = draw(st.sampled_from(["1.0", "1.1"])), draw(st.sampled_from(CODECS))
    space = f"http://www.topografix.com/GPX/{version.replace('.', '/')}"
    head = f'<?xml version="1.0" encoding="{codec}"?>\n<gpx version="{version}" creator="t"'
    return f'{head} xmlns="{space}">\n{body}</gpx>'.encode(codec, "xmlcharrefreplace")


CODECS = ("UTF-8", "UTF-8", "UTF-16", "ISO-8859-1")


@st.composite
def csv_files(draw, *columns):
    """Return a table as bytes; columns of any contract if none are named."""
    known = sorted(
        {n for t in (Picks, Track, Waypoints, Sightings, Marks) for n in t.column_names()}
    )
    names = list(columns) or draw(
        st.lists(
            st.sampled_from([*known, "depth_ft", "speed_kn", "slant_range_fm", "x"]), max_size=6
        )
    )
    if not columns and draw(st.booleans()):
        names += [n for n in ("time", "lat", "lon", "side", "slant_range_m") if n not in names]
    rows = [[draw(_cell(name)) for name in names] for _ in range(draw(st.integers(0, 5)))]
    mark = draw(st.sampled_from(",;\t"))
    quoted = [[f'"{c}"' if mark in c or "\n" in c else c for c in row] for row in [names, *rows]]
    text = draw(st.sampled_from(["\n", "\r\n"])).join(mark.join(row) for row in quoted)
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])), "replace")


def _cell(name):
    if name in ("lat", "lon"):
        return st.floats(-1, 1).map(repr) | NUMBERS | st.sampled_from(["41 14.07 N", "8°30'W"])
    if "time" in name:
        return MOMENTS
    if name == "side":
        return st.sampled_from(["port", "starboard", "p", "S", ""])
    if name.endswith(("_m", "_deg", "_ft", "_kn", "_fm", "_m2", "_mps", "_s", "_c")):
        return st.floats(0, 90).map(repr) | NUMBERS
    return MARKUP | NUMBERS


def tide_tables():
    """Return tables of heights as bytes."""
    return csv_files("time", "height_m") | csv_files("time", "what", "level_ft")


@st.composite
def nmea_logs(draw):
    """Return NMEA 0183 logs as bytes, most checksums right."""
    clock = st.sampled_from(["060000.00", "060001", "235959.9", "", "250000", "x"])
    fields = {
        "GPRMC": [clock, "A", "4130.01", "N", "00815.02", "W", "4.0", "90.0", "040531", "", "", "A"],
        "GPGGA": [clock, "4130.02", "S", "17959.99", "E", "1", "8", "0.9", "5.0", "M", "50", "M", "", ""],
        "SDDPT": ["6.4", "0.5"],
        "SDDBT": ["21.0", "f", "6.4", "M", "3.5", "F"],
        "HCHDG": ["91.2", "", "", "3.1", "W"],
        "GPZDA": [clock, "04", "05", "2031", "00", "00"],
        "GPVTG": ["090.0", "T", "093.0", "M", "4.0", "N", "7.4", "K", "A"],
        "SDMTW": ["12.5", "C"],
    }  # fmt: skip
    lines = []
    for _ in range(draw(st.integers(1, 8))):
        name = draw(st.sampled_from(sorted(fields)))
        cells = [c if isinstance(c, str) else draw(c) for c in fields[name]]
        if draw(st.integers(0, 4)) == 0:
            cells[draw(st.integers(0, len(cells) - 1))] = draw(
                st.sampled_from(["", "-1", "9e9", "é", "N"])
            )
        data = ",".join([name, *cells]).encode("latin-1")
        check = 0
        for byte in data:
            check ^= byte
        check ^= draw(st.sampled_from([0, 0, 0, 0, 1]))
        lines.append(b"$%s*%02X" % (data, check))
    return b"\r\n".join(lines) + b"\r\n"


@st.composite
def geojson_files(draw, *kinds):
    """Return GeoJSON as bytes: points, lines and areas with columns."""
    near = st.lists(st.floats(-1, 1) | st.sampled_from([0, 180, 181, 90.5]), min_size=2, max_size=3)
    shapes = {
        "Point": near,
        "MultiPoint": st.lists(near, max_size=3),
        "LineString": st.lists(near, min_size=1, max_size=4),
        "Polygon": st.lists(near, min_size=3, max_size=5).map(lambda ring: [[*ring, ring[0]]]),
    }
    cell = MARKUP | st.floats(-9, 99) | st.none() | st.booleans() | MOMENTS
    names = ("name", "kind", "rule", "note", "time", "depth_m", "hazard", "lat", "mark_id")
    features = []
    for _ in range(draw(st.integers(0, 4))):
        kind = draw(st.sampled_from(kinds or sorted(shapes)))
        shape = {"type": kind, "coordinates": draw(shapes[kind])}
        features.append(
            {
                "type": "Feature",
                "properties": draw(st.dictionaries(st.sampled_from(names), cell, max_size=4)),
                "geometry": draw(st.sampled_from([shape, shape, shape, None])),
            }
        )
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


def zones_files():
    """Return zones as GeoJSON: areas and lines."""
    return geojson_files("Polygon", "LineString")


@st.composite
def kml_files(draw):
    """Return KML as bytes."""
    near = st.floats(-1, 1).map(repr) | NUMBERS
    places = []
    for _ in range(draw(st.integers(0, 4))):
        points = [f"{draw(near)},{draw(near)}" for _ in range(draw(st.integers(1, 3)))]
        kind = "Point" if len(points) == 1 else "LineString"
        places.append(
            f"<Placemark><name>{_xml(draw(MARKUP))}</name><description>{_xml(draw(MARKUP))}"
            f"</description><TimeStamp><when>{draw(MOMENTS)}</when></TimeStamp>"
            f"<{kind}><coordinates>{' '.join(points)}</coordinates></{kind}></Placemark>"
        )
    head = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2">'
    return f"{head}<Document>{''.join(places)}</Document></kml>".encode()


@st.composite
def damaged(draw, files):
    """Return files with a piece cut out, doubled or exchanged, or one bit turned."""
    data = bytearray(draw(files))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(data)))
        to = min(len(data), at + draw(st.sampled_from([0, 1, 2, 8, 80])))
        how = draw(st.integers(0, 3))
        if how == 0:
            data[at:to] = draw(st.binary(max_size=4) | MARKUP.map(str.encode))
        elif how == 1:
            data[at:at] = data[at:to]
        elif how == 2:
            del data[at:]
        elif data:
            data[at % len(data)] ^= 1 << draw(st.integers(0, 7))
    return bytes(data)


FILES = {
    "gpx": gpx_files(),
    "csv": csv_files(),
    "nmea": nmea_logs(),
    "toml": boat_files() | limits_files() | layout_files(),
    "geojson": geojson_files(),
    "kml": kml_files(),
    "heights": tide_tables(),
}
"""Files of every target of the fuzz but pictures, by its name."""
