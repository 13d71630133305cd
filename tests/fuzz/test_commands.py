"""Every command, given any files and any options: sentences and 0, 1 or 2, never a traceback.

Commands and options are found through click, so that a new one is tried from its first day. Each
example works in its own copy of a folder with good files, odd ones and one drawn by hypothesis.
"""

import contextlib
import io
import shutil
import signal
from pathlib import Path

import click
import numpy as np
import pytest
from hypothesis import given, note
from hypothesis import strategies as st
from oracles import SAMPLES
from PIL import Image

from athwart.cli import cli, main
from athwart.cli.common import Quantity
from strategies import FILES, boat_files, damaged, examples, layout_files, limits_files, zones_files

LEFT_OUT = {
    ("desk",): "serves until it is stopped",
    ("demo",): "takes no input but its folder; it has its own tests",
}
SLOWEST_SECONDS = 60
PLAIN_FILES = (
    "trip-1-picks.csv", "trip-3-picks-typed.csv", "waypoints.gpx", "old-card.gpx", "tern.toml",
    "small-plotter.toml", "area.geojson", "bank.geojson", "zones.geojson", "tides.csv", "truth.csv",
)  # fmt: skip
LAYOUT = (
    'width_px = 60\nheight_px = 40\nnewest = "top"\ncentre_px = 30\nrange_m = 45\naxis = "slant"\n'
    "port_limit_px = 0\nstarboard_limit_px = 60\nseconds_per_line = 0.1\n"
)
POINTS = "".join(
    f'<trkpt lat="{-46.2 + 1e-5 * i:.6f}" lon="-21.3"><time>2025-05-10T07:{i // 60:02}:{i % 60:02}Z'
    "</time></trkpt>"
    for i in range(120)
)
TRACK = f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{POINTS}</trkseg></trk></gpx>'
PICKS = (
    "time,side,slant_range_m,depth_m,name\n2025-05-10T07:00:30Z,port,25.9,10.1,Stone\n"
    "2025-05-10T07:01:10Z,starboard,33,9.5,Log\n"
)
DRAWN = {
    ".gpx": FILES["gpx"], ".csv": FILES["csv"] | FILES["heights"], ".nmea": FILES["nmea"],
    ".geojson": FILES["geojson"] | zones_files(), ".kml": FILES["kml"], ".toml": FILES["toml"],
}  # fmt: skip


def call(words):
    """Run a command line; its exit code and what it printed. A command that hangs is stopped."""

    def late(*_):
        raise AssertionError(f"still at work after {SLOWEST_SECONDS} s")

    out, err = io.StringIO(), io.StringIO()
    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(SLOWEST_SECONDS)
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            pytest.raises(SystemExit) as done,
        ):
            main([str(w) for w in words])
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    return done.value.code, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """A folder with one file of each kind that commands take."""
    folder = tmp_path_factory.mktemp("shelf")
    for name in PLAIN_FILES:
        shutil.copy(SAMPLES / name, folder)
    (folder / "track.gpx").write_text(TRACK)
    (folder / "picks.csv").write_text(PICKS)
    (folder / "log.nmea").write_bytes((SAMPLES / "trip-2-log.nmea").read_bytes()[:6000])
    (folder / "layout.toml").write_text(LAYOUT)
    ramp = np.random.default_rng(3).integers(0, 255, (40, 60), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x0112] = 1
    exif.get_ifd(0x8769).update({0x9003: "2025:05:10 07:01:00", 0x9011: "+00:00"})
    Image.fromarray(ramp).save(folder / "screen.png", exif=exif)
    (folder / "empty.gpx").write_bytes(b"")
    (folder / "noise.csv").write_bytes(bytes(range(256)))
    (folder / "ünï <b>.gpx").write_text(TRACK[:2000])
    (folder / "folder.gpx").mkdir()
    book = folder / "season.gpkg"
    for words in (
        ["add", book, folder / "waypoints.gpx", folder / "old-card.gpx"],
        ["merge", book],
    ):
        code, _, err = call(["book", *words])
        assert code == 0, err
    return folder


# -- words for options -----------------------------------------------------------------------------

