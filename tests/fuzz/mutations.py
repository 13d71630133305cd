"""Seeded mutations of samples, for the short fuzz: no compiler, no engine, the same every time."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

ODD = (
    b"\x00", b"\xff", b"\xef\xbb\xbf", b"NaN", b"1e999", b"-1", b"9" * 400, b"9" * 5000, b"\r", b"\n", b'"', b"'",
    b"<", b"&", b"]]>", b"]" * 40, b"[" * 2000, b"\xed\xa0\x80", "\u202e".encode(), "é".encode("latin-1"),
)  # fmt: skip


def unescaped(words: Sequence[str]) -> list[bytes]:
    """Return dictionary words as bytes; they are written with C escapes."""
    return [w.encode().decode("unicode_escape").encode("latin-1", "replace") for w in words]


def mutated(samples: Sequence[bytes], words: Sequence[bytes], seed: int) -> Iterator[bytes]:
    """Yield endless mutations of samples: bits, pieces cut, doubled, moved, exchanged, odd bytes."""
    draw = random.Random(seed)
    while True:
        data = bytearray(draw.choice(samples))
        for _ in range(draw.choice((1, 1, 2, 3, 8))):
            at = draw.randrange(len(data) + 1)
            to = min(len(data), at + draw.choice((1, 1, 2, 4, 16, 200)))
            match draw.randrange(8):
                case 0 if data:
                    data[at % len(data)] ^= 1 << draw.randrange(8)
                case 1:
                    del data[at:to]
                case 2:
                    data[at:at] = data[at:to] * draw.choice((1, 2, 50))
                case 3:
                    del data[at:]
                case 4:
                    data[at:to] = draw.choice(ODD)
                case 5 if words:
                    data[at:at] = draw.choice(words)
                case 6:
                    other = draw.choice(samples)
                    start = draw.randrange(len(other) + 1)
                    data[at:to] = other[start : start + draw.choice((4, 30, 400))]
                case 7 if data:
                    data[at % len(data)] = draw.randrange(256)
        yield bytes(data[:64_000])
