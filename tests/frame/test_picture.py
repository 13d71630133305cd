"""Reading pictures: grey, upright, with their time; what is hostile or damaged is refused."""

import contextlib
import hashlib
import io
import struct
import sys
import zlib

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from athwart.errors import FileError
from athwart.frame.picture import COLOURED, read_picture

RAMP = np.tile(np.arange(0, 240, 4, dtype=np.uint8), (40, 1))  # 40 rows, 60 columns


def packed(image, format="PNG", **rest):
    out = io.BytesIO()
    image.save(out, format, **rest)
    return out.getvalue()


def exif(taken=None, offset=None, orientation=None, subsecond=None):
    data = Image.Exif()
    if orientation:
        data[0x0112] = orientation
    own = data.get_ifd(0x8769)
    for tag, value in ((0x9003, taken), (0x9011, offset), (0x9291, subsecond)):
        if value is not None:
            own[tag] = value
    return data


@pytest.mark.parametrize("format", ["PNG", "BMP", "TIFF", "GIF"])
def test_grey_comes_as_shares_of_white(tmp_path, format):
    path = tmp_path / "screen.any"
    path.write_bytes(packed(Image.fromarray(RAMP), format))
    picture = read_picture(path)
    assert picture.gray.dtype == np.float32
    assert (picture.width, picture.height) == (60, 40)
    assert picture.gray == pytest.approx(RAMP / 255.0, abs=1e-6)
    assert picture.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert np.isnat(picture.taken)
    assert not picture.taken_zone_known
    assert picture.words == ()


def test_jpeg_is_read_to_within_its_loss():
    picture = read_picture(packed(Image.fromarray(RAMP), "JPEG", quality=95))
    assert picture.gray == pytest.approx(RAMP / 255.0, abs=0.02)


def test_sixteen_bits_keep_their_shades():
    deep = (RAMP.astype(np.uint16) << 8) + 3
    picture = read_picture(packed(Image.fromarray(deep)))
    assert picture.gray == pytest.approx(deep / 65535.0, abs=1e-6)


def test_two_shades_palette_and_cmyk_are_read():
    bits = Image.fromarray(RAMP > 100)
    assert read_picture(packed(bits)).gray == pytest.approx((RAMP > 100).astype(float))
    palette = Image.fromarray(RAMP).convert("RGB").quantize(64)
    assert read_picture(packed(palette)).gray == pytest.approx(RAMP / 255, abs=0.02)
    cmyk = Image.fromarray(RAMP).convert("CMYK")
    assert read_picture(packed(cmyk, "TIFF")).gray == pytest.approx(RAMP / 255, abs=0.02)


def test_what_is_transparent_is_black():
    layers = np.dstack([RAMP, RAMP, RAMP, np.full_like(RAMP, 255)])
    layers[:10, :, 3] = 0
    picture = read_picture(packed(Image.fromarray(layers)))
    assert (picture.gray[:10] == 0).all()
    assert picture.gray[10:] == pytest.approx(RAMP[10:] / 255, abs=1e-6)
    picture = read_picture(packed(Image.fromarray(layers[..., 2:])))
    assert (picture.gray[:10] == 0).all()


def test_colour_becomes_luma_and_it_is_said():
    """ITU-R BT.601: Y = 0.299 R + 0.587 G + 0.114 B (from memory)."""
    flat = np.zeros((20, 30, 3), np.uint8)
    flat[:, :10, 0] = flat[:, 10:20, 1] = flat[:, 20:, 2] = 255
    picture = read_picture(packed(Image.fromarray(flat)))
    assert picture.gray[0, [0, 10, 20]] == pytest.approx([0.299, 0.587, 0.114], abs=0.003)
    assert picture.words == (COLOURED,)


def test_a_coloured_cursor_makes_no_coloured_picture():
    layers = np.dstack([RAMP] * 3)
    layers[5:8, 5:8] = (255, 0, 0)
    assert read_picture(packed(Image.fromarray(layers))).words == ()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_camera_s_orientation_is_honoured(orientation):
    """EXIF: orientation says at which corner of the scene row 0 and column 0 lie (from memory)."""
    upright = np.zeros((40, 60), np.uint8)
    upright[:20, :30] = 250  # bright at the top left
    upright[:20, 30:] = 120
    stored = {
        1: lambda a: a,
        2: np.fliplr,
        3: lambda a: np.rot90(a, 2),
        4: np.flipud,
        5: np.transpose,
        6: lambda a: np.rot90(a, 1),
        7: lambda a: np.rot90(a, 2).T,
        8: lambda a: np.rot90(a, -1),
    }[orientation](upright)
    data = packed(
        Image.fromarray(np.ascontiguousarray(stored)), "PNG", exif=exif(orientation=orientation)
    )
    picture = read_picture(data)
    assert picture.gray == pytest.approx(upright / 255, abs=1e-6)


@pytest.mark.parametrize(
    ("taken", "offset", "expected", "known"),
    [
        ("2031:05:11 11:40:12", "+02:00", "2031-05-11T09:40:12", True),
        ("2031:05:11 01:10:00", "-05:30", "2031-05-11T06:40:00", True),
        ("2031:05:11 11:40:12", None, "2031-05-11T11:40:12", False),
        ("2031:05:11 11:40:12", "summer", "2031-05-11T11:40:12", False),
        ("0000:00:00 00:00:00", None, "NaT", False),
        ("0001:01:01 00:00:00", "+02:00", "NaT", False),
        ("2031:13:41 11:40:12", "+02:00", "NaT", False),
        ("<b>now</b>", "+02:00", "NaT", False),
    ],
)
def test_the_time_comes_from_the_camera(taken, offset, expected, known):
    data = packed(Image.fromarray(RAMP), "JPEG", exif=exif(taken, offset))
    picture = read_picture(data)
    assert str(picture.taken).removesuffix(".000000") == expected
    assert picture.taken_zone_known is known


