"""The boat: lever arm, draft, water, compass, clock and error budget, read from a TOML file.

Every entry has a default with a unit and a stated ground; `Boat.from_toml` refuses what it does not
know, so that a slip of the pen never passes for a setting.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError, FileError
from athwart.settings import read_settings
from athwart.tables import DEPTH_REFERENCES
from athwart.uncertainty.budget import ErrorBudget
from athwart.units import UnitSystem

__all__ = ["ASSUMED_SOUND_MPS", "Boat"]

ASSUMED_SOUND_MPS = 1500.0
"""What most sounders assume, m/s (NOAA/NGDC 84-MGG-18: "uncorrected metres" means 1500 m/s)."""

_ALLOWED: dict[str, tuple[str, ...]] = {
    "": ("name", "time_zone", "units", "clock_offset_s", "sides_exchanged"),
    "transducer": ("forward_m", "starboard_m", "depth_m", "depth_below"),
    "sound": ("assumed_mps", "water_mps", "temperature_c", "salinity_gkg"),
    "compass": ("deviation",),
    "error": (),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Boat:
    """One boat and her instruments.

    Parameters
    ----------
    name : str
        Name; her trips share one common error.
    time_zone : str
        IANA name of the zone of times without one; empty: such times are refused.
    units : {"metric", "feet", "fathoms"}
        What is shown to people.
    clock_offset_s : float
        Track clock minus pick clock, seconds; added to the pick's time.
    sides_exchanged : bool
        Port and starboard are shown exchanged (a transducer mounted backwards).
    lever_forward_m, lever_starboard_m : float
        Transducer seen from the GNSS antenna, metres; forward and starboard positive.
    transducer_depth_m : float
        Transducer below the surface, metres; NaN if not known.
    depth_below : {"", "transducer", "surface", "datum"}
        What the sounder's reading is measured below; empty: the transducer is taken, and said.
    assumed_sound_mps : float
        Sound speed that the sounder assumes.
    water_sound_mps, temperature_c, salinity_gkg : float
        The water's own speed of sound, or what it follows from; NaN if not known.
    deviation : tuple of (heading, deviation)
        Compass deviation table, degrees, E positive.
    budget : ErrorBudget
        Standard errors.
    """

    name: str = ""
    time_zone: str = ""
    units: UnitSystem = "metric"
    clock_offset_s: float = 0.0
    sides_exchanged: bool = False
    lever_forward_m: float = 0.0
    lever_starboard_m: float = 0.0
    transducer_depth_m: float = math.nan
    depth_below: str = ""
    assumed_sound_mps: float = ASSUMED_SOUND_MPS
    water_sound_mps: float = math.nan
    temperature_c: float = math.nan
    salinity_gkg: float = math.nan
    deviation: tuple[tuple[float, float], ...] = ()
    budget: ErrorBudget = field(default_factory=ErrorBudget)

    @classmethod
    def from_toml(cls, path: str | Path) -> Boat:
        """Read a boat file.

        Raises
        ------
        FileError
            The file cannot be read, is not TOML, or holds an entry that is unknown or out of range.
        """
        path = Path(path)
        values = read_settings(path)
        try:
            return cls.from_mapping(values)
        except DataError as error:
            raise FileError(path.name, str(error)) from error

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> Boat:
        """Make a boat of the tables of a boat file.

        Raises
        ------
        DataError
            An entry that is unknown, of the wrong type, or out of range.
        """
        tables: dict[str, Mapping[str, Any]] = {"": {}}
        top: dict[str, Any] = {}
        for key, value in values.items():
            if isinstance(value, Mapping):
                tables[key] = value
            else:
                top[key] = value
        tables[""] = top
        for table, entries in tables.items():
            if table not in _ALLOWED:
                known = ", ".join(f"[{t}]" for t in _ALLOWED if t)
                raise DataError(f"there is no table [{table}]; known are {known}")
            for entry in entries:
                if table != "error" and entry not in _ALLOWED[table]:
                    where = f"[{table}]" if table else "the top of the file"
                    known = ", ".join(_ALLOWED[table])
                    raise DataError(f"{where} has no entry {entry!r}; known are {known}")
        arm, sound = tables.get("transducer", {}), tables.get("sound", {})
        water = [
            _number(sound, n, math.nan) for n in ("water_mps", "temperature_c", "salinity_gkg")
        ]
        if not math.isnan(water[0]) and not all(math.isnan(w) for w in water[1:]):
            raise DataError(
                "[sound] gives water_mps and also temperature_c or salinity_gkg; keep one way"
            )
        zone = _text(top, "time_zone")
        if zone:
            _check_zone(zone)
        return cls(
            name=_text(top, "name"),
            time_zone=zone,
            units=_word(top, "units", ("metric", "feet", "fathoms"), "metric"),  # type: ignore[arg-type]
            clock_offset_s=_number(top, "clock_offset_s", 0.0, -86400, 86400),
            sides_exchanged=_flag(top, "sides_exchanged"),
            lever_forward_m=_number(arm, "forward_m", 0.0, -100, 100),
            lever_starboard_m=_number(arm, "starboard_m", 0.0, -100, 100),
            transducer_depth_m=_number(arm, "depth_m", math.nan, 0, 100),
            depth_below=_word(arm, "depth_below", DEPTH_REFERENCES, ""),
            assumed_sound_mps=_number(sound, "assumed_mps", ASSUMED_SOUND_MPS, 1300, 1700),
            water_sound_mps=_number(sound, "water_mps", math.nan, 1300, 1700),
            temperature_c=_number(sound, "temperature_c", math.nan, -3, 40),
            salinity_gkg=_number(sound, "salinity_gkg", math.nan, 0, 42),
            deviation=_deviation(tables.get("compass", {}).get("deviation", [])),
            budget=ErrorBudget.from_mapping(tables.get("error", {})),
        )

    def sound_ratio(
        self, temperature_c: ArrayLike = math.nan
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return true over assumed sound speed, and the scale error that is left (1 sigma).

        Parameters
        ----------
        temperature_c : array_like
            Measured water temperature, for a boat file that gives the salinity alone.

        Returns
        -------
        ratio, sigma : numpy.ndarray
            1 and the budget's 2 % where the water is not known; otherwise c / assumed and 0.2 %,
            which covers half a degree and a few g/kg.
        """
        measured = np.asarray(temperature_c, np.float64)
        if not math.isnan(self.water_sound_mps):
            speed = np.full(measured.shape, self.water_sound_mps)
        elif math.isnan(self.salinity_gkg):
            speed = np.full(measured.shape, math.nan)
        else:
            from athwart.geometry.sound import sound_speed

            own = self.temperature_c
            speed = sound_speed(measured if math.isnan(own) else own, self.salinity_gkg)
            speed = np.broadcast_to(speed, measured.shape)
        known = np.isfinite(speed)
        ratio = np.where(known, speed / self.assumed_sound_mps, 1.0)
        return ratio, np.where(known, 0.002, self.budget.sound_scale)


