"""Marks and days made up for tests."""

import numpy as np

from athwart.geometry.plane import LocalPlane
from athwart.plan.day import Pace, Place
from athwart.plan.days_work import plan_day
from athwart.tables import Marks
from athwart.units import KNOT

PLACE = (-21.3, -46.2)
LEAVE = np.datetime64("2025-06-01T10:00", "us")


def marks_at(points, place=PLACE, extra=None, **columns):
    """Marks at points (east, north) in metres about a place."""
    plane = LocalPlane(*place)
    lon, lat = plane.to_earth(*np.array(points, float).T)
    n = len(points)
    values = {
        "mark_id": np.array([f"{i:08x}" for i in range(n)], dtype=object),
        "name": np.array([f"Mark {i}" for i in range(n)], dtype=object),
        "kind": np.array(["rock"] * n, dtype=object),
        "lon": lon,
        "lat": lat,
        "r95_m": 5.0,
        "sightings": 1,
        "trips": 1,
        **columns,
    }
    return Marks.from_columns(values, extra=extra)


def place_at(east, north, name="ramp", place=PLACE):
    lon, lat = LocalPlane(*place).to_earth(east, north)
    return Place(float(lon), float(lat), name)


def a_day(points=((0, 1000), (800, 1500), (900, 200)), start=(0, 0), place=PLACE, **more):
    """A day through marks at points; keywords that belong to marks go to them."""
    columns = {
        k: more.pop(k)
        for k in ("name", "kind", "hazard", "note", "r95_m", "extra", "depth_m")
        if k in more
    }
    marks = more.pop("marks", None)
    if marks is None:
        marks = marks_at(points, place, **columns)
    more.setdefault("pace", Pace(speed_mps=5 * KNOT.value))
    more.setdefault("depart", LEAVE)
    return plan_day(marks, place_at(*start, place=place), **more)
