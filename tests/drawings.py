"""What every figure of the documentation is held to."""

import re
from xml.etree import ElementTree

import numpy as np

SVG = "{http://www.w3.org/2000/svg}"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def assert_same_drawing(old, new):
    """Two texts of a figure agree; another processor may round the last digit, 0.1, the other way."""
    assert NUMBER.sub("0", old) == NUMBER.sub("0", new)
    a, b = ([float(v) for v in NUMBER.findall(text)] for text in (old, new))
    np.testing.assert_allclose(a, b, rtol=0, atol=0.101)


def assert_names_itself(path):
    """A figure says what it shows, brings its ground and asks for nothing."""
    root = ElementTree.parse(path).getroot()
    title, desc, ground = list(root)[:3]
    assert title.tag == f"{SVG}title"
    assert desc.tag == f"{SVG}desc"
    assert len(title.text) > 10
    assert len(desc.text) > 60
    assert (ground.tag, ground.get("width")) == (f"{SVG}rect", root.get("width"))
    assert "href" not in path.read_text(encoding="utf-8")
    assert not {e.tag for e in root.iter()} & {f"{SVG}script", f"{SVG}image", f"{SVG}style"}


def assert_words_can_be_read(path):
    """Words stay on the page and are large enough on a telephone."""
    root = ElementTree.parse(path).getroot()
    width, height, base = (float(root.get(k)) for k in ("width", "height", "font-size"))
    for t in root.iter(f"{SVG}text"):
        size = float(t.get("font-size", base))
        # 343 px is what a page leaves of a screen of 375 px.
        assert size * 343 / width > 9.5, t.text
        assert size < float(t.get("y")) < height, t.text
        if t.get("transform") is None:
            x, long = float(t.get("x")), 0.5 * size * len(t.text)
            start = (
                x - {"start": 0.0, "middle": 0.5, "end": 1.0}[t.get("text-anchor", "start")] * long
            )
            assert start > -1, t.text
            assert start + long < width + 1, t.text
