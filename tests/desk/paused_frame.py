"""Made frames as the page would send them: the picture's bytes, a track file, and what is set."""

from __future__ import annotations

import sys
from functools import cache
from io import BytesIO
from pathlib import Path
from urllib.parse import quote

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "frame"))

from simulated import Body, Frame, scene

BODIES = tuple(
    Body(kind=kind, side=side, line=line, ground_m=ground, length_m=size, width_m=size * 0.6,
         height_m=height, strength=5.0)
    for kind, side, line, ground, size, height in (
        ("boulder", "starboard", 60, 14.0, 1.6, 1.2),
        ("boulder", "port", 140, 20.0, 1.4, 1.0),
        ("boulder", "port", 250, 11.0, 1.2, 0.9),
        ("timber", "starboard", 330, 24.0, 5.0, 0.8),
        ("boulder", "starboard", 420, 17.0, 1.5, 1.1),
        ("boulder", "port", 500, 26.0, 1.8, 1.3),
    )
)  # fmt: skip


@cache
def frame(**options) -> Frame:
    """Return a quick frame with things that stand out."""
    return scene(
        411, **{"lines": 560, "columns": 800, "bodies": BODIES, "track_hz": 1.0, **options}
    )


def png(frame: Frame) -> bytes:
    out = BytesIO()
    Image.fromarray(frame.image).save(out, "PNG")
    return out.getvalue()


def gpx(frame: Frame) -> bytes:
    t = frame.track
    points = "".join(
        f'<trkpt lat="{lat:.8f}" lon="{lon:.8f}"><time>{time}Z</time></trkpt>'
        for lat, lon, time in zip(
            t["lat"], t["lon"], np.datetime_as_string(t["time"], unit="ms"), strict=True
        )
    )
    return (
        '<?xml version="1.0"?><gpx version="1.1" creator="test" '
        'xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
        f"{points}</trkseg></trk></gpx>"
    ).encode()


def boat_toml(frame: Frame) -> bytes:
    o = frame.options
    return (
        f'name = "Tern"\n[transducer]\nforward_m = {o.lever_forward_m}\n'
        f"starboard_m = {o.lever_starboard_m}\ndepth_m = {o.transducer_depth_m}\n"
        f"[sound]\nassumed_mps = {o.sound_assumed_mps}\nwater_mps = {o.sound_true_mps}\n"
    ).encode()


def sent(page, path: str, name: str, body: bytes):
    return page.post(path, body, X_Name=quote(name), Content_Type="application/octet-stream")


def question(frame: Frame, track: str, boat: str | None = None, **more):
    return {
        "layout": frame.layout,
        "moment": {"how": "typed", "text": f"{frame.newest_time}Z", "sigma_s": 1.0},
        "place": {"how": "track", "track": track},
        "boat": boat,
        **more,
    }
