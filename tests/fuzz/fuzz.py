"""Coverage-guided fuzzing of one reader, by hand; needs atheris (PyPI, wheels for Linux).

    python tests/fuzz/fuzz.py gpx --seconds 3600

Inputs grow from the samples of `oracles`; what breaks a promise of a reader is written into the
folder of findings, one file for each place that broke, and the run goes on. The corpus is kept, so
that a later run goes on from it. The last lines say how far the run came. A finding is judged by

    python tests/fuzz/fuzz.py gpx --again findings/gpx-...
"""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import re
import shutil
import subprocess
import sys
import tempfile
import traceback
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

NAMES = ("gpx", "csv", "nmea", "toml", "picture", "geojson", "kml", "heights")
ENGINE_MEMORY_MB = 4000
SLOWEST_SECONDS = 30


def main() -> int:
    """Run one target and say how far it came."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("target", choices=NAMES)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--most-bytes", type=int, default=8000)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "athwart-fuzz")
    parser.add_argument("--again", type=Path, help="judge one file, with a traceback")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.again:
        return _again(given.target, given.again)
    if given.inside:
        _inside(given)
    return _watch(given)


def _again(target: str, path: Path) -> int:
    from oracles import TARGETS, judge

    with tempfile.TemporaryDirectory() as folder:
        was_read = judge(TARGETS[target], path.read_bytes(), Path(folder))
    print("read" if was_read else "refused")
    return 0


def _watch(given: argparse.Namespace) -> int:
    """Run the engine in a process of its own, which a decoder in C may bring down."""
    began = {p.name for p in _findings(given).glob("*")}
    words = [sys.executable, __file__, *sys.argv[1:], "--inside"]
    first = last = counts = ""
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True, errors="replace") as engine:
        assert engine.stderr is not None
        tail = []
        for line in engine.stderr:
            if re.match(r"#\d+\s+(?:INITED|DONE|NEW|REDUCE|pulse|RELOAD)", line):
                first = line if "INITED" in line or not first else first
                last = line
            elif line.startswith("counts:"):
                counts = line
            else:
                tail = [*tail[-30:], line]
    found = sorted(p.name for p in _findings(given).glob("*") if p.name not in began)
    print(f"{given.target}: began {first.strip()}")
    print(f"{given.target}: ended {last.strip()}")
    print(f"{given.target}: {counts.strip()}")
    print(f"{given.target}: {len(found)} findings {found}")
    if engine.returncode:
        print("".join(tail), f"the engine stopped with {engine.returncode}", sep="")
    return 1 if found or engine.returncode else 0


def _findings(given: argparse.Namespace) -> Path:
    folder: Path = given.folder / "findings" / given.target
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _inside(given: argparse.Namespace) -> None:
    import atheris

    with atheris.instrument_imports(include=["athwart", "PIL", "csv", "tomllib"]):
        from oracles import TARGETS, judge
        from PIL import Image

        import athwart.formats
        import athwart.frame

        Image.init()
        for room in (athwart.formats, athwart.frame):  # what loads later would not be watched
            for module in pkgutil.iter_modules(room.__path__, f"{room.__name__}."):
                importlib.import_module(module.name)
    target = TARGETS[given.target]
    corpus = given.folder / "corpus" / given.target
    corpus.mkdir(parents=True, exist_ok=True)
    for i, data in enumerate(target.samples()):
        (corpus / f"sample-{i}").write_bytes(data)
    words = given.folder / f"{given.target}.dict"
    words.write_text("".join(f'"{_escaped(w)}"\n' for w in target.words))
    fast = "/dev/shm" if os.access("/dev/shm", os.W_OK) else tempfile.gettempdir()
    scratch = Path(fast) / "athwart-fuzz" / given.target  # the engine never returns to tidy up
    shutil.rmtree(scratch, ignore_errors=True)  # of a run that was ended from outside
    scratch.mkdir(parents=True)
    seen: set[str] = set()
    counts = {"read": 0, "refused": 0, "broken": 0}

    def one(data: bytes) -> None:
        try:
            counts["read" if judge(target, data, scratch) else "refused"] += 1
        except Exception as error:
            counts["broken"] += 1
            where = traceback.extract_tb(error.__traceback__)
            ours = [f for f in where if "athwart" in Path(f.filename).parts] or where[:3]
            key = f"{type(error).__name__}-{Path(ours[-1].filename).stem}-{ours[-1].lineno}"
            key += "-" + re.sub(r"[^a-z]+", "-", str(error).lower())[:40]
            if key not in seen:
                seen.add(key)
                (_findings(given) / key).write_bytes(data)
        if sum(counts.values()) % 500 == 0:
            print(f"counts: {counts}", file=sys.stderr, flush=True)

    engine = [
        sys.argv[0],
        f"-max_total_time={given.seconds}",
        f"-seed={given.seed}",
        f"-max_len={given.most_bytes}",
        f"-rss_limit_mb={ENGINE_MEMORY_MB}",
        f"-timeout={SLOWEST_SECONDS}",
        f"-dict={words}",
        f"-artifact_prefix={_findings(given)}/engine-",
        "-print_final_stats=1",
        str(corpus),
    ]
    atheris.Setup(engine, one)
    atheris.Fuzz()


def _escaped(word: str) -> str:
    """Return a word as the engine's dictionary has it: ASCII, quotes and other bytes escaped."""
    data = word.encode().decode("unicode_escape").encode("latin-1", "replace")
    return "".join(chr(b) if 32 <= b < 127 and b not in b'"\\' else f"\\x{b:02x}" for b in data)


if __name__ == "__main__":
    sys.exit(main())
