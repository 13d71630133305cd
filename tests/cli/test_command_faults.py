"""Every command that writes, when something goes wrong: whole files or none, a sentence, a code.

Exit code 130 after Ctrl-C is 128 and the number of the signal, as in POSIX shells (from memory).
"""

from __future__ import annotations

import gc
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

import athwart

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))

SAMPLES = Path(athwart.__file__).parents[2] / "sample_gpx"
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join(
        [str(Path(athwart.__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    ).rstrip(os.pathsep),
}
HOLD = "hold Anvil waypoints.gpx --cast 20m --set 040 --current 0.8kn --count 12s=10m --depth 9m"
DAY = "day waypoints.gpx --start ANVIL --marks Barge,Saddle --depart 2025-06-01T10:30Z --one-way"

WRITING = {
    "fix": "fix trip-1-picks.csv --track trip-1-track.gpx --boat tern.toml -o OUT.geojson",
    "merge": "merge waypoints.gpx old-card.gpx -o OUT.gpx --report OUT.csv",
    "export": "export waypoints.gpx -o OUT.gpx --limits small-plotter.toml --clean",
    "merge, table": "merge waypoints.gpx -o OUT.csv",
    "map": "map waypoints.gpx -o OUT.html",
    "strip": "strip pause.png --layout pause.layout.toml --track pause.gpx --boat pause.toml "
    "--time TIME -o OUT.tif",
    "coverage": "coverage trip-2-log.nmea --range 45m -o OUT.geojson",
    "lanes": "lanes area.geojson --range 60m --depth 15m -o OUT.gpkg",
    "run": "run bank.geojson --off 18m --side starboard --turn 12m --speed 2kn -o OUT.gpx",
    "tide": "tide --tide tides.csv --at 2025-06-01T09:00Z --until 2025-06-01T18:00Z -o OUT.csv",
    "hold": f"{HOLD} -o OUT.kml",
    "day": f"{DAY} -o OUT.html",
    "zones": "zones waypoints.gpx --zones zones.geojson -o OUT.kml",
    "backup": "book backup season.gpkg -o OUT.gpkg",
}
"""A line for each command that writes a file, run in a folder of samples; OUT is where to."""

CHANGING = {
    "add": "book add season.gpkg card.csv",
    "edit": "book edit season.gpkg Anvil --note again",
    "visit": "book visit season.gpkg Anvil --result 2-fish",
    "undo": "book undo season.gpkg",
    "merge": "book merge season.gpkg --all",
    "same": "book same season.gpkg Anvil Saddle",
    "apart": "book apart season.gpkg Anvil Saddle",
}
PRINTING = {
    "info": "info waypoints.gpx trip-1-track.gpx --json",
    "marks": "book marks season.gpkg",
    "why": "book why season.gpkg Anvil",
    "log": "book log season.gpkg",
    "check": "book check season.gpkg",
    "zones": "zones waypoints.gpx --zones zones.geojson",
    "beam": "beam --depth 10m --cone 20deg",
    "sink": "sink --count 9s=10m --depth 14m",
    "fix, one": "fix --lat 55 --lon 12 --heading 40 --side port --slant-range 70ft --depth 14ft",
    "help": "--help",
}


@pytest.fixture(scope="module")
def samples(tmp_path_factory):
    """Return a folder with the samples, a paused screen and a book; tests leave it as it is."""
    from paused_frame import boat_toml, frame, gpx, png

    from athwart.cli import main

    folder = tmp_path_factory.mktemp("samples", numbered=True)
    for path in SAMPLES.iterdir():
        if path.is_file():
            shutil.copy(path, folder)
    made = frame()
    (folder / "pause.png").write_bytes(png(made))
    (folder / "pause.layout.toml").write_text(made.layout_toml, encoding="utf-8")
    (folder / "pause.gpx").write_bytes(gpx(made))
    (folder / "pause.toml").write_bytes(boat_toml(made))
    (folder / "pause.time").write_text(f"{made.newest_time}Z")
    (folder / "card.csv").write_text("lat,lon,name\n-46.1,-20.1,Stone\n")
    for words in (["add", folder / "season.gpkg", folder / "waypoints.gpx"],
                  ["merge", folder / "season.gpkg"]):  # fmt: skip
        with pytest.raises(SystemExit) as done:
            main(["book", *map(str, words)])
        assert not done.value.code
    return folder


@pytest.fixture
def there(samples, monkeypatch):
    """Stand in the folder of samples; whatever a test leaves in it is a fault of the test's."""
    monkeypatch.chdir(samples)
    return samples


def words_of(line, out="OUT"):
    time = Path("pause.time").read_text() if "TIME" in line else ""
    words = [w.replace("OUT", str(out)).replace("TIME", time) for w in line.split()]
    return [w.replace("=", " ") if w[0].isdigit() else w for w in words]


def names(folder):
    return sorted(p.name for p in Path(folder).iterdir())


@pytest.mark.parametrize("line", WRITING.values(), ids=WRITING)
def test_command_writes_what_it_is_asked_for_and_nothing_beside_it(there, tmp_path, run, line):
    before = names(there)
    code, _, err = run(*words_of(line, tmp_path / "out"))
    assert code == 0, err
    asked = {w.replace("OUT", "out") for w in line.split() if w.startswith("OUT.")}
    assert asked <= set(names(tmp_path))
    assert not [n for n in names(tmp_path) if n.startswith(".")]
    assert names(there) == before


@pytest.mark.parametrize("line", WRITING.values(), ids=WRITING)
def test_folder_that_is_not_there_or_not_ours_is_named_and_left_alone(there, tmp_path, run, line):
    folders = [tmp_path / "no such"]
    if sys.platform == "linux":
        folders.append(Path("/sys/kernel"))  # where not even root may make a file
    for folder in folders:
        code, _, err = run(*words_of(line, folder / "out"))
        assert code == 1, err
        assert str(folder) in err or "read-only" in err
        assert "out" in err
    assert names(tmp_path) == []


@contextmanager
def no_room(size=300):
    """Let no file grow over so many bytes: what the system answers is what a full disk answers.

    For no longer than a command lasts, since pytest's own report may go to a file.
    """
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("line", WRITING.values(), ids=WRITING)
def test_full_disk_leaves_the_old_file_and_no_half_one(there, tmp_path, run, line):
    old = {w: b"precious" for w in line.split() if w.startswith("OUT.")}
    for name, text in old.items():
        (tmp_path / name.replace("OUT", "out")).write_bytes(text)
    with no_room():
        code, _, err = run(*words_of(line, tmp_path / "out"), "--overwrite")
    assert code == 1, err
    assert "could not be" in err.strip().splitlines()[-1]
    for name, text in old.items():
        assert (tmp_path / name.replace("OUT", "out")).read_bytes() == text
    assert len(names(tmp_path)) == len(old)


@pytest.mark.parametrize(
    "ending", ["csv", "tsv", "geojson", "gpkg", "kml", "fgb", "shp", "SHP", "json"]
)
def test_full_disk_is_met_in_every_format(there, tmp_path, run, ending):
    """GDAL says nothing of what fails when it closes a file: KML and FlatGeobuf are made then."""
    with no_room():
        code, _, err = run("merge", "waypoints.gpx", "-o", tmp_path / f"out.{ending}")
    assert code == 1
    assert "could not be written" in err
    assert names(tmp_path) == []


@pytest.mark.parametrize("kilobytes", [200, 500])
def test_full_disk_in_the_middle_of_the_demo_leaves_whole_files_and_a_way_on(
    tmp_path, run, kilobytes
):
    """Later files of the demo are larger: the book stops it as it grows, then the map."""
    with no_room(300 + 1000 * kilobytes):
        code, _, err = run("demo", "-o", tmp_path / "out")
    assert code == 1
    last = err.strip().splitlines()[-1]
    assert re.search("could not be|disk (is|may be) full", last), last
    left = names(tmp_path / "out")
    assert not [name for name in left if name.startswith(".") or name.endswith("-journal")]
    assert "marks.html" not in left
    assert run("demo", "-o", tmp_path / "out", "--overwrite")[0] == 0


# -- Ctrl-C ----------------------------------------------------------------------------------------


@pytest.fixture
def interrupted():
    """Return a function that lets Ctrl-C come after some seconds, if a command still runs then."""
    from athwart import cli

    if not hasattr(signal, "setitimer"):
        pytest.skip("this system has no timer that signals")

    def press(_, frame):
        while frame is not None:
            if frame.f_code is cli._run.__code__:
                signal.getsignal(signal.SIGINT)(signal.SIGINT, frame)
            frame = frame.f_back

    callbacks = gc.callbacks[:]  # hypothesis has one, in which Python drops an interrupt
    gc.callbacks.clear()
    before = signal.signal(signal.SIGALRM, press)
    # What runs the tests may ignore Ctrl-C.
    listens = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield lambda seconds: signal.setitimer(signal.ITIMER_REAL, seconds)
    signal.setitimer(signal.ITIMER_REAL, 0)
    signal.signal(signal.SIGALRM, before)
    signal.signal(signal.SIGINT, listens)
    gc.callbacks.extend(callbacks)


# Python drops an interrupt that comes while an object is cleared away; the command goes on then.
DROPPED = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


@DROPPED
@pytest.mark.parametrize("line", WRITING.values(), ids=WRITING)
def test_ctrl_c_at_any_moment_leaves_all_of_a_file_or_none(there, tmp_path, run, interrupted, line):
    target = tmp_path / "out"
    started = time.perf_counter()
    assert run(*words_of(line, target))[0] == 0
    lasts = time.perf_counter() - started
    whole = {p.name: p.stat().st_size for p in tmp_path.iterdir()}
    before = names(there)
    for part in (0.15, 0.5, 0.8, 0.95):
        for name in whole:
            (tmp_path / name).unlink(missing_ok=True)
        interrupted(lasts * part)
        code, _, err = run(*words_of(line, target))
        interrupted(0)
        assert code in (0, 130), err
        assert code == 0 or err.strip().splitlines()[-1] == "stopped"
        for path in tmp_path.iterdir():
            assert path.name in whole
            assert path.stat().st_size > 0.9 * whole[path.name]
        assert names(there) == before


@pytest.mark.parametrize("more", [[], ["--debug"]])
def test_ctrl_c_that_a_library_turns_into_a_fault_is_still_ctrl_c(
    there, run, interrupted, monkeypatch, more
):
    """numpy's comparison of structured arrays raises TypeError in place of the interrupt."""
    from athwart.cli.info_command import command

    def swallowed(**_):
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise TypeError("cannot compare structured arrays") from None

    monkeypatch.setattr(command, "callback", swallowed)
    code, out, err = run("info", "waypoints.gpx", *more)
    assert (code, out, err) == (130, "", "stopped\n")
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@DROPPED
@pytest.mark.parametrize("line", CHANGING.values(), ids=CHANGING)
def test_ctrl_c_in_a_change_of_a_book_leaves_it_sound(there, tmp_path, run, interrupted, line):
    from athwart.book.checking import check_book

    for part in (0.02, 0.05, 0.08):
        book = Path(shutil.copy("season.gpkg", tmp_path / "season.gpkg"))
        interrupted(part)
        code, _, err = run(*[str(book) if w == "season.gpkg" else w for w in line.split()])
        interrupted(0)
        assert code in (0, 130), err
        assert check_book(book) == []
        assert names(tmp_path) == ["season.gpkg"]


HEARING = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)
import runpy
runpy.run_module("athwart", run_name="__main__")
"""


@contextmanager
def program(*words, start=HEARING):
    """Start athwart as a program of its own; it ends with the test, whatever the test finds.

    Whatever runs the tests may ignore Ctrl-C (a shell does for what it runs behind itself), and a
    program inherits that.
    """
    with subprocess.Popen(
        [sys.executable, "-c", start, *words],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env=ENVIRONMENT, text=True,
    ) as started:  # fmt: skip
        try:
            yield started
        finally:
            if started.poll() is None:
                started.kill()


@DROPPED
def test_ctrl_c_in_the_demo_leaves_whole_files_and_a_way_on(tmp_path, run, interrupted):
    from athwart.book.checking import check_book

    started = time.perf_counter()
    assert run("demo", "-o", tmp_path / "whole")[0] == 0
    lasts = time.perf_counter() - started
    whole = {p.name: p.stat().st_size for p in (tmp_path / "whole").iterdir()}
    folder = tmp_path / "out"
    for part in (0.2, 0.8):
        interrupted(lasts * part)
        code, _, err = run("demo", "-o", folder, "--overwrite")
        interrupted(0)
        assert code in (0, 130), err
        assert code == 0 or err.strip().splitlines()[-1] == "stopped"
        for path in folder.iterdir():
            if path.suffix == ".gpkg":
                assert check_book(path) == []
            else:
                assert path.stat().st_size > 0.9 * whole[path.name]
    assert run("demo", "-o", folder, "--overwrite")[0] == 0
    assert names(folder) == sorted(whole)


def test_ctrl_c_while_the_program_is_loaded_is_no_fault():
    """Key and load meet at the first library: what was not loaded yet cannot print a sentence."""
    pressed = """
import sys
class Pressed:
    def find_spec(self, name, *rest):
        if name == "click":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Pressed())
