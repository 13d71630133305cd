"""``athwart strip``: pictures of a paused screen, laid on the seabed as a GeoTIFF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    print_json,
    read_boat,
    read_options,
    read_track,
    say,
)
from athwart.errors import UsageError
from athwart.progress import Progress
from athwart.units import many

if TYPE_CHECKING:
    from athwart.boat import Boat
    from athwart.frame.layout import Layout
    from athwart.frame.picture import Picture
    from athwart.frame.strip import Strip
    from athwart.frame.when import Moment
    from athwart.tables import Track


@click.command("strip", short_help="Lay pictures of a paused screen on the seabed, as a GeoTIFF.")
@click.argument(
    "pictures", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PICTURE..."
)
@click.option(
    "--layout",
    "layout_file",
    required=True,
    type=click.Path(path_type=Path),
    help="How the screen is laid out (TOML; the desk makes and keeps it).",
)
@click.option(
    "--track",
    "track_file",
    required=True,
    type=click.Path(path_type=Path),
    help="GPX or NMEA track of that time.",
)
@common_options("boat")
@click.option(
    "-o", "--output", required=True, type=click.Path(path_type=Path), help="GeoTIFF to write."
)
@click.option(
    "--time",
    "times",
    multiple=True,
    help="When the newest line was drawn: 2031-05-11T09:40:12Z; once for each picture, in order. "
    "Without it the pictures' own times.",
)
@click.option(
    "--pause",
    type=Quantity("time"),
    default=0.0,
    help="How long the screen had stood still when the picture was taken: 8s.",
)
@click.option(
    "--photo-corners",
    help="The display's corners in a photo, pixels, clockwise from its top left: "
    "'120,80 1910,95 1890,1130 140,1100'.",
)
@length("--bottom-depth", help="The water's depth, instead of the bottom line in the picture.")
@click.option(
    "--depth-below",
    type=click.Choice(["transducer", "surface"]),
    default="transducer",
    help="What that depth is below.",
)
@click.option(
    "--mosaic",
    type=click.Choice(["nearest", "blend"]),
    default="nearest",
    help="Of several looks at a place: the nearest, or a blend of all.",
)
@length("--pixel", help="Side of a pixel; about that of a column of the picture if not given.")
@click.option(
    "--outline",
    type=click.Path(path_type=Path),
    help="File for the outline of what was seen: .geojson, .gpkg, .kml.",
)
@common_options("json", "tz", "overwrite", "debug")
def command(
    pictures: tuple[Path, ...],
    layout_file: Path,
    track_file: Path,
    boat_file: Path | None,
    output: Path,
    times: tuple[str, ...],
    pause: float,
    photo_corners: str | None,
    bottom_depth: float | None,
    depth_below: str,
    mosaic: Literal["nearest", "blend"],
    pixel: float | None,
    outline: Path | None,
    as_json: bool,
    time_zone: str,
    overwrite: bool,
    debug: bool,
) -> int:
    """Lay pictures of a paused screen on the seabed: one GeoTIFF, for a GIS or athwart map.

    Several pictures become one mosaic.

    \b
      athwart strip pause.png --layout boat.layout.toml --track trip.gpx
                    --time 2031-05-11T09:40:12Z -o strip.tif
    """  # noqa: D301 - click wants the character itself
    from athwart.formats import check_target
    from athwart.frame.layout import Layout
    from athwart.frame.mosaic import mosaic as joined
    from athwart.laying import write_strip

    if output.suffix.lower() not in (".tif", ".tiff"):
        raise UsageError(f"the strip {output.name} must end in .tif")
    for path in (output, outline):
        if path is not None:
            check_target(path, overwrite=overwrite)
    if times and len(times) != len(pictures):
        raise UsageError(
            f"{many(len(pictures), 'picture')} and --time given {len(times)}x; give it once for each "
            "picture, in their order, or not at all"
        )
    layout = Layout.from_toml(layout_file)
    if photo_corners is not None:
        layout = replace(layout, display_corners=_corners(photo_corners))
    boat = read_boat(boat_file)
    zone = time_zone or boat.time_zone
    track = read_track(track_file, read_options(zone))
    told_of: list[dict[str, Any]] = []
    with Progress() as told:
        strips = _strips(
            pictures,
            [times[i] if times else None for i in range(len(pictures))],
            layout=layout,
            track=track,
            boat=boat,
            zone=zone,
            pause_s=pause,
            depth=None if bottom_depth is None else (bottom_depth, depth_below),
            pixel_m=pixel,
            told=told,
            told_of=told_of,
        )
        strip = next(strips) if len(pictures) == 1 else joined(strips, mosaic, pixel_m=pixel)
        told(f"writing {output.name}", 0.95)
        # What is handed on says what its own name says: a picture's name may tell of the place.
        write_strip(output, strip, title=output.stem, outline=outline, overwrite=overwrite)
    rows, columns = strip.echo.shape
    if as_json:
        west, south, east, north = strip.outline.bounds
        print_json(
            {
                "file": output.name,
                "outline": None if outline is None else outline.name,
                "epsg": strip.epsg,
                "pixel_m": strip.pixel_m,
                "columns": columns,
                "rows": rows,
                "west": west,
                "south": south,
                "east": east,
                "north": north,
                "pictures": told_of,
                "notes": list(strip.words),
            }
        )
    for word in strip.words:
        say(f"note: {word}")
    say(
        f"{many(len(pictures), 'picture')} laid on the seabed in {output.name}: {columns} by {rows} "
        f"pixels of {strip.pixel_m:g} m, EPSG:{strip.epsg}. Not for navigation."
    )
    return 0


def _corners(text: str) -> tuple[tuple[float, float], ...]:
    wrong = UsageError(
        f"--photo-corners is {text!r}; write four pairs of pixels, clockwise from the display's top "
        "left, such as '120,80 1910,95 1890,1130 140,1100'"
    )
    try:
        pairs = [tuple(float(v) for v in pair.split(",")) for pair in text.split()]
    except ValueError as error:
        raise wrong from error
    if len(pairs) != 4 or any(len(p) != 2 for p in pairs):
        raise wrong
    return tuple((p[0], p[1]) for p in pairs)


def _strips(
    pictures: Sequence[Path],
    times: Sequence[str | None],
    *,
    layout: Layout,
    track: Track,
    boat: Boat,
    zone: str,
    pause_s: float,
    depth: tuple[float, str] | None,
    pixel_m: float | None,
    told: Progress,
    told_of: list[dict[str, Any]],
) -> Iterator[Strip]:
    """Lay one picture after the other, so that a mosaic holds one strip at a time."""
    import numpy as np

    from athwart.errors import AthwartError, FileError
    from athwart.frame.picture import read_picture
    from athwart.laying import fitted, lay_picture, level_bottom, straightened

    for k, (path, text) in enumerate(zip(pictures, times, strict=True)):
        start = k / len(pictures)
        told(f"reading {path.name}", start)
        picture = read_picture(path)
        try:
            moment = _moment(picture, text, zone, pause_s, photo=layout.display_corners is not None)
            own = fitted(layout, picture.gray)
            gray = np.rint(picture.gray * 255.0).astype(np.uint8)

            def say_part(what: str, share: float, name: str = path.name, at: float = start) -> None:
                told(f"{name}: {what}", at + share / len(pictures))

            strip = lay_picture(
                straightened(own, gray),
                own,
                moment,
                track,
                boat=boat,
                bottom=None if depth is None else level_bottom(own, *depth, boat),
                pixel_m=pixel_m,
                told=say_part,
            )
        except (FileError, UsageError):
            raise
        except AthwartError as error:
            raise FileError(path.name, str(error), code=error.code) from error
        told_of.append({"file": path.name, "time": moment.time, "time_sigma_s": moment.sigma_s})
        words = [*picture.words, *strip.words]
        if len(pictures) > 1:
            words = [f"{path.name}: {w}" for w in words]
        yield replace(strip, words=tuple(words))


def _moment(
    picture: Picture, text: str | None, zone: str, pause_s: float, *, photo: bool
) -> Moment:
    """Return when the newest line was drawn: as typed, or from the picture itself."""
    from athwart.frame.when import picture_moment, typed_moment

    if text is not None:
        return typed_moment(text, zone=zone)
    return picture_moment(
        picture.taken,
        picture.taken_zone_known,
        kind="photo" if photo else "screenshot",
        zone=zone,
        pause_delay_s=pause_s,
    )
