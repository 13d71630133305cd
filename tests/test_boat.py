import math

import pytest

from athwart.boat import Boat
from athwart.errors import FileError

GOOD = """
name = "Heron"
time_zone = "Pacific/Chatham"
units = "feet"
clock_offset_s = -2.5
[transducer]
forward_m = -3.2
depth_m = 0.4
depth_below = "surface"
[sound]
temperature_c = 12.0
salinity_gkg = 0.0
[compass]
deviation = [[0, 1.5], [180, -2]]
[error]
heading_deg = 5
"""


def write(tmp_path, text):
    path = tmp_path / "boat.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_boat_file_is_read(tmp_path):
    boat = Boat.from_toml(write(tmp_path, GOOD))
    assert (boat.name, boat.units, boat.clock_offset_s) == ("Heron", "feet", -2.5)
    assert (boat.lever_forward_m, boat.transducer_depth_m) == (-3.2, 0.4)
    assert boat.budget.heading_deg == 5.0
    assert boat.deviation == ((0.0, 1.5), (180.0, -2.0))
    ratio, sigma = boat.sound_ratio()
    # Marczak 1997, fresh water at 12 degC, computed from the published coefficients: 1455.1 m/s.
    assert float(ratio) * 1500 == pytest.approx(1455.1, abs=0.5)
    assert float(sigma) < 0.01


def test_unknown_water_leaves_a_scale_error():
    ratio, sigma = Boat().sound_ratio()
    assert (float(ratio), float(sigma)) == (1.0, 0.02)
    assert math.isnan(Boat().transducer_depth_m)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nmae = 'x'", "no entry 'nmae'; known are name"),
        ("[transducer]\nforwards = 1", "no entry 'forwards'"),
        ("[engine]\na = 1", r"no table \[engine\]"),
        ("units = 'yards'", "allowed is metric, feet, fathoms"),
        ("clock_offset_s = '2'", "a number from"),
        ("clock_offset_s = nan", "a number from"),
        ("sides_exchanged = 1", "true or false"),
        ("time_zone = 'Mars/Olympus'", "is unknown"),
        ("[sound]\nwater_mps = 15", "1300 to 1700"),
        ("[sound]\nwater_mps = 1480\ntemperature_c = 3", "keep one way"),
        ("[compass]\ndeviation = [[0]]", "list of pairs"),
        ("[compass]\ndeviation = [[0, 1], [360, 2]]", "one heading twice"),
        ("[error]\nheading_deg = -1", "0 or more"),
        ("[error]\nheadings = 1", "no entry 'headings'"),
        ("name = ", "not a valid TOML"),
    ],
)
def test_a_slip_of_the_pen_is_refused(tmp_path, text, words):
    with pytest.raises(FileError, match=words):
        Boat.from_toml(write(tmp_path, text))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        Boat.from_toml(tmp_path / "none.toml")
