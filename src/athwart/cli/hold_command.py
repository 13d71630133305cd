"""``athwart hold``: where to hold the boat for a cast, and where a drift over a mark starts."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    print_json,
    read_options,
    say,
    show,
    shown_units,
)
from athwart.cli.planned import plan_output, read_zones, write_plan, zones_option
from athwart.cli.sinking import SinkChoice, sink_options
from athwart.errors import UsageError
from athwart.progress import Progress
from athwart.units import (
    parse_position,
)

if TYPE_CHECKING:
    from athwart.plan.hold import Drift, Hold, Target
    from athwart.tables import Marks


@click.command("hold", short_help="Where to hold for a cast, and where a drift over a mark starts.")
@click.argument("mark", required=False, metavar="[MARK]")
@click.argument("sources", nargs=-1, type=click.Path(path_type=Path), metavar="[SRC...]")
@click.option("--lat", help="Latitude of the mark, instead of MARK and SRC.")
@click.option("--lon", help="Longitude of the mark.")
@length("--r95", help="R95 of the mark, with --lat and --lon.")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@click.option(
    "--set", "set_text", metavar="DIRECTION", help="Where the current goes to: 040, 040M."
)
@click.option("--current", type=Quantity("speed"), help="How fast, at the surface: 0.8kn.")
@click.option("--set-error", type=Quantity("angle"), default="10deg", show_default=True,
              help="Standard error of directions.")  # fmt: skip
@click.option("--current-error", type=Quantity("speed"), default="0.1kn", show_default=True,
              help="Standard error of the current and of --adrift.")  # fmt: skip
@click.option("--wind-from", metavar="DIRECTION", help="Where the wind comes from.")
@click.option("--wind", type=Quantity("speed"), help="How strong it is: 12kn.")
@click.option("--leeway", type=float, help="How fast she goes before it, as a part of it; 0.04.")
@click.option(
    "--adrift-to", metavar="DIRECTION", help="Where she drifts to with the motor stopped."
)
@click.option("--adrift", type=Quantity("speed"), help="How fast, as course and speed over the "
              "ground show; better than current and wind.")  # fmt: skip
@length("--cast", "cast_m", help="Length of the cast.")
@click.option("--cast-to", metavar="DIRECTION", help="Where it goes to; else against the drift.")
@sink_options
@length("--depth", help="How deep the lure is to go; else to the mark's depth.")
@click.option("--before", type=Quantity("time"), help="Drift: how long before the mark it starts.")
@length("--within", default="5m", show_default=True, help="What counts as over the mark.")
@click.option("--approach", metavar="DIRECTION", help="Track to make good on the way to the mark.")
@click.option("--boat-speed", type=Quantity("speed"), help="Speed through the water on that way.")
@zones_option
@plan_output
@common_options("json", "units", "overwrite", "ballpark", "private", "debug")
def command(
    mark: str | None,
    sources: tuple[Path, ...],
    lat: str | None,
    lon: str | None,
    r95: float | None,
    sigma: float,
    set_text: str | None,
    current: float | None,
    set_error: float,
    current_error: float,
    wind_from: str | None,
    wind: float | None,
    leeway: float | None,
    adrift_to: str | None,
    adrift: float | None,
    cast_m: float | None,
    cast_to: str | None,
    sinking: SinkChoice,
    depth: float | None,
    before: float | None,
    within: float,
    approach: str | None,
    boat_speed: float | None,
    zones_files: tuple[Path, ...],
    outputs: tuple[Path, ...],
    limits_file: Path | None,
    as_json: bool,
    units: str | None,
    overwrite: bool,
    allow_ballpark: bool,
    with_private: bool,
    debug: bool,
) -> int:
    """Say where to hold the boat so that a cast comes down on a mark, or where to start a drift.

    MARK is a name, an id or the first letters of one, out of SRC (a book, any file of marks).
    --cast asks for a hold, --before for a drift, --approach for the heading to steer on the way.

    For example:

    \b
      athwart hold Anvil season.gpkg --cast 20m --set 040 --current 0.8kn
                   --count "12s 10m"
      athwart hold Anvil season.gpkg --before 5min --adrift-to 055 --adrift 0.9kn

    Advice, not navigation: nothing here knows the depth or the dangers on the way.
    """  # noqa: D301 - click wants the character itself
    from athwart.advice.hold import (
        Compass,
        Flows,
        course,
        course_lines,
        drift_lines,
        hold_lines,
        hold_on,
        mark_line,
        zone_lines,
    )
    from athwart.formats import check_target
    from athwart.plan.hold import CAUTION

    for name, value in (("--set-error", set_error), ("--current-error", current_error),
                        ("--current", current), ("--wind", wind), ("--adrift", adrift),
                        ("--leeway", leeway)):  # fmt: skip
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise UsageError(f"{name} is {value:g}; allowed is 0 or more")
    for name, value in (("--cast", cast_m), ("--before", before), ("--within", within),
                        ("--boat-speed", boat_speed), ("--depth", depth), ("--r95", r95)):  # fmt: skip
        if value is not None and not (math.isfinite(value) and value > 0):
            raise UsageError(f"{name} is {value:g}; allowed is more than 0")
    _both("--set", set_text, "--current", current)
    _both("--wind-from", wind_from, "--wind", wind)
    _both("--adrift-to", adrift_to, "--adrift", adrift)
    _both("--approach", approach, "--boat-speed", boat_speed)
    if adrift is not None and wind is not None:
        raise UsageError("--adrift has the wind in it; leave --wind out")
    if leeway is not None and wind is None:
        raise UsageError("--leeway is a part of the wind; give --wind and --wind-from too")
    if cast_m is None and before is None and approach is None:
        raise UsageError(
            "say what for: --cast LENGTH for a hold, --before TIME for a drift, --approach "
            "DIRECTION for the heading to steer"
        )
    if cast_m is None and (sinking or cast_to or depth is not None):
        raise UsageError("--cast-to, --count, --weight and --depth go with --cast")
    for path in outputs:
        check_target(path, overwrite=overwrite)
    shown = shown_units(units)
    options = read_options("", allow_ballpark=allow_ballpark, with_private=with_private)
    if lat is not None or lon is not None:
        target, drawn = _typed(mark, sources, lat, lon, r95)
    else:
        target, drawn = _found(mark, sources, r95, options, sigma)
    compass = Compass(target.lon, target.lat)
    flows = Flows.of(
        compass, set_text=set_text, current_mps=current, wind_from=wind_from, wind_mps=wind,
        leeway_part=leeway, adrift_to=adrift_to, adrift_mps=adrift, sigma_deg=set_error,
        sigma_mps=current_error,
    )  # fmt: skip
    words: list[str] = list(flows.words)
    hold = drift = None
    if cast_m is not None:
        hold, said = hold_on(
            target, drawn, compass, flows, cast_m=cast_m, cast_to=cast_to,
            rate=sinking.read() if sinking else None, depth_m=depth, units=shown,
        )  # fmt: skip
        words += said
    if before is not None:
        from athwart.plan.hold import drift_over

        drift = drift_over(target, flows.total, before_s=before, within_m=within)
    steer = None
    if approach is not None:
        assert boat_speed is not None
        steer = course(compass, approach, boat_speed, flows.total, shown)
    features = [f for made in (hold, drift) if made is not None for f in made.features()]
    zones = read_zones(zones_files, allow_ballpark=allow_ballpark, quiet=as_json)
    touched = zone_lines(zones, hold, drift, features, shown)
    for word in words:
        say(f"note: {word}")
    if not as_json:
        for sentence in (
            mark_line(target, shown),
            *(hold_lines(hold, compass, shown) if hold is not None else ()),
            *(drift_lines(drift, compass, shown) if drift is not None else ()),
            *(course_lines(steer, compass, shown) if steer is not None else ()),
            *touched,
        ):
            show(sentence)
        show(CAUTION)
    files = (
        write_plan(
            [*features, *(zones.features() if zones is not None else [])],
            outputs,
            limits_file=limits_file,
            overwrite=overwrite,
            marks=drawn,
            title=f"Hold and drift: {target.name}" if target.name else "Hold and drift",
        )
        if outputs
        else []
    )
    if as_json:
        print_json(
            {
                "mark": {"name": target.name, "lat": target.lat, "lon": target.lon,
                         "r95_m": target.spread.r95_m, "hazard": target.hazard},
                "variation_deg": compass.variation,
                "hold": None if hold is None else _hold_json(hold),
                "drift": None if drift is None else _drift_json(drift),
                "approach": steer,
                "zones": touched,
                "notes": words,
                "files": [p.name for p in files],
                "caution": CAUTION,
            }
        )  # fmt: skip
    return 0


def _both(one: str, a: object, other: str, b: object) -> None:
    if (a is None) != (b is None):
        raise UsageError(f"{one} and {other} belong together; give both")


def _typed(
    mark: str | None, sources: tuple[Path, ...], lat: str | None, lon: str | None, r95: float | None
) -> tuple[Target, Marks]:
    from athwart.plan.hold import Spread, Target
    from athwart.tables import Marks as MarksTable
    from athwart.uncertainty.ellipse import CHI2_95_2DOF

    if lat is None or lon is None:
        raise UsageError("give both --lat and --lon")
    if sources or r95 is None:
        raise UsageError("a typed mark takes --lat, --lon and --r95, and no files")
    place = parse_position(lat, lon)
    sigma = r95 / math.sqrt(CHI2_95_2DOF)
    columns: dict[str, Any] = {
        "mark_id": "typed", "name": mark or "", "lon": place[0], "lat": place[1], "r95_m": r95,
        "var_east_m2": sigma**2, "var_north_m2": sigma**2, "cov_east_north_m2": 0.0,
    }  # fmt: skip
    target = Target(lon=place[0], lat=place[1], spread=Spread.round(sigma), name=mark or "")
    return target, MarksTable.from_columns(columns)


def _found(
    mark: str | None, sources: tuple[Path, ...], r95: float | None, options: Any, sigma: float
) -> tuple[Target, Marks]:
    from athwart.advice.hold import target_of
    from athwart.advice.places import row_named
    from athwart.gather import gather, settle

    if r95 is not None:
        raise UsageError("--r95 goes with --lat and --lon; a mark of a file has its own")
    if mark is not None and Path(mark).is_file():
        raise UsageError(f"name the mark first, then its file: athwart hold MARK {mark}")
    if mark is None or not sources:
        raise UsageError(
            "give a mark and the file that holds it (athwart hold MARK SRC), or --lat, --lon, --r95"
        )
    with Progress() as told:
        found = gather(sources, options=options, sigma_m=sigma, told=told)
        marks, _, _ = settle(found)
    for word in found.words:
        say(f"note: {word}")
    i = row_named(marks, mark)
    return target_of(marks, i), marks.take([i])


def _hold_json(hold: Hold) -> dict[str, Any]:
    total = hold.spread
    return {
        "lat": hold.lat, "lon": hold.lon, "landing_lat": hold.landing_lat,
        "landing_lon": hold.landing_lon, "from_mark_deg": hold.from_mark_deg,
        "from_mark_m": hold.from_mark_m, "bow_deg": hold.bow_deg,
        "through_water_mps": hold.through_water_mps, "cast_to_deg": hold.to_deg,
        "cast_m": hold.length_m, "count_s": hold.count_s, "count_sigma_s": hold.count_sigma_s,
        "lead_m": hold.lead_m, "lead_deg": hold.lead_deg, "r95_m": hold.r95_m,
        "var_east_m2": total.east, "var_north_m2": total.north, "cov_east_north_m2": total.cov,
        "r95_parts_m": {"mark": hold.mark.r95_m, "position": hold.position.r95_m,
                        "cast": hold.cast.r95_m, "current": hold.current.r95_m},
    }  # fmt: skip


def _drift_json(drift: Drift) -> dict[str, Any]:
    return {
        "start_lat": drift.start_lat, "start_lon": drift.start_lon, "end_lat": drift.end_lat,
        "end_lon": drift.end_lon, "towards_deg": drift.towards_deg, "speed_mps": drift.speed_mps,
        "distance_m": drift.distance_m, "until_s": drift.until_s,
        "until_sigma_s": drift.until_sigma_s, "within_m": drift.within_m, "chance": drift.chance,
        "over_s": drift.over_s, "across_sigma_m": drift.across_sigma_m, "r95_m": drift.r95_m,
    }  # fmt: skip