# Good words first, then odd ones, of which one in five calls takes some.
QUANTITIES = {
    "length": (["20m", "60ft", "2m"], ["0m", "-3m", "1e9m", "3", "nan", "1e400m", "4fm"]),
    "speed": (["4kn", "2m/s"], ["0kn", "-1kn", "1e9kn", "fast"]),
    "angle": (["20deg", "5deg"], ["0deg", "90deg", "-10deg", "400deg", "x"]),
    "time": (["10s", "30min"], ["0s", "-5s", "1e-9s", "1e300h", "soon"]),
    "mass": (["30g", "1oz"], ["0g", "-1kg", "1e99kg"]),
}
TIMES = (
    ["2025-05-10T07:01Z", "2025-05-10T12:00Z"],
    ["2025-05-10 07:01", "now", "9999-12-31T23:59Z"],
)
NAMES = (["Barge", "Saddle"], ["A", "", "=x", "<b>", "\x00", "a,b", "ff"])
TEXTS = {
    "--lat": (["-46.195", "46 12.0 S"], ["91", "nan", "", "north"]),
    "--lon": (["-21.29", "21 18.0 W"], ["181", "-180", "x"]),
    "--time": TIMES, "--at": TIMES, "--until": TIMES, "--depart": TIMES,
    "--tz": (["UTC", "Pacific/Auckland"], ["Mars/Base", "../etc/passwd", ""]),
    "--start": (["46 12.0 S, 21 18.0 W"], ["Saddle", "nowhere", "91, 181", ""]),
    "--end": (["46 11.0 S, 21 18.0 W"], ["Saddle", ""]),
    "--high": (["2025-05-10T10:19Z 1.07m"], ["10:19 1m", "x"]),
    "--low": (["2025-05-10T04:07Z -1.07m", "2025-05-10T16:32Z -1m"], ["", "-1m"]),
    "--count": (["12s 10m", "9s 8m"], ["0s 10m", "12s", "-1s -1m"]),
    "--side": (["port", "starboard"], ["left", ""]),
    "--stay-at": (["Saddle=45min"], ["A", "=", "x=-1s"]),
    "--heading": (["040", "040M"], ["361", "x"]), "--set": (["040", "130M"], ["-1", "n"]),
    "--wind-from": (["200"], ["x"]), "--adrift-to": (["055"], ["x"]), "--cast-to": (["090"], ["x"]),
    "--approach": (["090"], ["x"]), "--material": (["lead", "7800"], ["gold", "0"]),
}  # fmt: skip
OUTPUTS = ["out.gpx", "out.csv", "out.geojson", "out.gpkg", "out.kml", "out.fgb", "out.shp", "out.html",
           "out.tif", "out.toml", "out", "no/such/out.gpx", "waypoints.gpx", "folder.gpx"]  # fmt: skip
GOOD = {
    "--boat": ["tern.toml"], "--limits": ["small-plotter.toml"], "--layout": ["layout.toml"],
    "--track": ["track.gpx", "log.nmea"], "--tide": ["tides.csv"], "--levels": ["tides.csv"],
    "--zones": ["zones.geojson"], "--background": ["bank.geojson"], "--within": ["area.geojson"],
    "--water": ["area.geojson"], "--keep-out": ["zones.geojson"], "--plan": ["bank.geojson"],
    "book": ["season.gpkg"], "pictures": ["screen.png"], "picks": ["picks.csv"],
    "source": ["bank.geojson"], "tracks": ["track.gpx"], "areas": ["area.geojson"],
    "sources": ["season.gpkg", "waypoints.gpx", "old-card.gpx"],
    "files": ["waypoints.gpx", "trip-3-picks-typed.csv"],
}  # fmt: skip
RECIPES = {
    "fix": ["--track track.gpx", "--track track.gpx --boat tern.toml -o out.gpx"],
    "merge": ["", "-o out.gpx", "-o out.csv --report out.txt"],
    "export": ["-o out.gpx", "-o out.gpx --limits small-plotter.toml"],
    "map": ["-o out.html"],
    "strip": ["--layout layout.toml --track track.gpx -o out.tif"],
    "book edit": ["--note x", "--kind wreck"],
    "book visit": ["--result found", "--note x"],
    "book backup": [""],
    "run": ["--off 18m --side port", "--off 18m --side starboard -o out.gpx"],
    "zones": ["--zones zones.geojson", "--zones zones.geojson -o out.html"],
    "coverage": ["--range 30m --depth 6m", "--range 30m --depth 6m -o out.geojson"],
    "lanes": ["--range 40m --depth 6m", "--range 40m --depth 6m -o out.gpx"],
    "tide": ["--tide tides.csv", "--tide tides.csv --at 2025-05-10T12:00Z -o out.csv"],
    "beam": ["--depth 10m --range 45m", "--depth 10m --cone 20deg"],
    "hold": ["--cast 20m --set 040 --current 0.8kn", "--before 5min --adrift-to 055 --adrift 1kn"],
    "sink": ["--depth 14m --weight 30g", "--depth 14m --current 0.8kn --weight 1oz"],
    "day": ["--start -46.2,-21.3", "--start -46.2,-21.3 -o out.html --depart 2025-05-10T07:01Z"],
}
"""What makes a command do its work; every call begins from one of these."""


