"""Tables to GeoPandas frames and back: the one place where columns and geometry meet."""

from __future__ import annotations

from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from athwart.errors import BadRow, DataError
from athwart.geometry.geodesic import to_wgs84
from athwart.tables import Column, Table, bad_rows, si_column, text_array

__all__ = ["columns_of_frame", "frame_of_table"]

_TRUE = {"true", "yes", "y", "1", "t", "x"}
_FALSE = {"false", "no", "n", "0", "f", ""}


def frame_of_table(table: Table) -> geopandas.GeoDataFrame:
    """Return a table as a GeoDataFrame in EPSG:4326; rows without a position get no geometry."""
    columns: dict[str, Any] = dict(table.to_columns())
    lon, lat = columns.pop("lon"), columns.pop("lat")
    contract = {c.name: c for c in table.columns()}
    for name, values in columns.items():
        if contract[name].type == "time":
            columns[name] = pd.DatetimeIndex(values).tz_localize("UTC")
    geometry = shapely.points(lon, lat)
    missing = np.isnan(lon) | np.isnan(lat)
    if missing.any():
        geometry[missing] = None
    return geopandas.GeoDataFrame(
        {**columns, **table.extra}, geometry=geometry, crs="EPSG:4326", copy=False
    )


def columns_of_frame(
    cls: type[Table], frame: pd.DataFrame, *, allow_ballpark: bool = False
) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[Any]], list[BadRow]]:
    """Split a frame into the contract's columns, the others, and cells that cannot be read.

    Raises
    ------
    DataError
        Geometry without a CRS or that is not made of points; one column given in two units.
    """
    known: dict[str, NDArray[Any]] = {}
    extra: dict[str, NDArray[Any]] = {}
    rows: list[BadRow] = []
    contract = {c.name: c for c in cls.columns()}
    geometry_name = frame.geometry.name if isinstance(frame, geopandas.GeoDataFrame) else None
    for label in frame.columns:
        name = str(label)
        if label == geometry_name:
            known["lon"], known["lat"] = _points(cls, frame, allow_ballpark=allow_ballpark)
            continue
        found = si_column(cls, name)
        if found is None:
            extra[name] = frame[label].to_numpy()
            continue
        target, factor = found
        if target in known and target not in ("lon", "lat"):
            raise DataError(f"{cls.title}: {target} is given twice, once as {name}; keep one")
        values, faults = _values(contract[target], frame[label])
        known.setdefault(target, values * factor if factor != 1.0 else values)
        rows += faults
    return known, extra, rows


def _points(
    cls: type[Table], frame: geopandas.GeoDataFrame, *, allow_ballpark: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    geometry = frame.geometry
    if frame.crs is None:
        raise DataError(
            f"{cls.title}: the geometry has no coordinate reference system; set it, for example "
            'frame.set_crs("EPSG:4326")'
        )
    array = geometry.to_numpy()
    types = set(np.unique(shapely.get_type_id(array)).tolist())
    if not types <= {-1, 0}:
        raise DataError(f"{cls.title}: the geometry must be points")
    lon, lat, _ = to_wgs84(
        shapely.get_x(array), shapely.get_y(array), frame.crs, allow_ballpark=allow_ballpark
    )
    return lon, lat


def _values(column: Column, series: pd.Series) -> tuple[NDArray[Any], list[BadRow]]:
    name = column.name
    if column.type == "text":
        return text_array(series.astype(object)), []
    if column.type == "time":
        if not isinstance(series.dtype, pd.DatetimeTZDtype):
            naive = pd.api.types.is_datetime64_dtype(series.dtype)
            texts = series.astype(object)
            zoned = np.array(
                [pd.isna(v) or (not naive and _has_zone(v)) for v in texts], dtype=bool
            )
            rows = bad_rows(
                ~zoned,
                "time-without-zone",
                lambda i: f"{name} {texts.iloc[i]} has no zone; give times in UTC with a zone",
                name,
            )
            series = pd.to_datetime(
                series.where(zoned), utc=True, errors="coerce", format="ISO8601"
            )
        else:
            rows = []
        return series.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]"), rows
    if column.type == "bool":
        if series.dtype == bool:
            return series.to_numpy(bool), []
        texts = series.map(lambda v: "" if pd.isna(v) else str(v).strip().lower())
        bad = bad_rows(
            ~texts.isin(_TRUE | _FALSE).to_numpy(bool),
            f"{name}-unreadable",
            lambda i: f"{name} is {series.iloc[i]!r}; allowed is yes or no",
            name,
        )
        return texts.isin(_TRUE).to_numpy(bool), bad
    given = series.notna().to_numpy(bool)
    if series.dtype == object or isinstance(series.dtype, pd.StringDtype):
        given = given & (series.astype(str).str.strip() != "").to_numpy(bool)
    numbers = pd.to_numeric(series, errors="coerce").astype("float64").to_numpy(np.float64)
    bad = bad_rows(
        given & np.isnan(numbers),
        f"{name.replace('_', '-')}-unreadable",
        lambda i: f"{name} is {series.iloc[i]!r}, not a number",
        name,
    )
    if column.type == "int":
        return np.nan_to_num(numbers).astype(np.int64), bad
    if column.default is not None and not np.isnan(column.default):
        numbers = np.where(given, numbers, column.default)
    return numbers, bad


def _has_zone(value: Any) -> bool:
    if isinstance(value, str):
        tail = value.strip()[10:]
        return tail.endswith(("Z", "z")) or "+" in tail or "-" in tail
    return getattr(value, "tzinfo", None) is not None
