"""What a reader owes to any bytes: the oracles of the fuzz, and samples to begin from.

A target is given bytes. It reads them as a user's file, and `judge` says what is not kept of this:

- nothing but an `AthwartError` is raised, its sentence is not empty and names no folder;
- no warning gets out;
- inputs of up to 64 kB take less than 2 s of processor time and 500 MB of memory;
- what was read can be written, and reads again as the same.
"""

from __future__ import annotations

import resource
import shutil
import time
import tomllib
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.contents import Contents
from athwart.errors import AthwartError
from athwart.formats import ReadOptions, inspect, write
from athwart.formats.gpx_fields import ILLEGAL
from athwart.formats.gpx_write import _uri
from athwart.formats.heights import read_heights
from athwart.frame.layout import Layout
from athwart.frame.picture import read_picture
from athwart.plotter import Limits, prepare
from athwart.tables import Marks, Table, text_array
from strategies import assert_same

MOST_BYTES = 64_000
MOST_SECONDS = 2.0
MOST_MEMORY_MB = 500.0
ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_gpx"
TABLES = ("marks", "sightings", "picks", "waypoints", "tracks", "routes")


class BrokenError(AssertionError):
    """A promise that was not kept."""


@dataclass(frozen=True)
class Target:
    """One kind of input.

    `read` is given a file and an empty folder; it raises `AthwartError` where it refuses, and
    `BrokenError` or anything else where a promise is broken.
    """

    ending: str
    read: Callable[[Path, Path], None]
    samples: Callable[[], list[bytes]]
    words: tuple[str, ...] = ()


def judge(target: Target, data: bytes, folder: Path) -> bool:
    """Give bytes to a target; say whether they were read (or refused), raise what is broken."""
    was_read, took, grew = _watched(target, data, folder)
    if len(data) > MOST_BYTES:
        return was_read
    # The first of a kind loads libraries, and a busy machine may stand still: only what is slow
    # every time is slow.
    for _ in range(3):
        if took <= MOST_SECONDS:
            break
        took = min(took, _watched(target, data, folder)[1])
    if took > MOST_SECONDS or grew > MOST_MEMORY_MB:
        raise BrokenError(f"{len(data)} bytes took {took:.1f} s and {grew:.0f} MB")
    return was_read


def _watched(target: Target, data: bytes, folder: Path) -> tuple[bool, float, float]:
    """Return whether the bytes were read, the seconds of processor and the MB that it took."""
    path = folder / f"input{target.ending}"
    path.write_bytes(data)
    out = folder / "out"
    out.mkdir(exist_ok=True)
    began, memory = time.process_time(), _peak_mb()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            target.read(path, out)
        was_read = True
    except AthwartError as error:
        was_read = False
        said = str(error)
        if not said.strip() or str(folder) in said:
            raise BrokenError(f"a refusal that says {said[:300]!r}") from error
    finally:
        for made in out.iterdir():
            shutil.rmtree(made) if made.is_dir() else made.unlink()
    return was_read, time.process_time() - began, _peak_mb() - memory


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _options(data: bytes) -> ReadOptions:
    """Return a zone for every other length, so that both ways are gone."""
    return ReadOptions(time_zone="Europe/Lisbon" if len(data) % 2 else None)


# -- tables ------------------------------------------------------------------------------------


def _legal(table: Table, ending: str) -> Table:
    """Return a table with the characters exchanged that no XML and no text file holds."""
    blank = " \t\r\n" if ending == ".kml" else ""  # KML does not tell a blank text from none

    def legal(values: Iterable[str], mend: Callable[[str], str] = str) -> NDArray[np.object_]:
        return text_array(mend(ILLEGAL.sub("\ufffd", v)).strip(blank) for v in values)

    columns = {
        name: legal(values, _addresses if name == "links" else str)
        for name, values in table.to_columns().items()
        if values.dtype == object
    }
    extra = {
        ILLEGAL.sub("\ufffd", n): legal(v) if v.dtype == object else v
        for n, v in table.extra.items()
    }
    return replace(table.with_columns(**columns), extra=extra)


