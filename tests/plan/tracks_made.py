"""Tracks run in a plane's metres, as the sonar's boat would record them."""

import numpy as np

from athwart.geometry.plane import LocalPlane
from athwart.tables import Track

START = np.datetime64("2026-05-01T06:00", "us")


def track(x, y, *, heading=None, depth=6.0, speed=2.0, lon=12.0, lat=55.0, time=None, **more):
    """Return a track through points in metres about a place, at a speed unless times are given."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    if time is None:
        step = np.hypot(np.diff(x), np.diff(y))
        time = np.concatenate([[0.0], np.cumsum(step)]) / speed
    columns = dict(zip(("lon", "lat"), LocalPlane(lon, lat).to_earth(x, y), strict=True))
    columns["time"] = START + np.rint(np.asarray(time) * 1e6).astype("timedelta64[us]")
    if depth is not None:
        columns["depth_m"] = np.broadcast_to(np.asarray(depth, float), x.shape)
    if heading is not None:
        columns["heading_deg"] = np.broadcast_to(np.asarray(heading, float), x.shape) % 360.0
    return Track.from_columns(columns | more)


def straight(length=400.0, course=0.0, *, step=4.0, across=0.0):
    """Return x and y of a straight run through the origin, moved to starboard by ``across``."""
    s = np.linspace(-length / 2, length / 2, round(length / step) + 1)
    angle = np.radians(course)
    return (
        s * np.sin(angle) + across * np.cos(angle),
        s * np.cos(angle) - across * np.sin(angle),
    )


def wandering(n, *, step=5.0, seed=1, turn=2.0, size=2000.0):
    """Return x, y and heading of a boat that wanders about in a box, turning gently."""
    rng = np.random.default_rng(seed)
    x, y, heading = np.zeros(n), np.zeros(n), np.full(n, 17.0)
    rate = 0.0
    for i in range(1, n):
        rate = 0.9 * rate + rng.normal(0, turn * 0.4)
        home = np.degrees(np.arctan2(-x[i - 1], -y[i - 1]))
        if max(abs(x[i - 1]), abs(y[i - 1])) > size / 2:
            rate = np.clip((home - heading[i - 1] + 180) % 360 - 180, -turn, turn)
        heading[i] = heading[i - 1] + np.clip(rate, -turn, turn)
        x[i] = x[i - 1] + step * np.sin(np.radians(heading[i]))
        y[i] = y[i - 1] + step * np.cos(np.radians(heading[i]))
    return x, y, heading