"""
    with program("--help", start=pressed + HEARING) as helping:
        out, err = helping.communicate(timeout=60)
    assert (helping.returncode, out, err) == (130, "", "stopped\n")


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent the POSIX way")
def test_a_real_ctrl_c_closes_the_desk_while_it_merges(there, tmp_path):
    from page import Page

    from athwart.book.checking import check_book
    from athwart.desk.guard import COOKIE

    book = Path(shutil.copy("season.gpkg", tmp_path / "season.gpkg"))
    with program("desk", str(book), "--no-open") as desk:
        told = re.search(r":(\d+)/\?token=(\S+)", desk.stderr.readline())
        page = Page(int(told[1]), None, f"{COOKIE}={told[2]}")
        for _ in range(200):
            try:
                assert page.post("/api/merge", {"all": True}).status == 200
                break
            except OSError:  # it does not listen yet
                time.sleep(0.02)
        desk.send_signal(signal.SIGINT)
        out, err = desk.communicate(timeout=60)
    assert desk.returncode == 130, err
    assert err.strip().splitlines()[-1] == "stopped"
    assert "Traceback" not in out + err
    assert check_book(book) == []
    assert names(tmp_path) == ["season.gpkg"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent the POSIX way")
def test_a_real_ctrl_c_ends_a_long_command_with_130(there, tmp_path):
    rows = "".join(
        f"{-46 - k // 500 * 1e-3:.3f},{-20 - k % 500 * 2e-3:.3f},Stone {k}\n"
        for k in range(200_000)
    )
    (tmp_path / "many.csv").write_text(f"lat,lon,name\n{rows}")
    with program("merge", str(tmp_path / "many.csv"), "-o", str(tmp_path / "out.gpx")) as merging:
        time.sleep(1.5)
        merging.send_signal(signal.SIGINT)
        out, err = merging.communicate(timeout=60)
    assert merging.returncode == 130, err
    assert "stopped" in err
    assert "Traceback" not in out + err
    assert names(tmp_path) == ["many.csv"]


# -- whoever reads our output has seen enough -----------------------------------------------------


class _Gone:
    """A stream whose reader has gone away."""

    encoding = "utf-8"

    def write(self, text):
        raise BrokenPipeError(32, "Broken pipe")

    def flush(self):
        pass

    def fileno(self):
        raise OSError("no file")


@pytest.mark.parametrize("line", {**PRINTING, **WRITING}.values(), ids={**PRINTING, **WRITING})
def test_reader_that_has_gone_is_no_fault_and_what_was_asked_for_is_written(
    there, tmp_path, monkeypatch, capsys, line
):
    from athwart.cli import main

    monkeypatch.setattr(sys, "stdout", _Gone())
    with pytest.raises(SystemExit) as done:
        main(words_of(line, tmp_path / "out"))
    assert not done.value.code
    assert "Traceback" not in capsys.readouterr().err
    asked = {w.replace("OUT", "out") for w in line.split() if w.startswith("OUT.")}
    assert asked <= set(names(tmp_path))


@pytest.mark.skipif(sys.platform == "win32", reason="pipes are POSIX")
def test_a_real_pipe_that_is_closed_ends_the_program_in_silence(there):
    with program("info", "waypoints.gpx", "--json") as told:
        told.stdout.close()
        assert told.stderr.read() == ""
        assert told.wait(60) == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full")
def test_output_onto_a_full_disk_is_said():
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "athwart", "beam", "--depth", "10m", "--cone", "20deg"],
            stdout=full, stderr=subprocess.PIPE, env=ENVIRONMENT, text=True,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("the disk is full")


# -- other clocks, languages and names -------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="zones are set the POSIX way")
def test_clock_and_language_of_the_machine_change_nothing(there, run):
    words = words_of(DAY.replace("--one-way", "--one-way --json --tz Pacific/Auckland"))
    environment = {**ENVIRONMENT, "TZ": "Pacific/Chatham", "LC_ALL": "C", "LANG": "C"}
    done = subprocess.run(
        [sys.executable, "-m", "athwart", *words],
        env=environment, capture_output=True, encoding="utf-8",
    )  # fmt: skip
    assert (done.returncode, done.stdout) == run(*words)[:2]


@pytest.mark.parametrize("name", ["a b", "ночь 夜", "-dash", "a'b\"", "100%", "#1?x=y&z"])
def test_files_of_any_name_are_read_and_written(tmp_path, monkeypatch, run, name):
    monkeypatch.chdir(tmp_path)
    rows = ["lat,lon,name,time", "-46.1,-20.1,C:\\x.gpx,2099-01-01T00:00:00Z"]
    Path(f"{name}.csv").write_bytes("\r\n".join([*rows, ""]).encode())
    os.utime(f"{name}.csv", (4e9, 4e9))  # saved when the clock stood in another century
    for ending in ("gpx", "geojson", "html"):
        job = "map" if ending == "html" else "merge"
        code, _, err = run(job, "-o", f"{name}.{ending}", "--", f"{name}.csv")
        assert code == 0, err
    assert "C:\\x.gpx" in Path(f"{name}.gpx").read_text(encoding="utf-8")


@pytest.mark.parametrize("words", [("book", "marks", "\0"), ("map", "a.gpx", "-o", "\0.html")])
def test_a_word_that_holds_code_0_is_refused(run, words):
    code, _, err = run(*words)
    assert code == 2
    assert "the character of code 0" in err
