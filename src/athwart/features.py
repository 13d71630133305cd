"""A place on a plan: a shape with a role, as plans make it and maps and files take it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from athwart.errors import DataError

if TYPE_CHECKING:
    import geopandas
    from shapely.geometry.base import BaseGeometry

__all__ = ["ROLES", "Feature", "from_frame", "to_frame"]

ROLES: dict[str, str] = {
    "seen": "seen by the side-scan",
    "seen twice": "seen from two passes or more",
    "under the boat": "right under the boat, where the side-scan sees little",
    "not seen": "not looked at yet",
    "lane": "survey lane",
    "run": "line to run along",
    "leg": "way from mark to mark",
    "stop": "mark to visit",
    "hold": "where to hold the boat",
    "drift": "drift over a mark",
    "cast": "where a cast lands",
    "zone": "zone",
    "shallow": "too shallow",
}
"""What a shape on a plan can be, and how a legend says it."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Feature:
    """A point, line or area with its role.

    Parameters
    ----------
    role : str
        One of `ROLES`.
    geometry : shapely geometry
        Longitude and latitude in WGS 84. Longitudes may run on past 180 degrees, so that a shape
        across the 180th meridian is in one piece.
    name, note : str
        For people; the note says what there is to know in whole sentences.
    values : mapping of str to number, str or bool
        Columns of the feature, the unit in the name.
    """

    role: str
    geometry: BaseGeometry
    name: str = ""
    note: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise DataError(f"the role is {self.role!r}; allowed are {', '.join(ROLES)}")


def to_frame(features: Sequence[Feature]) -> geopandas.GeoDataFrame:
    """Return features as a frame: role, name, note, their values, geometry; a row each."""
    import geopandas

    columns = dict.fromkeys(key for f in features for key in f.values)
    rows = {
        "role": [f.role for f in features],
        "name": [f.name for f in features],
        "note": [f.note for f in features],
        **{key: [f.values.get(key) for f in features] for key in columns},
    }
    return geopandas.GeoDataFrame(rows, geometry=[f.geometry for f in features], crs="EPSG:4326")


def from_frame(frame: geopandas.GeoDataFrame) -> list[Feature]:
    """Return the features of a frame that `to_frame` made.

    Raises
    ------
    DataError
        It has no column ``role``, or a role that is unknown.
    """
    if "role" not in frame.columns:
        raise DataError("the shapes have no column 'role'; they are no plan of athwart's")

    def text(value: Any) -> str:
        return value if isinstance(value, str) else ""

    rest = [c for c in frame.columns if c not in ("role", "name", "note", frame.geometry.name)]
    return [
        Feature(
            role=text(row["role"]),
            geometry=shape,
            name=text(row.get("name")),
            note=text(row.get("note")),
            values={key: row[key] for key in rest if row[key] is not None and row[key] == row[key]},
        )
        for row, shape in zip(frame.to_dict("records"), frame.geometry, strict=True)
    ]
