"""The figure of the page about holding: boat, cast, current, and where the lure comes down."""

from __future__ import annotations

import math

from make_figures import ACCENT, BLUE, GREEN, INK, PLACE, VERMILION, Sheet, View, metres

from athwart.geometry.geodesic import local_offsets
from athwart.plan.current import Flow
from athwart.plan.hold import Cast, Spread, Target, hold_for
from athwart.plan.sink import rate_from_counts
from athwart.units import KNOT


def draw() -> str:
    """Return the figure."""
    target = Target(lon=PLACE[0], lat=PLACE[1], spread=Spread.along(20.0, 3.4, 2.2), name="Anvil")
    flow = Flow.towards(40.0, 1.2 * KNOT.value)
    cast = Cast(length_m=24.0, sink=rate_from_counts([10.0], [12.0]), depth_m=12.0)
    hold = hold_for(target, cast, current=flow)

    def spot(lon: float, lat: float) -> tuple[float, float]:
        east, north = local_offsets(lon, lat, *PLACE)
        return float(east), float(north)

    boat, splash = spot(hold.lon, hold.lat), spot(hold.landing_lon, hold.landing_lat)
    s = Sheet(
        470,
        "Where to hold for a cast onto a mark",
        "Seen from above: a mark with its circle of R95; a boat down-current of it, bow to the "
        "current; a cast that lands up-current of the mark; and a larger circle about the mark "
        "within which the lure comes down with 95 per cent probability.",
    )
    v = View(250, 250, 9.5)
    s.head(30, f"Hold {metres(hold.from_mark_m)} from the mark, cast {metres(hold.length_m, 0)}")
    at = v.at(0, 0)
    s.oval(at, hold.r95_m * v.scale, colour=VERMILION, fill=VERMILION, opacity=0.08, dash="6 4")
    s.oval(at, hold.mark.r95_m * v.scale, colour=ACCENT, fill=ACCENT, opacity=0.12)
    s.dot(at, ACCENT)
    s.text((at[0] - 12, at[1] + 6), "mark", anchor="end", bold=True, colour=ACCENT)
    s.line([v.at(*boat), v.at(*splash)], colour=INK, width=1.8, dash="7 4")
    s.dot(v.at(*splash), INK, fill="#f7f3e8")
    s.text((v.at(*splash)[0] - 4, v.at(*splash)[1] + 26), "lands here", anchor="end")
    s.line([v.at(*splash), at], colour=BLUE, width=2.6)
    bow = math.radians(hold.bow_deg)
    hull = [
        (
            boat[0] + f * math.sin(bow) + t * math.cos(bow),
            boat[1] + f * math.cos(bow) - t * math.sin(bow),
        )
        for f, t in ((2.6, 0.0), (0.6, 1.1), (-2.4, 0.9), (-2.4, -0.9), (0.6, -1.1))
    ]
    s.line([v.at(*p) for p in hull], colour=INK, fill=GREEN, opacity=0.7, width=1.6, close=True)
    b = v.at(*boat)
    s.text((b[0] + 28, b[1] - 6), "hold here", bold=True, colour=GREEN)
    s.text((b[0] + 28, b[1] + 16), f"bow to {hold.bow_deg:03.0f}", colour=GREEN)
    x, y = 458.0, 330.0
    reach = (52 * math.sin(math.radians(40)), -52 * math.cos(math.radians(40)))
    s.line([(x, y), (x + reach[0], y + reach[1])], colour=BLUE, width=3)
    for turn in (150, -150):
        way = math.radians(40 + turn)
        tip = (x + reach[0] + 12 * math.sin(way), y + reach[1] - 12 * math.cos(way))
        s.line([(x + reach[0], y + reach[1]), tip], colour=BLUE, width=3)
    s.text((x - 8, y + 24), "current 1.2 kn", colour=BLUE)
    s.text((x - 8, y + 45), f"carries it {metres(hold.lead_m)}", colour=BLUE)
    s.text((24, 426), f"Small circle: R95 of the mark, {metres(hold.mark.r95_m)}.", colour=ACCENT)
    s.text((24, 450), f"Large circle: the lure comes down within {metres(hold.r95_m)} (95 %).",
           colour=VERMILION)  # fmt: skip
    return s.svg()