def _number(
    table: Mapping[str, Any], name: str, default: float, low: float = -np.inf, high: float = np.inf
) -> float:
    value = table.get(name, default)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if name in table and not (number and math.isfinite(value) and low <= value <= high):
        allowed = f"a number from {low:g} to {high:g}" if np.isfinite(low) else "a number"
        raise DataError(f"{name} is {value!r}; allowed is {allowed}")
    return float(value)


def _text(table: Mapping[str, Any], name: str) -> str:
    value = table.get(name, "")
    if not isinstance(value, str):
        raise DataError(f"{name} is {value!r}; allowed is text in quotes")
    return value


def _word(table: Mapping[str, Any], name: str, words: tuple[str, ...], default: str) -> str:
    value = _text(table, name) or default
    if value not in (*words, default):
        raise DataError(f"{name} is {value!r}; allowed is {', '.join(words)}")
    return value


def _flag(table: Mapping[str, Any], name: str) -> bool:
    value = table.get(name, False)
    if not isinstance(value, bool):
        raise DataError(f"{name} is {value!r}; allowed is true or false")
    return value


def _check_zone(zone: str) -> None:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(zone)
    except (OSError, ValueError) as error:  # ZoneInfoNotFoundError is a KeyError
        raise DataError(f"time_zone {zone!r} is unknown; write it like Pacific/Auckland") from error
    except KeyError as error:
        raise DataError(f"time_zone {zone!r} is unknown; write it like Pacific/Auckland") from error


def _deviation(value: Any) -> tuple[tuple[float, float], ...]:
    wrong = (
        "deviation is a list of pairs [compass heading, deviation], such as [[0, 1.5], [90, -2]]"
    )
    if not isinstance(value, list):
        raise DataError(wrong)
    pairs = []
    for pair in value:
        numbers = isinstance(pair, list) and all(
            isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)
            for v in pair
        )
        if not numbers or len(pair) != 2:
            raise DataError(wrong)
        if not (0 <= pair[0] <= 360 and -90 <= pair[1] <= 90):
            raise DataError(f"deviation {pair} is out of range; headings 0 to 360, deviation ±90")
        pairs.append((float(pair[0]), float(pair[1])))
    headings = [h % 360.0 for h, _ in pairs]
    if len(set(headings)) != len(headings):
        raise DataError("deviation gives one heading twice")
    return tuple(sorted(pairs))
