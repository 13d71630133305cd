"""Lines, areas and pictures in the book."""

import numpy as np
import pytest
import shapely

from athwart.book import checking, store, undo
from athwart.book.drawn import PictureFacts, Shape, add_picture, add_shapes, shapes_of
from athwart.book.log import new_entry
from athwart.errors import DataError

LEDGE = Shape(
    lon=np.array([12.0, 12.001, 12.002]),
    lat=np.array([54.0, 54.0005, 54.0004]),
    r95_m=np.array([6.0, 6.5, 7.25]),
    x=np.array([10.5, 80.0, 120.25]),
    y=np.array([300.0, 310.0, 320.0]),
    name="Long step",
    kind="ledge",
    time=np.datetime64("2026-05-03T06:12:30.123456", "us"),
)
WEED = Shape(
    lon=np.array([12.0, 12.001, 12.002]),
    lat=np.array([54.0, 54.0005, 54.0]),
    r95_m=np.array([6.0, 6.5, 7.0]),
    x=np.array([1.0, 2.0, 3.0]),
    y=np.array([1.0, 2.0, 3.0]),
    area=True,
    kind="weed",
    private=True,
)
PICTURE = PictureFacts(
    name="pause.png",
    sha256="ab" * 32,
    width_px=800,
    height_px=480,
    layout="range_m = 30\n",
    newest_time=np.datetime64("2026-05-03T06:12:30", "us"),
    time_sigma_s=10.0,
)


@pytest.fixture
def book(tmp_path):
    path = tmp_path / "season.gpkg"
    store.create(path)
    with store.open_book(path, write=True) as opened:
        yield opened


def draw(book, shapes, picture=PICTURE):
    with book.writing() as connection, new_entry(connection, "add", "pause.png") as draft:
        add_picture(draft.changes, picture, 0)
        return add_shapes(draft.changes, shapes, "pause.png", 0)


def test_what_was_drawn_comes_back_as_it_was(book):
    assert draw(book, [LEDGE, WEED]).new == 2
    with book.reading() as connection:
        ledge, weed = shapes_of(connection, with_private=True)
    for got, put in ((ledge, LEDGE), (weed, WEED)):
        for name in ("lon", "lat", "r95_m", "x", "y"):
            np.testing.assert_array_equal(getattr(got, name), getattr(put, name))
        assert (got.name, got.kind, got.area, got.private) == (
            put.name, put.kind, put.area, put.private,
        )  # fmt: skip
    assert ledge.time == LEDGE.time
    assert np.isnat(weed.time)


def test_private_shapes_stay_out(book):
    draw(book, [LEDGE, WEED])
    with book.reading() as connection:
        assert [s.kind for s in shapes_of(connection)] == ["ledge"]


def test_the_same_drawing_adds_nothing_twice(book):
    draw(book, [LEDGE])
    with book.reading() as connection:
        before = checking.dump(connection)
    assert draw(book, [LEDGE]).new == 0
    with book.reading() as connection:
        assert checking.dump(connection) == before


def test_the_book_stays_sound_and_gdal_reads_the_shapes(book):
    import pyogrio

    draw(book, [LEDGE, WEED])
    assert checking.check_book(book.path) == []
    frame = pyogrio.read_dataframe(book.path, layer="shapes")
    assert frame.geometry.geom_type.tolist() == ["LineString", "Polygon"]
    # Both by shapely: the corners that went in, in order.
    assert frame.geometry[0].equals(shapely.LineString(np.stack([LEDGE.lon, LEDGE.lat], 1)))
    assert frame.geometry[1].equals(shapely.Polygon(np.stack([WEED.lon, WEED.lat], 1)))


def test_taking_back_leaves_nothing(book):
    with book.reading() as connection:
        before = checking.dump(connection)
    draw(book, [LEDGE, WEED])
    undo.take_back(book)
    with book.reading() as connection:
        assert checking.dump(connection) == before


def test_too_few_corners_are_refused(book):
    def cut(shape, n, area):
        values = {k: getattr(shape, k)[:n] for k in ("lon", "lat", "r95_m", "x", "y")}
        return Shape(**values, area=area)

    with pytest.raises(DataError, match="a line needs 2 corners or more; it has 1"):
        draw(book, [cut(LEDGE, 1, False)])
    with pytest.raises(DataError, match="an area needs 3 corners or more; it has 2"):
        draw(book, [cut(LEDGE, 2, True)])
