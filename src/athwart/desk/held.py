"""Plans that were shown: kept at hand, seen by themselves, and written as they were shown."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.responses import HTMLResponse, PlainTextResponse, Response

from athwart.advice.day import write_route, write_sheet
from athwart.desk.handing import hand_files, limits_of
from athwart.desk.state import Desk, plain_file_name
from athwart.errors import AthwartError, UsageError
from athwart.features import Feature
from athwart.tables import Marks
from athwart.units import UnitSystem

if TYPE_CHECKING:
    from athwart.plan.day import Day

__all__ = ["ANSWERS", "HeldPlan"]

_ENDINGS = {"page": (".html",), "gpx": (".gpx",), "plan": (".geojson", ".gpkg", ".fgb", ".kml")}
_KINDS = {"page": "text/html", "gpx": "application/gpx+xml", "plan": "application/geo+json"}


@dataclass(frozen=True, kw_only=True)
class HeldPlan:
    """A plan that was shown and may be written.

    Parameters
    ----------
    title : str
        Heading of its page.
    units : {"metric", "feet", "fathoms"}
        What it is written in.
    features : sequence of Feature
        Its shapes.
    day : Day, optional
        The day, whose page is the day sheet.
    marks : Marks, optional
        What a map shows with it.
    lines : sequence of Feature, optional
        What a plotter gets in place of the shapes.
    """

    title: str
    units: UnitSystem
    features: Sequence[Feature]
    day: Day | None = None
    marks: Marks | None = None
    lines: Sequence[Feature] | None = None

    def page(self) -> str:
        """Return its page: the sheet of a day, else a review map."""
        if self.day is not None:
            from athwart.review.day_page import day_sheet

            return day_sheet(self.day, units=self.units, title=self.title)
        from athwart.review.map import review_map

        return review_map(
            marks=Marks.empty() if self.marks is None else self.marks,
            plan=self.features,
            units=self.units,
            title=self.title,
        )


def _sheet(desk: Desk, question: dict[str, Any]) -> Response:
    """Return the page of a plan by itself; it runs nothing and may be framed by nobody."""
    try:
        held: HeldPlan = desk.plans.take(str(question["id"]))
        if held.day is None:
            raise UsageError("only a day has a sheet")
        page = held.page()
    except AthwartError as error:
        return PlainTextResponse(str(error), status_code=409)
    policy = "sandbox; default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
    return HTMLResponse(page, headers={"content-security-policy": policy})


def _write(desk: Desk, question: dict[str, Any]) -> Any:
    """Write a plan that was shown into the book's folder."""
    from athwart.formats.shapes import write_features
    from athwart.handover import export_plan

    held: HeldPlan = desk.plans.take(str(question["id"]))
    what = str(question.get("as", "page"))
    if what not in _ENDINGS:
        raise UsageError(f"a plan is written as {', '.join(_ENDINGS)}")
    name = plain_file_name(str(question["name"]), _ENDINGS[what])
    words: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        files: tuple[Path, ...] = (path,)
        if what == "plan":
            write_features(path, held.features)
        elif what == "gpx" and held.day is not None:
            files, said = write_route(
                held.day, path, limits=limits_of(question), title=held.title, overwrite=False
            )
            words += said
        elif what == "gpx":
            shapes = held.features if held.lines is None else held.lines
            if not any(f.role != "zone" and "Polygon" not in f.geometry.geom_type for f in shapes):
                raise UsageError("a GPX file holds no areas; write the map or the plan")
            files, said, sentence = export_plan(
                shapes, path, limits=limits_of(question), overwrite=False
            )
            words += [sentence, *said]
        elif held.day is not None:
            write_sheet(held.day, path, title=held.title, units=held.units, overwrite=False)
        else:
            path.write_text(held.page(), encoding="utf-8")
        made = [(file.name, file.read_bytes()) for file in files]
    return hand_files(desk, made, _KINDS[what], words, False, bool(question.get("overwrite")))


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("POST", "/api/going-back/write", _write),
    ("GET", "/going-back/sheet/{id}", _sheet),
)