def test_parts_of_a_second_count():
    data = packed(
        Image.fromarray(RAMP), "JPEG", exif=exif("2031:05:11 11:40:12", "+02:00", None, "25")
    )
    assert read_picture(data).taken == np.datetime64("2031-05-11T09:40:12.250")


def test_heic_is_read():
    heif = pytest.importorskip("pillow_heif", reason="the extra package for HEIC is not installed")
    out = io.BytesIO()
    turned = Image.fromarray(np.ascontiguousarray(np.rot90(RAMP))).convert("RGB")
    heif.from_pillow(turned).save(
        out, quality=95, exif=exif("2031:05:11 11:40:12", "+02:00", orientation=6).tobytes()
    )
    picture = read_picture(out.getvalue())
    assert picture.gray == pytest.approx(RAMP / 255, abs=0.06)
    assert picture.taken == np.datetime64("2031-05-11T09:40:12")


def test_heic_without_its_package_says_what_to_do(monkeypatch):
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    data = struct.pack(">I", 24) + b"ftypheic" + bytes(100)
    with pytest.raises(FileError, match=r"photo\.heic: is in HEIC format.*athwart\[heic\]"):
        read_picture(data, name="photo.heic")


# ---- hostile and damaged ----------------------------------------------------------------------


def png_of(width, height):
    """A PNG that claims a size and holds next to nothing."""

    def chunk(kind, body):
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes(100_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("width", "height", "sentence"),
    [
        (20_000, 10_000, "more than 179 million pixels; allowed are 60 million"),
        (10_000, 7_000, "has 70 million pixels; allowed are 60 million"),
        (60_000, 60_000, "more than 179 million pixels; allowed are 60 million"),
    ],
)
def test_a_picture_that_would_swell_is_refused(width, height, sentence):
    with pytest.raises(FileError, match=sentence):
        read_picture(png_of(width, height))


def test_the_limits_may_be_set():
    data = packed(Image.fromarray(RAMP))
    with pytest.raises(FileError, match=r"has 0\.0024 million pixels"):
        read_picture(data, max_pixels=2399)
    with pytest.raises(FileError, match="is larger than 5e-05 MB; save the picture smaller"):
        read_picture(data, max_bytes=50)
    assert read_picture(data, max_pixels=2400, max_bytes=len(data)).width == 60


def test_files_that_are_no_pictures_are_refused(tmp_path):
    with pytest.raises(FileError, match="picture: is empty"):
        read_picture(b"")
    with pytest.raises(FileError, match="is not a picture that can be read"):
        read_picture(b"<html><script>alert(1)</script></html>")
    with pytest.raises(FileError, match="is not a picture that can be read"):
        read_picture(b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n")
    with pytest.raises(FileError, match=r"gone\.png: cannot be read"):
        read_picture(tmp_path / "gone.png")
    with pytest.raises(FileError, match="cannot be read"):
        read_picture(tmp_path)


def test_measured_numbers_are_no_picture():
    numbers = Image.fromarray(np.linspace(-1, 1, 600, dtype=np.float32).reshape(20, 30))
    with pytest.raises(FileError, match="holds measured numbers and no shades"):
        read_picture(packed(numbers, "TIFF"))


@pytest.mark.parametrize("format", ["PNG", "JPEG", "TIFF", "BMP", "WEBP"])
@pytest.mark.parametrize("share", [0.2, 0.6, 0.95])
def test_a_cut_off_file_is_refused(format, share):
    noise = np.random.default_rng(5).integers(0, 255, (200, 300), np.uint8)
    data = packed(Image.fromarray(noise), format)
    with pytest.raises(FileError, match=r"is damaged or cut off|is not a picture"):
        read_picture(data[: int(len(data) * share)])


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_damage_is_refused_in_a_sentence_or_read(data):
    format = data.draw(st.sampled_from(["PNG", "JPEG", "TIFF", "GIF", "WEBP", "PPM"]))
    image = Image.fromarray(RAMP)
    raw = bytearray(
        packed(
            image,
            format,
            **(
                {"exif": exif("2031:05:11 11:40:12", "+02:00", 6)}
                if format in ("PNG", "JPEG")
                else {}
            ),
        )
    )
    for _ in range(data.draw(st.integers(1, 6))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(FileError):  # anything else fails
        picture = read_picture(bytes(raw))
        assert np.isfinite(picture.gray).all()
        assert picture.gray.min() >= 0
        assert picture.gray.max() <= 1


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "P", "1", "I;16"])
@pytest.mark.parametrize("orientation", [1, 6])
def test_a_picture_in_many_bands_is_the_picture_in_one(monkeypatch, mode, orientation):
    if mode == "I;16":
        image = Image.fromarray(RAMP.astype(np.uint16) << 8)
    else:
        image = Image.fromarray(np.dstack([RAMP, RAMP[::-1], RAMP[:, ::-1]])).convert(mode)
    data = packed(image, exif=exif(orientation=orientation))
    whole = read_picture(data)
    monkeypatch.setattr("athwart.frame.picture._BAND_PIXELS", 400)
    banded = read_picture(data)
    np.testing.assert_array_equal(banded.gray, whole.gray)
    assert banded.words == whole.words