def commands(command, path=()):
    if path in LEFT_OUT:
        return
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            yield from commands(command.get_command(context, name), (*path, name))
    else:
        yield path, command


COMMANDS = dict(commands(cli))


def one_in(draw, number):
    return draw(st.integers(1, number)) == number


def value_of(draw, parameter, name, shelf_files, drawn):
    """Draw one word for an option or an argument."""
    kind = parameter.type
    odd = one_in(draw, 5)
    if isinstance(kind, Quantity):
        return draw(st.sampled_from(QUANTITIES[kind.dimension][odd]))
    if isinstance(kind, click.Path):
        if name in ("--output", "--report", "--map") or parameter.name.startswith("output"):
            return draw(st.sampled_from(OUTPUTS))
        good = GOOD.get(name) or GOOD.get(parameter.name) or ["waypoints.gpx", "bank.geojson"]
        return draw(st.sampled_from(shelf_files if odd else [*good * 3, *drawn]))
    if isinstance(kind, click.Choice):
        return "other" if odd else draw(st.sampled_from([*map(str, kind.choices)]))
    if isinstance(kind, click.DateTime):
        return draw(st.sampled_from(["0001-01-01", "today"] if odd else ["2025-05-10"]))
    if "int" in kind.name or "float" in kind.name:
        return draw(st.sampled_from(["0", "-1", "1e9", "nan", "x"] if odd else ["1", "0.04", "3"]))
    return draw(st.sampled_from(TEXTS.get(name, NAMES)[odd]))


@st.composite
def calls(draw, path, shelf_files):
    """Return a command line, and the drawn files that it may name."""
    command = COMMANDS[path]
    files = {}
    for ending in draw(st.lists(st.sampled_from(sorted(DRAWN)), max_size=2, unique=True)):
        files[f"drawn{ending}"] = draw(st.one_of(DRAWN[ending], damaged(DRAWN[ending])))
    named = {o: p for p in command.params if isinstance(p, click.Option) for o in p.opts}

    def told(name):
        option = named[name]
        if option.is_flag:
            return [name]
        pool = list(files)
        own = {"--boat": boat_files, "--limits": limits_files, "--layout": layout_files}.get(name)
        if own:
            files[f"own{name}.toml"] = draw(own())
            pool = [f"own{name}.toml"]
        return [name, value_of(draw, option, name, shelf_files, pool)]

    recipe = draw(st.sampled_from(RECIPES.get(" ".join(path), [""]))).split()
    for i, word in enumerate(recipe):
        if word in named and i + 1 < len(recipe) and one_in(draw, 6):
            recipe[i : i + 2] = told(word)
    words = [*path, *recipe]
    more = sorted({p.opts[-1] for p in named.values() if p.name != "debug"} - set(recipe))
    for name in draw(st.lists(st.sampled_from(more), max_size=3, unique=True)):
        words += told(name)
    words.append("--")
    for argument in [p for p in command.params if isinstance(p, click.Argument)]:
        most = 3 if argument.nargs == -1 else 1
        for _ in range(draw(st.integers(0 if one_in(draw, 9) else 1, most))):
            words.append(value_of(draw, argument, argument.name, shelf_files, list(files)))
    return words, files


COUNTS = {"book": 1, "coverage": 2, "lanes": 2, "day": 3, "strip": 3}


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_any_call_ends_in_sentences(shelf, tmp_path, monkeypatch, path):
    shelf_files = sorted(p.name for p in shelf.iterdir())

    @examples(COUNTS.get(path[0], 4))
    @given(made=calls(path, [*shelf_files, "missing.gpx"]))
    def holds(made):
        words, files = made
        folder = tmp_path / "work"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(shelf, folder)
        for name, data in files.items():
            (folder / name).write_bytes(data)
        monkeypatch.chdir(folder)
        note(" ".join(map(repr, words)))
        code, out, err = call(words)
        assert code in (0, 1, 2), code
        assert "Traceback" not in out + err
        assert "something went wrong inside" not in err, err
        assert code == 0 or (out + err).strip(), "a refusal without a sentence"
        assert str(Path(folder)) not in err, err

    holds()


def test_every_command_is_tried_or_left_out_with_a_reason():
    from athwart.cli import COMMANDS as ALL

    assert {path[0] for path in COMMANDS} | {path[0] for path in LEFT_OUT} == set(ALL)
    assert all(LEFT_OUT.values())