def _addresses(links: str) -> str:
    """Return links with addresses as GPX must have them (anyURI)."""
    rows = [link.partition("\t") for link in links.split("\n")]
    return "\n".join(_uri(address) + tab + rest for address, tab, rest in rows)


def _comes_back(*endings: str, degrees: float) -> Callable[[Path, Path], None]:
    """Return a target that reads a file, writes it in formats, and reads that again."""

    def read(path: Path, out: Path) -> None:
        first = inspect(path, options=_options(path.read_bytes()))
        rows = sum(len(getattr(first, name)) for name in TABLES)
        if not rows:
            return
        for ending in endings:
            same_again(first, out / f"again{ending}", degrees)

    return read


def same_again(first: Contents, path: Path, degrees: float) -> None:
    """Write contents and read them; raise where they are not the same."""
    try:
        write(path, first)
        second = inspect(path)
        if second.rejected:
            raise BrokenError(f"{path.suffix}: own file has bad rows: {second.rejected[:3]}")
        one_table = path.suffix in (".csv", ".tsv", ".geojson", ".fgb")
        for name in TABLES:
            ours, back = getattr(first, name), getattr(second, name)
            if len(ours):
                skip = ["source", "source_row", "line", "segment"]
                ours, back = _legal(ours, path.suffix), _legal(back, path.suffix)
                digits = 1e-14 if path.suffix == ".kml" else 0.0  # GDAL writes fifteen digits there
                assert_same(ours, back, degrees=degrees, relative=digits, skip=skip)
                if one_table:
                    break
    except AthwartError as error:
        raise BrokenError(
            f"{path.suffix}: what was read cannot be written and read: {error}"
        ) from error
    finally:
        for made in path.parent.glob("again*"):
            made.unlink()


# -- the rest ------------------------------------------------------------------------------------


def _heights(path: Path, out: Path) -> None:
    data = path.read_bytes()
    first = read_heights(path, "Europe/Lisbon" if len(data) % 2 else None)
    if np.isnan(first.height_m).any() or np.isnat(first.time).any():
        raise BrokenError("a row without a height or a time was read")
    again = out / "again.csv"
    rows = zip(
        first.time,
        first.height_m,
        first.what if first.what is not None else first.time,
        strict=True,
    )
    names = "time,height_m" + ("" if first.what is None else ",what")
    with again.open("w") as file:
        print(names, file=file)
        for moment, height, what in rows:
            more = "" if first.what is None else f",{what}"
            print(f"{moment}Z,{float(height)!r}{more}", file=file)
    second = read_heights(again)
    np.testing.assert_array_equal(first.time, second.time)
    np.testing.assert_array_equal(first.height_m, second.height_m)


def _toml(path: Path, out: Path) -> None:
    """Boat, limits and layout of one file: whichever it is, the others refuse it."""
    refused = []
    for read in (_boat, _limits, _layout):
        try:
            read(path)
        except AthwartError as error:
            refused.append(error)
    if len(refused) == 3:
        raise refused[len(path.read_bytes()) % 3]


def _boat(path: Path) -> None:
    boat = Boat.from_toml(path)
    ratio, sigma = boat.sound_ratio(np.array([np.nan, 4.0]))
    if not (np.isfinite(ratio).all() and np.isfinite(sigma).all()):
        raise BrokenError(f"a boat whose sound is {ratio}, {sigma}")


def _limits(path: Path) -> None:
    limits = Limits.from_toml(path)
    marks = Marks.from_columns(
        {
            "mark_id": ["a", "b"],
            "lon": [1, 2],
            "lat": [3, 4],
            "name": ["Stone", "Stoné"],
            "note": "n",
        }
    )
    done = prepare(marks, limits)
    if sum(len(f.marks) for f in done.files) != 2:
        raise BrokenError("a mark was lost")


