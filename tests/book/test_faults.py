"""What a book does when something goes wrong: kills, full disks, locks, damage, newer programs.

What SQLite promises of killed programs and locks is in its own documents "Atomic Commit In SQLite"
and "File Locking And Concurrency In SQLite Version 3" (from memory); here it is tried on the book.
"""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import kill_often
import numpy as np
import pyogrio
import pytest
from make_first_schema import FIXTURE

import athwart
from athwart.book import backup, changes, checking, log, schema, store, work
from athwart.book.reading import read_book
from athwart.book.store import create, is_book, open_book
from athwart.book.undo import take_back
from athwart.cli import main
from athwart.errors import FileError

ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join(
        [str(Path(athwart.__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    ).rstrip(os.pathsep),
}
"""For other programs that are to import this very package."""
COUNT = 150
MARK = "2-5"

CSV = "lat,lon,name\n-46.1,-20.1,Stone\n-46.2,-20.2,Ledge\n"


@pytest.fixture(scope="session")
def season_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a book of a hundred sightings: two files merged, a third added and waiting."""
    path = tmp_path_factory.mktemp("season") / "season.gpkg"
    for step in kill_often.steps(path, COUNT)[:5]:
        step()
    return path


@pytest.fixture
def book(season_file: Path, tmp_path: Path) -> Path:
    """Return a copy of the season in a folder of its own."""
    folder = tmp_path / "boat"
    folder.mkdir()
    return Path(shutil.copy(season_file, folder / "season.gpkg"))


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """Return a small file of waypoints that is in no book."""
    path = tmp_path / "card.csv"
    path.write_text(CSV)
    return path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    """Run the command line; return its code and what it printed for people."""

    def call(*arguments: object) -> tuple[int, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as stopped:
            main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        text = out + err
        jargon = ("sqlite", "SQLITE", "database", "Errno")
        for word in ("Traceback", "inside athwart", *(() if "check" in arguments else jargon)):
            assert word not in text, text
        return int(stopped.value.code or 0), text

    return call


@contextmanager
def another_program(code: str, *arguments: object) -> Iterator[subprocess.Popen[str]]:
    """Let another program do something and hold on until the block ends."""
    body = f"import sys, sqlite3\n{code}\nprint('holding', flush=True)\nsys.stdin.read()\n"
    process = subprocess.Popen(
        [sys.executable, "-c", body, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "holding\n"
        yield process
    finally:
        process.stdin.close()
        process.wait(30)
        process.stdout.close()


WRITER = """
c = sqlite3.connect(sys.argv[1], isolation_level=None)
c.execute("BEGIN IMMEDIATE")
c.execute("UPDATE gpkg_contents SET last_change = '2030-01-01T00:00:00.000Z'")
"""


def hidden(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.startswith(".")]


def a_mark(book: Path) -> str:
    return str(read_book(book).marks.mark_id[0])


# -- kills ---------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="programs are killed the POSIX way")
def test_kill_at_any_moment_leaves_the_state_before_or_after(tmp_path):
    found = kill_often.kill(tmp_path, 300, 12, seed=11)
    assert found.kills == 12
    assert found.faults == []


HOT = bytes.fromhex("d9d505f920a163d7")
"""How a journal begins that must be played back (SQLite, "Database File Format", from memory)."""


def half_written(book: Path, folder: Path) -> Path:
    """Return a copy of a book as a killed program leaves it in the middle of a commit."""
    with open_book(book, write=True) as opened:
        connection = opened.connection
        connection.execute("PRAGMA cache_spill = ON")
        connection.execute("PRAGMA cache_size = 5")  # pages reach the disk before the commit
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("UPDATE marks SET note = hex(zeroblob(800))")
        connection.execute("UPDATE members SET mark = 1")
        copy = folder / book.name
        for end in ("", "-journal"):
            shutil.copy(f"{book}{end}", f"{copy}{end}")
        connection.execute("ROLLBACK")
    assert copy.read_bytes() != book.read_bytes()
    assert copy.with_name(f"{copy.name}-journal").read_bytes()[:8] == HOT
    return copy


@pytest.mark.parametrize("command", ["info", "marks", "check", "merge", "backup"])
def test_half_written_book_is_put_right_by_whoever_opens_it_first(book, tmp_path, run, command):
    before = kill_often.state(book)
    torn = half_written(book, tmp_path)
    arguments = ["info", torn] if command == "info" else ["book", command, torn]
    assert run(*arguments)[0] == 0
    assert not torn.with_name(f"{torn.name}-journal").exists()
    assert checking.check_book(torn) == []
    if command != "merge":
        assert kill_often.state(torn) == before


def test_unfinished_change_of_a_lost_book_never_runs_into_a_new_one(book, tmp_path, card, run):
    torn = half_written(book, tmp_path)
    torn.unlink()
    journal = torn.with_name(f"{torn.name}-journal")
    left = journal.read_bytes()
    code, said = run("book", "add", torn, card)
    assert code == 1
    assert "unfinished change of an earlier season.gpkg" in said
    code, said = run("book", "backup", book, "-o", torn)
    assert code == 1
    assert "unfinished change" in said
    assert journal.read_bytes() == left
    assert not torn.exists()
    journal.write_bytes(bytes(512))  # nothing had been begun: it is in nobody's way
    assert run("book", "add", torn, card)[0] == 0
    assert checking.check_book(torn) == []


def test_what_a_killed_creation_or_copy_left_is_cleared_away_and_nothing_else(book, card, run):
    folder = book.parent
    theirs = [".new.gpkg.swp", ".new.gpkg.making-notes", ".season-old.gpkg.abcdefgh", ".n"]
    for name in theirs:
        (folder / name).write_text("mine")
    left = folder / ".new.gpkg.making-0123abcd"
    left.write_bytes(b"half")
    copy = folder / ".season-backup-2025-05-01-080000.gpkg.ab_cdefg"
    copy.mkdir()
    (copy / "season-backup-2025-05-01-080000.gpkg").write_bytes(b"half")
    young = folder / ".new.gpkg.making-89abcdef"
    young.write_bytes(b"being written")
    for path in [*folder.iterdir(), *copy.iterdir()]:
        if path != young:
            os.utime(path, (0, 0))
    assert run("book", "add", folder / "new.gpkg", card)[0] == 0
    assert run("book", "backup", book)[0] == 0
    assert sorted(hidden(folder)) == sorted([*theirs, young.name])


# -- no room -------------------------------------------------------------------------------------

CHANGES = {
    "add": lambda s: work.add(s, kill_often.contents(40, 7), work.SourceFile("new", "0", 1, "gpx")),
    "merge": work.merge_book,
    "edit": lambda s: work.edit(s, a_mark(s.path), {"note": "x" * 9000}),
    "undo": take_back,
    "hand over": lambda s: work.hand_over(s, [("card.gpx", read_book(s.path).marks)]),
}


@pytest.mark.parametrize("change", [c for c in CHANGES if c != "undo"])  # undoing frees room
def test_book_that_may_not_grow_stays_as_it_was(book, change):
    """SQLite itself says that the disk is full; this works on every machine."""
    with open_book(book, write=True) as opened:
        opened.connection.execute("VACUUM")
    before = kill_often.state(book)
    with open_book(book, write=True) as opened:
        pages = opened.connection.execute("PRAGMA page_count").fetchone()[0]
        opened.connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(FileError, match=r"season\.gpkg: the disk is full; nothing was changed"):
            CHANGES[change](opened)
        assert not opened.connection.in_transaction
    assert kill_often.state(book) == before
    assert checking.check_book(book) == []
    with open_book(book, write=True) as opened:
        CHANGES[change](opened)
    assert kill_often.state(book) != before


@contextmanager
def mounted(folder: Path, *options: str) -> Iterator[Path]:
    """Mount a small file system, or skip with the reason."""
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("only root may mount a file system")
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", str(folder)],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        pytest.skip(f"no file system may be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_full_disk_is_said_in_a_sentence_and_leaves_the_state_before(
    season_file, tmp_path, card, run
):
    with mounted(tmp_path / "full", "size=2m") as folder:
        book = Path(shutil.copy(season_file, folder / "season.gpkg"))
        before = kill_often.state(book)
        filler = folder / "filler"
        with suppress(OSError), filler.open("wb", buffering=0) as handle:
            while True:
                handle.write(bytes(4096))
        for arguments in (
            ("add", book, card),
            ("add", folder / "new.gpkg", card),
            ("merge", book),
            ("edit", book, MARK, "--note", "x" * 5000),
            ("undo", book),
            ("backup", book),
        ):
            code, said = run("book", *arguments)
            assert code == 1, arguments
            assert "the disk is full" in said, said
            assert len(said.strip().splitlines()) == 1
        # The file for the plotter is what was asked for: it stands, and the lack is said.
        code, said = run("export", book, "-o", tmp_path / "card.gpx")
        assert code == 0
        assert "so the book will not know these marks" in said
        assert "the disk is full" in said
        assert (tmp_path / "card.gpx").exists()
        assert sorted(p.name for p in folder.iterdir()) == ["filler", "season.gpkg"]
        assert kill_often.state(book) == before
        assert checking.check_book(book) == []
        filler.unlink()
        assert run("book", "merge", book)[0] == 0
        assert kill_often.state(book) != before


@pytest.mark.skipif(sys.platform == "win32", reason="file sizes are limited by POSIX alone")
@pytest.mark.parametrize("command", ["backup", "add"])
def test_copy_or_new_book_that_cannot_be_written_whole_is_not_there(book, card, command):
    folder = book.parent
    asked = {"backup": ["backup", book], "add": ["add", folder / "new.gpkg", card]}[command]
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000));"
        "from athwart.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "book", *map(str, asked)],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
    )
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1
    assert "could not be" in done.stderr
    assert [p.name for p in folder.iterdir()] == ["season.gpkg"]


# -- not ours to write, or not a book --------------------------------------------------------------

WRITES = {
    "add": lambda book, card: ("book", "add", book, card),
    "merge": lambda book, card: ("book", "merge", book),
    "edit": lambda book, card: ("book", "edit", book, MARK, "--note", "x"),
    "undo": lambda book, card: ("book", "undo", book),
}
READS = {
    "marks": lambda book, card: ("book", "marks", book),
    "log": lambda book, card: ("book", "log", book),
    "check": lambda book, card: ("book", "check", book),
    "backup": lambda book, card: ("book", "backup", book, "-o", card.with_name("copy.gpkg")),
    "info": lambda book, card: ("info", book),
}


def refused(run, book: Path, card: Path, words: str, codes: tuple[int, ...] = (1, 2)) -> None:
    """See that every command refuses a file in one sentence and leaves it alone."""
    was = book.read_bytes() if book.is_file() else None
    for name, asked in {**WRITES, **READS}.items():
        if name == "info":
            continue
        if name == "add" and not os.path.lexists(book):
            continue
        code, said = run(*asked(book, card))
        assert code in codes, (name, said)
        assert words in said, (name, said)
        assert len(said.strip().splitlines()) == 1, (name, said)
    code, said = run("info", book)
    assert code in (1, 2), said
    assert not card.with_name("copy.gpkg").exists()
    assert (book.read_bytes() if book.is_file() else None) == was


def test_missing_book_and_missing_folder_are_said(tmp_path, card, run):
    refused(run, tmp_path / "none.gpkg", card, "there is no such book (athwart book add makes one)")
    missing = tmp_path / "gone" / "season.gpkg"
    code, said = run("book", "add", missing, card)
    assert code == 1
    assert "does not exist; make it first" in said


def test_folder_is_no_book(tmp_path, card, run):
    (tmp_path / "season.gpkg").mkdir()
    refused(run, tmp_path / "season.gpkg", card, "is a folder; give the name of a book")


def test_text_is_no_book(tmp_path, card, run):
    path = tmp_path / "season.gpkg"
    path.write_text("my marks\n" * 900)
    refused(run, path, card, "the file is not a book")


def test_empty_file_is_no_book(tmp_path, card, run):
    path = tmp_path / "season.gpkg"
    path.touch()
    refused(run, path, card, "the file is empty")


def test_geopackage_without_a_book_is_no_book_and_is_left_alone(tmp_path, card, run):
    path = tmp_path / "bays.gpkg"
    pyogrio.raw.write(
        path,
        geometry=np.array([b"\x01\x01\x00\x00\x00" + bytes(16)], dtype=object),
        field_data=[np.array(["a"], dtype=object)],
        fields=["name"],
        geometry_type="Point",
        crs="EPSG:4326",
        driver="GPKG",
        layer="bays",
    )
    was = path.read_bytes()
    assert not is_book(path)
    for asked in (WRITES["add"], WRITES["merge"], READS["marks"], READS["check"]):
        code, said = run(*asked(path, card))
        assert code == 1
        assert "the file is not a book" in said
    assert path.read_bytes() == was


def test_truncated_book_is_refused(book, card, run):
    book.write_bytes(book.read_bytes()[: book.stat().st_size // 2])
    refused(run, book, card, "the book is damaged; go back to a backup", (1,))


@pytest.mark.parametrize("seed", [0, 1])
def test_noise_over_pages_is_found_and_never_breaks_the_program(book, card, run, seed):
    noise = np.random.default_rng(seed)
    raw = np.frombuffer(book.read_bytes(), np.uint8).copy().reshape(-1, 4096)
    hit = noise.choice(np.arange(1, len(raw)), size=len(raw) // 4, replace=False)
    raw[hit] = noise.integers(0, 256, (len(hit), 4096), dtype=np.uint8)
    book.write_bytes(raw.tobytes())
    code, said = run("book", "check", book)
    assert code == 1
    assert "season.gpkg" in said
    for name, asked in {**READS, **WRITES}.items():
        if name == "info" and b"book_settings" not in raw.tobytes():
            continue  # nothing in the file tells that it was a book
        code, said = run(*asked(book, card))
        assert code in (0, 1)
    assert run(*READS["backup"](book, card))[0] == 1
    assert not card.with_name("copy.gpkg").exists()


@pytest.mark.parametrize("seed", [1, 5, 7])
def test_scattered_noise_never_breaks_the_program(book, card, run, seed):
    noise = np.random.default_rng(seed)
    raw = bytearray(book.read_bytes())
    for _ in range(noise.integers(1, 6)):
        size = int(noise.choice([1, 8, 64, 512]))
        at = int(noise.integers(100, len(raw) - size))
        raw[at : at + size] = noise.bytes(size)
    for name, asked in {**READS, **WRITES}.items():
        if name == "info" and b"book_settings" not in raw:
            continue  # nothing in the file tells that it was a book
        book.write_bytes(raw)
        assert run(*asked(book, card))[0] in (0, 1)


DAMAGE = {
    "tracks": ("UPDATE tracks SET arrays = substr(arrays, 1, 99)", "info", "a track or route"),
    "marks": ("UPDATE marks SET geom = x'00'", "marks", "a place in the book cannot be read"),
    "log": ("UPDATE log SET way_back = x'00'", "undo", "has lost its way back"),
    "settings": ("DELETE FROM book_settings", "merge", "does not say which schema it has"),
    "table": ("DROP TABLE members", "merge", "the book could not be used (no such table: members"),
}


@pytest.mark.parametrize("what", DAMAGE)
def test_damaged_values_are_said_and_found_by_check(book, card, run, what):
    sql, command, words = DAMAGE[what]
    connection = sqlite3.connect(book, isolation_level=None)
    for (name,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute(sql)
    connection.close()
    was = book.read_bytes()
    code, said = run(*{**READS, **WRITES}[command](book, card))
    assert code == 1
    assert words in said, said
    for asked in {**READS, **WRITES}.values():
        run(*asked(book, card))
    book.write_bytes(was)
    assert run("book", "check", book)[0] == 1


def test_noise_in_the_names_of_tables_is_damage(book, card, run):
    raw = book.read_bytes()
    assert raw.count(b"tablemembersmembers") == 1  # its row in the list of tables
    raw = raw.replace(b"tablemembersmembers", b"table\x8e\xffmbers\x8e\xffmbers")
    book.write_bytes(raw.replace(b"CREATE TABLE members", b"\x8e\xff" * 10))
    refused(run, book, card, "the book is damaged; go back to a backup", (1,))


def refuses_writing(run, book: Path, card: Path) -> None:
    was = book.read_bytes()
    for name, asked in WRITES.items():
        code, said = run(*asked(book, card))
        assert code == 1, (name, said)
        assert "cannot be written to; nothing was changed" in said, (name, said)
    for name, asked in READS.items():
        assert run(*asked(book, card))[0] == 0, name
    assert book.read_bytes() == was


def test_book_on_a_disk_that_may_not_be_written_can_be_read(season_file, tmp_path, card, run):
    with mounted(tmp_path / "locked", "size=2m") as folder:
        book = Path(shutil.copy(season_file, folder / "season.gpkg"))
        subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
        refuses_writing(run, book, card)
        code, said = run("book", "add", folder / "new.gpkg", card)
        assert code == 1
        assert "the book could not be made: read-only file system" in said
        code, said = run("book", "backup", book)
        assert code == 1
        assert "cannot be written to" in said


@contextmanager
def locked_file(book: Path) -> Iterator[None]:
    """Take away the right to write one file; root is stopped by a mount of it alone."""
    if os.geteuid() != 0:
        book.chmod(0o444)
        yield
        book.chmod(0o644)
        return
    if subprocess.run(["mount", "--bind", str(book), str(book)], capture_output=True).returncode:
        pytest.skip("root may write everything, and no file may be mounted here")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", str(book)], check=True)
        yield
    finally:
        subprocess.run(["umount", "-l", str(book)], check=True)


def test_who_reads_cannot_write_not_even_into_an_older_book_in_memory(book, newer, monkeypatch):
    for version in (schema.VERSION, schema.VERSION - 2):
        monkeypatch.setattr(schema, "VERSION", version)
        with open_book(book) as opened, pytest.raises(sqlite3.OperationalError, match="readonly"):
            opened.connection.execute("DELETE FROM members")


@pytest.mark.skipif(os.name != "posix", reason="rights are set the POSIX way")
def test_book_that_may_not_be_written_can_be_read(book, card, run):
    with locked_file(book):
        refuses_writing(run, book, card)


def test_half_written_book_that_may_not_be_put_right_is_said(book, tmp_path, run):
    with mounted(tmp_path / "locked", "size=4m") as folder:
        torn = half_written(book, folder)
        subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
        for command in ("marks", "merge"):
            code, said = run("book", command, torn)
            assert code == 1
            assert "where you may write" in said


# -- others at the book ----------------------------------------------------------------------------


@pytest.mark.parametrize("change", CHANGES)
def test_second_writer_waits_for_a_bounded_time_and_says_so(book, change):
    before = kill_often.state(book)
    with (
        another_program(WRITER, book),
        open_book(book, write=True, wait_s=0.1) as opened,
        pytest.raises(FileError, match=r"another program is using the book \(waited 0.1 s\); noth"),
    ):
        CHANGES[change](opened)
    assert kill_often.state(book) == before


def test_second_writer_goes_on_when_the_first_is_done(book):
    code = f"{WRITER}\nimport threading\nthreading.Timer(0.3, lambda: c.execute('COMMIT')).start()"
    code = code.replace("isolation_level=None", "isolation_level=None, check_same_thread=False")
    with another_program(code, book), open_book(book, write=True) as opened:
        work.edit(opened, a_mark(book), {"note": "both are here"})
    with open_book(book) as opened, opened.reading() as connection:
        assert connection.execute(
            "SELECT count(*) FROM gpkg_contents WHERE last_change LIKE '2030%'"
        ).fetchone()[0]
        assert connection.execute(
            "SELECT count(*) FROM marks WHERE note = 'both are here'"
        ).fetchone() == (1,)
    assert checking.check_book(book) == []


def test_two_programs_that_add_at_once_to_no_book_lose_nothing(tmp_path, card):
    other = tmp_path / "other.csv"
    other.write_text(CSV.replace("46.1", "46.3").replace("46.2", "46.4"))
    book = tmp_path / "season.gpkg"
    both = [
        subprocess.Popen(
            [sys.executable, "-m", "athwart", "book", "add", str(book), str(file)],
            env=ENVIRONMENT,
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        for file in (card, other)
    ]
    said = [p.communicate()[1].decode() for p in both]
    assert [p.returncode for p in both] == [0, 0], said
    assert read_book(book).counts["waiting"] == 4
    assert checking.check_book(book) == []


LONG = """
from pathlib import Path
from athwart.book.store import open_book
book = open_book(Path(sys.argv[1]), write=True)
held = book.writing()
c = held.__enter__()
c.execute("PRAGMA cache_size = 5")  # a change that is larger than what is kept in memory
c.execute("UPDATE marks SET note = hex(zeroblob(800))")
"""


def test_readers_see_the_state_before_while_a_change_is_made(book, card, run, monkeypatch):
    monkeypatch.setattr(store, "WAIT_S", 0.0)  # they do not wait at all
    _, before = run("book", "marks", book)
    with another_program(LONG, book):
        assert run("book", "marks", book) == (0, before)
        assert run("info", book)[0] == 0
        assert run("book", "log", book)[0] == 0
        assert run("map", book, "-o", card.with_name("map.html"))[0] == 0
        assert run("book", "backup", book, "-o", card.with_name("copy.gpkg"))[0] == 0
    assert kill_often.state(card.with_name("copy.gpkg")) == kill_often.state(book)


def test_readers_wait_for_a_bounded_time_while_a_change_is_flushed(book, run, monkeypatch):
    monkeypatch.setattr(store, "WAIT_S", 0.05)
    with another_program(WRITER.replace("IMMEDIATE", "EXCLUSIVE"), book):
        for command in ("marks", "backup", "check"):
            code, said = run("book", command, book)
            assert code == 1
            assert "another program is using the book (waited 0.1 s); try again" in said
            assert "nothing was changed" not in said
    assert run("book", "marks", book)[0] == 0


def test_copying_waits_for_a_bounded_time_too(book):
    with (
        open_book(book, wait_s=0.05) as opened,
        another_program(WRITER.replace("IMMEDIATE", "EXCLUSIVE"), book),
        pytest.raises(FileError, match="another program is using the book"),
    ):
        backup.copy_aside(opened, "aside")
    assert [p.name for p in book.parent.iterdir()] == ["season.gpkg"]


GIS = """
import fiona
rows = iter(fiona.open(sys.argv[1], layer="sightings"))
next(rows)
"""


def test_gis_that_reads_a_layer_keeps_changes_out_with_a_sentence_and_lets_them_in_after(book):
    before = kill_often.state(book)
    with another_program(GIS, book):
        assert kill_often.state(book) == before
        with (
            open_book(book, write=True, wait_s=0.1) as opened,
            pytest.raises(FileError, match="another program is using the book"),
        ):
            work.merge_book(opened)
        assert kill_often.state(book) == before
    with open_book(book, write=True) as opened:
        work.merge_book(opened)
    assert checking.check_book(book) == []


WAL = """
c = sqlite3.connect(sys.argv[1], isolation_level=None)
c.execute("PRAGMA journal_mode = WAL")
c.execute("BEGIN")
seen = c.execute("SELECT count(*) FROM marks").fetchone()
"""


def test_book_open_in_another_program_with_a_write_ahead_log_takes_changes(book, card, run):
    with another_program(WAL, book):
        assert run("book", "add", book, card)[0] == 0
        assert run("book", "merge", book)[0] == 0
        assert run("book", "backup", book, "-o", card.with_name("copy.gpkg"))[0] == 0
        assert checking.check_book(book) == []
        inside = kill_often.state(book)
    assert kill_often.state(book) == inside
    assert kill_often.state(card.with_name("copy.gpkg")) == inside
    assert sorted(p.name for p in card.parent.glob("copy*")) == ["copy.gpkg"]
    assert card.with_name("copy.gpkg").read_bytes()[18:20] == b"\x01\x01"  # no write-ahead log


def test_book_left_with_a_write_ahead_log_becomes_one_file_again(book, tmp_path, run):
    connection = sqlite3.connect(book, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE scratch (a)")
    connection.execute("DROP TABLE scratch")
    left = tmp_path / "left.gpkg"  # as the other program leaves it when it is killed
    for end in ("", "-wal"):
        shutil.copy(f"{book}{end}", f"{left}{end}")
    connection.close()
    assert run("book", "marks", left)[0] == 0
    assert run("book", "merge", left)[0] == 0
    assert [p.name for p in tmp_path.glob("left*")] == ["left.gpkg"]
    with sqlite3.connect(left) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    connection.close()
    assert checking.check_book(left) == []


# -- Ctrl-C and the clock --------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["adding", "the spatial index", "the log", "making the book"])
def test_ctrl_c_leaves_the_state_before(book, card, run, monkeypatch, where):
    def stop(*_: object, **__: object) -> None:
        held = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may ignore it
        try:
            signal.raise_signal(signal.SIGINT)
        finally:
            signal.signal(signal.SIGINT, held)

    before = kill_often.state(book)
    target = book
    if where == "adding":
        monkeypatch.setattr(work, "add_lines", stop)
    elif where == "the spatial index":
        import fudgeo.extension.spatial as spatial

        monkeypatch.setitem(spatial.ST_FUNCS, "ST_MinX", stop)
    elif where == "the log":
        monkeypatch.setattr(changes.Changes, "finish", stop)
    else:
        target = book.with_name("new.gpkg")
        monkeypatch.setattr(store, "_put", stop)
    code, said = run("book", "add", target, card)
    assert code == 130
    assert "stopped" in said
    assert [p.name for p in book.parent.iterdir()] == ["season.gpkg"]
    assert kill_often.state(book) == before


def test_ctrl_c_ends_the_waiting_for_another_program(book, monkeypatch):
    monkeypatch.setattr(store, "WAIT_S", 60.0)
    told: list[str] = []

    def stop(text: str) -> None:
        told.append(text)
        raise KeyboardInterrupt

    before = kill_often.state(book)
    with another_program(WRITER, book), open_book(book, write=True) as opened:
        opened.told = stop
        with pytest.raises(KeyboardInterrupt):
            work.merge_book(opened)
    assert told == ["waiting for another program to finish with season.gpkg"]
    assert kill_often.state(book) == before


def test_clock_that_jumps_back_does_not_change_the_order_of_the_log(book, run, monkeypatch):
    monkeypatch.setattr(log, "now", lambda: "1999-12-31T23:59:59.000Z")
    with open_book(book, write=True) as opened:
        work.edit(opened, a_mark(book), {"note": "from another century"})
        with opened.reading() as connection:
            told = log.entries(connection)
    assert [e.number for e in told] == list(range(1, len(told) + 1))
    assert told[-1].time < told[0].time
    _, said = run("book", "undo", book)
    assert f"took back entry {len(told)} (edit)" in said
    assert checking.check_book(book) == []


# -- schemas -----------------------------------------------------------------------------------------


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """Return a copy of a book of the first schema."""
    return Path(shutil.copy(FIXTURE, tmp_path / "first.gpkg"))


def test_newer_schema_is_refused(book, card, run):
    with sqlite3.connect(book) as connection:
        connection.execute(
            "UPDATE book_settings SET value = ? WHERE key = 'schema'", (schema.VERSION + 1,)
        )
    connection.close()
    refused(run, book, card, f"(schema {schema.VERSION + 1}, this one knows {schema.VERSION}); upd")
    assert is_book(book)


def test_first_schema_opens_sound_and_goes_on(first, card, run):
    assert FIXTURE.stat().st_size < 400_000
    assert checking.check_book(first) == []
    found = read_book(first, with_private=True)
    counts = {n: found.counts[n] for n in ("marks", "sightings", "waiting", "visits", "tracks")}
    assert counts == {"marks": 5, "sightings": 7, "waiting": 1, "visits": 1, "tracks": 1}
    assert "Old chimney" in found.marks.name
    with open_book(first) as opened, opened.reading() as connection:
        whats = [e.what for e in log.entries(connection)]
    assert whats == [
        "add",
        "add",
        "merge",
        "edit",
        "apart",
        "visit",
        "export",
        "edit",
        "undo",
        "add",
    ]
    assert run("book", "add", first, card)[0] == 0
    assert run("book", "merge", first)[0] == 0
    found = read_book(first, with_private=True)
    assert found.counts["waiting"] == 0
    assert found.counts["sightings"] == 10
    assert "Old chimney" in found.marks.name
    for _ in range(3):
        assert run("book", "undo", first)[0] == 0
    assert checking.check_book(first) == []


def test_schema_does_not_change_under_its_number(tmp_path):
    if schema.VERSION != 1:
        pytest.skip("the program makes books of a newer schema by now")

    def laid(path: Path) -> list[tuple[str, ...]]:
        with sqlite3.connect(path) as connection:
            found = connection.execute(
                "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"
            ).fetchall()
        connection.close()
        return found

    create(tmp_path / "new.gpkg")
    assert laid(tmp_path / "new.gpkg") == laid(FIXTURE), (
        "the tables have changed: give schema.VERSION the next number and write a migration "
        "(before the first release: remake the fixture with make_first_schema.py)"
    )


@pytest.fixture
def newer(monkeypatch) -> list[int]:
    """Let the program know a schema two steps on; return the steps that were taken."""
    taken: list[int] = []
    start = schema.VERSION

    def step(number: int):
        def run(connection: sqlite3.Connection) -> None:
            assert connection.in_transaction
            taken.append(number)
            connection.execute(
                "INSERT INTO book_settings (key, value) VALUES (?, 'taken')", (f"step {number}",)
            )

        return run

    monkeypatch.setattr(schema, "VERSION", start + 2)
    monkeypatch.setattr(schema, "MIGRATIONS", {start: step(start), start + 1: step(start + 1)})
    return taken


def settings(path: Path) -> dict[str, str]:
    with sqlite3.connect(path) as connection:
        found = dict(connection.execute("SELECT key, value FROM book_settings").fetchall())
    connection.close()
    return found


def test_older_schema_is_read_without_touching_the_file(book, newer, run):
    was = book.read_bytes()
    for command in ("marks", "log"):
        assert run("book", command, book)[0] == 0
    start = schema.VERSION - 2
    assert newer == [start, start + 1] * 2
    assert book.read_bytes() == was
    assert [p.name for p in book.parent.iterdir()] == ["season.gpkg"]


def test_older_schema_is_brought_up_to_date_in_order_by_the_first_change(book, newer, run):
    was = settings(book)
    start = schema.VERSION - 2
    with open_book(book, write=True) as opened:
        assert opened.words == [
            f"the book was brought from schema {start} to {start + 2}; as it was it is kept as "
            f"season-schema-{start}.gpkg"
        ]
        work.merge_book(opened)
    assert newer == [start, start + 1]
    now = settings(book)
    assert now == {
        **was, "schema": str(start + 2), f"step {start}": "taken", f"step {start + 1}": "taken"
    }  # fmt: skip
    assert settings(book.with_name(f"season-schema-{start}.gpkg")) == was
    assert checking.check_book(book) == []
    assert run("book", "marks", book)[0] == 0
    assert newer == [start, start + 1]


def test_migration_that_fails_leaves_the_book_as_it_was(book, newer, card, run, monkeypatch):
    start = schema.VERSION - 2

    def fails(connection: sqlite3.Connection) -> None:
        connection.execute("DROP TABLE members")
        raise sqlite3.OperationalError("no such table: nowhere")

    monkeypatch.setitem(schema.MIGRATIONS, start + 1, fails)
    was = book.read_bytes()
    for command in ("merge", "marks"):
        code, said = run("book", command, book)
        assert code == 1
        assert "the book could not be used (no such table: nowhere)" in said
    assert newer == [start, start]
    assert book.read_bytes() == was
    assert [p.name for p in book.parent.iterdir()] == ["season.gpkg"]


def test_backup_is_whole_sound_and_named_by_the_day(book, run):
    assert run("book", "backup", book)[0] == 0
    (copy,) = book.parent.glob("season-backup-*.gpkg")
    assert kill_often.state(copy) == kill_often.state(book)
    assert checking.check_book(copy) == []
    code, said = run("book", "backup", book, "-o", book, "--overwrite")
    assert code == 1
    assert "is the book itself" in said
    with pytest.raises(FileError, match=r"must end in \.gpkg"):
        backup.back_up(book, book.with_suffix(".bak"))
    with pytest.raises(FileError, match="the file exists; give another name"):
        create(book)
    with pytest.raises(FileError, match=r"its name must end in \.gpkg"):
        create(book.with_suffix(".db"))
