"""A sample format for athwart: one point a line, longitude and latitude parted by a blank."""

from athwart.contents import Contents
from athwart.tables import Waypoints

NO_FORMAT = "nothing that reads or writes"


class Dots:
    """The least that a format needs."""

    name = "dots"
    title = "lines of dots"
    endings = (".dots",)
    can_read = True
    can_write = True

    def read(self, path, options):
        pairs = [tuple(map(float, line.split())) for line in path.read_text().splitlines()]
        lon, lat = zip(*pairs, strict=True)
        return Contents(
            waypoints=Waypoints.from_columns({"lon": lon, "lat": lat}),
            counts={"waypoints": len(pairs)},
        )

    def write(self, path, contents, options):
        w = contents.waypoints
        path.write_text(
            "".join(f"{x!r} {y!r}\n" for x, y in zip(w.lon.tolist(), w.lat.tolist(), strict=True))
        )
        return (
            (f"{len(contents.marks)} marks have no place in dots",) if len(contents.marks) else ()
        )


FORMAT = Dots()