def _layout(path: Path) -> None:
    first = Layout.from_toml(path)
    if Layout.from_toml(first.to_toml()) != first:
        raise BrokenError("a layout that does not come back")


def _picture(path: Path, out: Path) -> None:
    from PIL import Image

    first = read_picture(path)
    gray = first.gray
    if gray.dtype != np.float32 or gray.shape != (first.height, first.width):
        raise BrokenError(f"{gray.dtype} {gray.shape} of {first.width} x {first.height}")
    if gray.size == 0 or not (gray.min() >= 0 and gray.max() <= 1):
        raise BrokenError("grey beyond black and white")
    if gray.size > 1_000_000:
        return  # what follows would be counted as the reader's own memory
    eight = np.rint(gray * 255.0).astype(np.uint8)
    packed = BytesIO()
    Image.fromarray(eight).save(packed, "PNG")
    again = read_picture(packed.getvalue()).gray
    if not np.array_equal(np.rint(again * 255.0), eight):
        raise BrokenError("a picture that does not come back")


# -- what to begin from --------------------------------------------------------------------------

RICH_GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="urn:x">
<metadata><name>N</name><time>2031-05-04T06:00:00Z</time></metadata>
<wpt lat="1.5" lon="-2.25"><ele>-3.5</ele><time>2031-05-04T06:00:00.25+02:00</time>
<magvar>7</magvar><name> A &amp; B &#233;</name><cmt>one</cmt><desc><![CDATA[<two>]]></desc>
<link href="http://example.org/a"><text>T</text><type>image/png</type></link><sym>X</sym>
<type>rock</type><fix>3d</fix><sat>9</sat><hdop>1.5</hdop><dgpsid>7</dgpsid>
<extensions><x:a k="1">t</x:a></extensions></wpt>
<rte><name>R</name><number>3</number><rtept lat="1" lon="180"/><rtept lat="-90" lon="-180"/></rte>
<trk><name>T</name><trkseg><trkpt lat="1" lon="2"><time>2031-05-04T06:00:00Z</time></trkpt>
<trkpt lat="1.1" lon="2"><ele>3</ele></trkpt></trkseg><trkseg/></trk></gpx>"""
PICKS = """time;lat;lon;heading_deg;side;slant_range_ft;depth_fm;name;hazard;note
2031-05-04T06:00:00Z;"41 14.07 N";-8.25;90;p;21.3;6;Größe;yes;=1+1
2031-05-04 06:00:00;41.5;8 30 W;359.9;starboard;70;;'=x;no;"a
b"
"""
NMEA = """$GPRMC,060000.00,A,4130.0000,N,00815.0000,W,4.0,090.0,040531,,,A*4E
$GPGGA,060001.00,4130.0010,N,00814.9990,W,1,08,0.9,5.0,M,50.0,M,,*7B
$SDDPT,6.4,0.5*50
$SDDBT,21.0,f,6.4,M,3.5,F*31
$HCHDG,91.2,,,3.1,W*03
$GPZDA,060002.00,04,05,2031,00,00*63
$GPVTG,090.0,T,093.0,M,4.0,N,7.4,K*4A
$YXMTW,12.5,C*14
$GPGLL,4130.0020,N,00814.9980,W,060002.00,A*13
"""
GEOJSON = """{"type": "FeatureCollection", "features": [
{"type": "Feature", "properties": {"name": "A", "depth_m": 4.5, "time": "2031-05-04T06:00:00Z",
"kind": "rock", "hazard": true, "note": null}, "geometry": {"type": "Point", "coordinates": [1.5, -2, 3]}},
{"type": "Feature", "properties": {"name": "L"}, "geometry": {"type": "LineString", "coordinates": [[179, 1], [-179, 2]]}},
{"type": "Feature", "properties": {"z": [1]}, "geometry": {"type": "Polygon",
"coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}},
{"type": "Feature", "properties": {}, "geometry": null}]}"""
KML = """<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>F</name>
<Placemark><name>A</name><description><![CDATA[<b>b</b>]]></description>
<TimeStamp><when>2031-05-04T06:00:00Z</when></TimeStamp>
<ExtendedData><Data name="depth_m"><value>4.5</value></Data></ExtendedData>
<Point><coordinates>1.5,-2,3</coordinates></Point></Placemark>
<Placemark><name>L</name><LineString><coordinates>1,2 3,4,5</coordinates></LineString></Placemark>
</Folder></Document></kml>"""
LAYOUT = """width_px = 800
height_px = 600
newest = "top"
centre_px = 400.5
range_m = 45.0
axis = "slant"
port_limit_px = 0.0
starboard_limit_px = 800
panel = [0, 40, 800, 560]
seconds_per_line = 0.1
range_changes = [{line = 40, range_m = 30.0}]
display_corners = [[10, 20], [210, 20], [210, 120], [10, 120]]
"""
BOAT = """name = "Wren"
[transducer]
forward_m = -3.5
depth_m = 0.4
depth_below = "surface"
[sound]
temperature_c = 12
salinity_gkg = 34.5
[compass]
deviation = [[0, 1.5], [90, -2]]
[error]
gnss_m = 2.5
"""
LIMITS = """max_name = 8
charset = "ascii-upper"
max_note = 40
max_track_km = 12.5
depth_element = "{urn:x}depth"
[symbols]
rock = "Rock"
other = "Dot"
"""
HEIGHTS = """# of a gauge
date;time;level;what
2031-05-04;06:00;3.4m;HW
2031-05-04;12:10Z;11ft;low
"""


def _sample(name: str, most: int = 2500) -> bytes:
    return (SAMPLES / name).read_bytes()[:most]


def _gpx_samples() -> list[bytes]:
    return [
        RICH_GPX.encode(),
        RICH_GPX.replace("UTF-8", "UTF-16").encode("utf-16"),
        _sample("old-card.gpx"),
        _sample("waypoints.gpx"),
        _sample("trip-1-track.gpx", 1500) + b"</trkseg></trk></gpx>",
    ]


def _csv_samples() -> list[bytes]:
    names = ("trip-1-picks.csv", "trip-2-picks-feet.csv", "trip-3-picks-typed.csv", "truth.csv")
    simple = b"mark_id,lat,lon,name,r95_m\na,1,2,A,3.5\n"
    return [
        PICKS.encode(),
        PICKS.replace(";", "\t").encode("utf-16"),
        PICKS.encode("latin-1"),
        simple,
        *(_sample(name, 900) for name in names),
    ]


def _picture_samples() -> list[bytes]:
    from PIL import Image

    ramp = np.tile(np.arange(0, 240, 12, dtype=np.uint8), (12, 1))
    plain = Image.fromarray(ramp)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769).update({0x9003: "2031:05:11 11:40:12", 0x9011: "+02:00", 0x9291: "25"})
    made = [
        (plain, "PNG", {}),
        (plain.convert("RGB").quantize(4), "PNG", {"transparency": 1}),
        (Image.fromarray(ramp.astype(np.uint16) << 8), "PNG", {}),
        (plain.convert("RGBA"), "PNG", {"exif": exif}),
        (plain, "JPEG", {"exif": exif}),
        (plain.convert("CMYK"), "JPEG", {"progressive": True}),
        (plain, "TIFF", {}),
        (plain, "GIF", {}),
        (plain, "BMP", {}),
        (plain.convert("RGB"), "WEBP", {}),
        (plain, "PPM", {}),
    ]
    out = []
    for image, form, rest in made:
        packed = BytesIO()
        image.save(packed, form, **rest)
        out.append(packed.getvalue())
    return out


def _toml_samples() -> list[bytes]:
    texts = [BOAT, LIMITS, LAYOUT]
    for text in texts:
        tomllib.loads(text)
    return [*(t.encode() for t in texts), _sample("tern.toml"), _sample("small-plotter.toml")]


TARGETS: dict[str, Target] = {
    "gpx": Target(
        ".gpx",
        _comes_back(".gpx", degrees=6e-10),
        _gpx_samples,
        ("<wpt ", "<trkpt ", "</trkseg>", "lat=", "lon=", "<ele>", "<time>", "<extensions>",
         "<![CDATA[", "]]>", "&#x", "&amp;", "<!--", "-->", "<?", "<!DOCTYPE", "xmlns=", "1e999",
         "NaN", "\\xff\\xfe", "\\xef\\xbb\\xbf", "encoding=", "<link href="),
    ),
    "csv": Target(
        ".csv",
        _comes_back(".csv", degrees=0.0),
        _csv_samples,
        ("lat,lon\\x0a", "side,", "slant_range_m", "depth_ft", "mark_id", "sighting_id", "time,",
         "port", "NaN", "1e999", "\\x22", ";", "\\x09", "\\x0d\\x0a", "T06:00:00Z", "\\x00",
         "heading_mag_deg", "\\xff\\xfe", "=1+1", "'", "°", "′"),
    ),
    "nmea": Target(
        ".nmea",
        _comes_back(".gpx", ".csv", degrees=6e-10),
        lambda: [NMEA.encode(), _sample("trip-2-log.nmea", 1200)],
        ("$GPRMC,", "$GPGGA,", "$SDDPT,", "$HCHDG,", "$GPZDA,", ",A,", ",V,", "*00", "\\x0d\\x0a",
         "!AIVDM", "235960", "4130.0000,N", "00815.0000,W"),
    ),
    "toml": Target(
        ".toml",
        _toml,
        _toml_samples,
        ("[[", "]]", "= inf", "= nan", "= -1", "1e400", "\\x22\\x22\\x22", "= true", "= []",
         "= {}", "1979-05-27", "0x", "9223372036854775808", "[error]", "range_changes"),
    ),
    "picture": Target(
        ".png",
        _picture,
        _picture_samples,
        ("IHDR", "IDAT", "IEND", "PLTE", "tRNS", "eXIf", "iCCP", "zTXt", "Exif\\x00\\x00", "II*\\x00",
         "MM\\x00*", "GIF89a", "RIFF", "WEBP", "BM", "P5\\x0a", "\\xff\\xd8\\xff", "\\xff\\xc2"),
    ),
    "geojson": Target(
        ".geojson",
        _comes_back(".geojson", degrees=1e-13),
        lambda: [GEOJSON.encode(), _sample("area.geojson"), _sample("zones.geojson")],
        ("\\x22type\\x22", "\\x22Point\\x22", "\\x22MultiPoint\\x22", "\\x22GeometryCollection\\x22",
         "\\x22coordinates\\x22", "null", "1e400", "[]", "{}", "\\x22crs\\x22", "\\\\ud800",
         "\\x22properties\\x22", "\\x22lat\\x22", "\\x22time\\x22", "\\x22mark_id\\x22"),
    ),
    "kml": Target(
        ".kml",
        _comes_back(".kml", degrees=1e-9),
        lambda: [KML.encode()],
        ("<Placemark>", "<coordinates>", "<MultiGeometry>", "<Point>", "<name>", "<when>",
         "<ExtendedData>", "<Data name=", "<Schema", "<![CDATA[", "]]>", "&#x", "1e400", "<Style>"),
    ),
    "heights": Target(
        ".csv",
        _heights,
        lambda: [HEIGHTS.encode(), _sample("tides.csv"), b"utc\theight_ft\n2031-05-04T06:00Z\t3\n"],
        ("time,", "height_m", "level_ft", "tide", "what", "high", "low", "hw", "3.4m", "11ft",
         "T06:00:00Z", "NaN", "1e999", "\\x22", "\\x00", "date"),
    ),
}  # fmt: skip
