"""NMEA 0183 logs: position, heading, depth and water temperature in the order they were logged.

Sentences are checked before they are believed: a checksum must stand and be right (XOR of what is
between ``$`` and ``*``), every field that is used must be readable and in range. Noise is normal on
a serial line, so a bad sentence is counted and listed but does not refuse the file.

Read are RMC, GGA, VTG, HDT, HDG, HDM, DPT, DBT, MTW, GST and the date of ZDA, of any talker. The
standard asks for at most 82 characters a sentence; receivers with more decimals write longer ones,
so anything up to `MAX_LENGTH` is taken.

One row of the track is one moment: the RMC and GGA of the same second are joined. Heading, depth,
temperature, course and error come from the sentence nearest in the file that is not older than
`STALE_S`. A sentence without a time of its own has that of the last timed one before it.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.errors import BadRow, FileError
from athwart.formats.files import read_bytes
from athwart.formats.registry import ReadOptions
from athwart.formats.sniff import UTF_16, looks_like
from athwart.formats.texts import OK, parse_numbers
from athwart.tables import Track, same_text
from athwart.units import FATHOM, FOOT, KNOT

__all__ = ["MAX_LENGTH", "STALE_S", "read"]

MAX_LENGTH = 120
STALE_S = 3.0
_MAX_LISTED = 1000
_DAY_US = 86_400_000_000
_SENTENCE = re.compile(rb"[$!]([^$!*\r\n]*)(?:\*([0-9A-Fa-f]{2})(?![0-9A-Fa-f]))?")
_FIELDS = {
    "RMC": 9,
    "GGA": 9,
    "VTG": 5,
    "HDT": 1,
    "HDG": 1,
    "HDM": 1,
    "DPT": 1,
    "DBT": 3,
    "MTW": 1,
    "GST": 8,
    "ZDA": 4,
}
"""How many fields a sentence must at least have."""

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass
class _Kind:
    """All sentences of one type: their number in the file, their line, their fields."""

    index: list[int] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


@dataclass
class _Faults:
    """What was wrong, listed up to a limit and counted in full."""

    listed: list[BadRow] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)

    def add(self, line: int, code: str, message: str) -> None:
        self.counts[code] += 1
        if self.counts[code] <= _MAX_LISTED:
            self.listed.append(BadRow(line, code, message))


def read(path: Path, options: ReadOptions) -> Contents:
    """Read a log as a track.

    Raises
    ------
    FileError
        No sentence in it is good, none holds a position, or no date is known.
    """
    data = _plain_bytes(read_bytes(path, "LOG_MB"))
    faults = _Faults()
    kinds, lines, total, other = _sentences(data, faults)
    good = sum(len(k.index) for k in kinds.values()) + other
    found = looks_like(data[:4096])
    if not total or (not good and "UTF-16" in found):
        what = f"it looks like {found}" if found and "NMEA" not in found else "it holds no sentence"
        raise FileError(path.name, f"the file is no NMEA 0183 log; {what}")
    if not good:
        raise FileError(
            path.name,
            f"none of its {total} sentences has a right checksum; the file is damaged, or its "
            "sentences were logged without checksums",
        )
    columns = {name: _Columns(kind.rows) for name, kind in kinds.items()}
    index = {name: np.array(kind.index, dtype=np.int64) for name, kind in kinds.items()}
    log = _Log(path.name, index, columns, lines, faults)
    track, epochs, no_fix = log.track(options)
    words = _words(faults, no_fix, other, log)
    faults.listed.sort(key=lambda r: r.row)
    return Contents(
        source=path.name,
        format="nmea",
        tracks=track,
        counts={
            "waypoints": 0,
            "route_points": 0,
            "track_points": epochs,
            "routes": 0,
            "tracks": 1,
            "sentences": total,
            "bad_sentences": sum(faults.counts.values()) - faults.counts["time-backwards"],
            "no_fix": no_fix,
        },
        rejected=tuple(faults.listed),
        words=tuple(words),
    )


_PLAIN = {
    "checksum-wrong": "with a wrong checksum",
    "sentence-cut": "cut short or without a checksum",
    "sentence-overlong": f"longer than {MAX_LENGTH} characters",
    "not-a-sentence": "lines that are no sentence",
    "field-unreadable": "with a field that cannot be read",
    "time-backwards": "positions whose time runs backwards",
}


def _words(faults: _Faults, no_fix: int, other: int, log: _Log) -> list[str]:
    words = []
    if faults.counts:
        parts = [f"{n} {_PLAIN[code]}" for code, n in sorted(faults.counts.items())]
        words.append(f"skipped: {', '.join(parts)}")
        hidden = sum(faults.counts.values()) - len(faults.listed)
        if hidden:
            words.append(f"{hidden} more skipped lines of the same kinds are counted, not listed")
    if no_fix:
        words.append(f"{no_fix} position sentences say that the receiver had no fix")
    if other:
        words.append(f"not carried: {other} sentences of other types")
    return [*words, *log.words]


def _plain_bytes(data: bytes) -> bytes:
    """Return a log as one byte a character, in lines, however a program on a computer saved it."""
    if data.startswith(UTF_16):
        data = data.decode("utf-16", "replace").encode("ascii", "replace")
    if b"\n" not in data:  # line ends of long ago
        data = data.replace(b"\r", b"\n")
    return data


def _sentences(data: bytes, faults: _Faults) -> tuple[dict[str, _Kind], IntArray, int, int]:
    """Split a log into checked sentences; the checksums of all are one array operation."""
    matches = list(_SENTENCE.finditer(data))
    total = len(matches)
    array = np.frombuffer(data, dtype=np.uint8)
    breaks = np.flatnonzero(array == 10)
    starts = np.array([m.start(1) for m in matches], dtype=np.int64)
    ends = np.array([m.end(1) for m in matches], dtype=np.int64)
    lines = np.searchsorted(breaks, starts) + 1
    _junk(data, breaks, lines, faults)
    if not total:
        return {}, lines, 0, 0
    given = np.array([-1 if m[2] is None else int(m[2], 16) for m in matches])
    # Up to each start and each end; what lies between is the sentence.
    bounds = np.stack([starts, np.maximum(ends, starts + 1)], axis=1).ravel()
    padded = np.append(array, [0, 0]).astype(np.uint8)  # a $ may be the last byte
    sums = np.bitwise_xor.reduceat(padded, bounds)[0::2].astype(np.int64)
    sums[ends == starts] = 0
    high = np.bitwise_or.reduceat(padded, bounds)[0::2] >= 128
    kinds = {name: _Kind() for name in _FIELDS}
    other = 0
    lengths = ends - starts + 6
    for i, match in enumerate(matches):
        line = int(lines[i])
        if given[i] < 0:
            faults.add(line, "sentence-cut", "the sentence is cut short or has no checksum")
        elif lengths[i] > MAX_LENGTH:
            faults.add(
                line,
                "sentence-overlong",
                f"the sentence has {lengths[i]} characters; at most {MAX_LENGTH} are allowed",
            )
        elif given[i] != sums[i] or high[i]:
            faults.add(
                line,
                "checksum-wrong",
                f"the checksum is {given[i]:02X}, the sentence's characters give {sums[i]:02X}",
            )
        else:
            fields = match[1].decode("ascii").split(",")
            name = fields[0][-3:]
            kind = kinds.get(name) if len(fields[0]) == 5 and fields[0][0] != "P" else None
            if kind is None:
                other += 1
            elif len(fields) <= _FIELDS[name]:
                faults.add(
                    line, "field-unreadable", f"{fields[0]} has {len(fields) - 1} fields, too few"
                )
            else:
                kind.index.append(i)
                kind.rows.append(fields)
    return kinds, lines, total, other


def _junk(data: bytes, breaks: IntArray, lines: IntArray, faults: _Faults) -> None:
    """Count lines that hold no sentence at all."""
    count = len(breaks) + 1
    empty = np.ones(count, dtype=bool)
    empty[np.unique(lines) - 1] = False
    for i in np.flatnonzero(empty):
        start = int(breaks[i - 1]) + 1 if i else 0
        end = int(breaks[i]) if i < len(breaks) else len(data)
        if data[start:end].strip(b" \t\r\n\x00\x1a"):
            faults.add(int(i) + 1, "not-a-sentence", "the line holds no sentence")


class _Columns:
    """Fields of the sentences of one type, by position."""

    def __init__(self, rows: list[list[str]]) -> None:
        self.rows = rows
        self.bad = np.zeros(len(rows), dtype=bool)
        self.reason = [""] * len(rows)

    def __len__(self) -> int:
        return len(self.rows)

    def text(self, at: int) -> list[str]:
        return [r[at].strip() if len(r) > at else "" for r in self.rows]

    def number(self, at: int, low: float, high: float, what: str) -> FloatArray:
        """Return a number field, NaN where it is empty; anything else marks the sentence bad."""
        cells = self.text(at)
        values, state = parse_numbers(cells)
        with np.errstate(invalid="ignore"):
            wrong = (state > 1) | (values < low) | (values > high)
        self.fault(wrong, lambda i: f"{what} is {cells[i][:20]!r}")
        values[wrong] = np.nan
        return values

    def fault(self, mask: NDArray[np.bool_], message: object) -> None:
        assert callable(message)
        for i in np.flatnonzero(mask):
            if not self.reason[i]:
                self.reason[i] = message(int(i))
        self.bad |= mask

    def clock(self, at: int) -> FloatArray:
        """Return hhmmss.sss as seconds of the day, NaN where it is empty."""
        cells = self.text(at)
        values, state = parse_numbers(cells)
        hours, rest = np.divmod(values, 10000)
        minutes, seconds = np.divmod(rest, 100)
        with np.errstate(invalid="ignore"):
            wrong = (state > 1) | (hours > 23) | (minutes > 59) | (seconds >= 61) | (values < 0)
            wrong |= (state == OK) & (np.array([len(c.partition(".")[0]) for c in cells]) != 6)
        self.fault(wrong, lambda i: f"the time is {cells[i][:20]!r}")
        return np.where(wrong, np.nan, hours * 3600 + minutes * 60 + seconds)

    def angle(self, at: int, limit: float, letters: str) -> FloatArray:
        """Return ddmm.mmm and its hemisphere letter as degrees."""
        cells, signs = self.text(at), self.text(at + 1)
        values, state = parse_numbers(cells)
        degrees, minutes = np.divmod(values, 100)
        degrees = degrees + minutes / 60
        sign = np.array([{letters[0]: 1.0, letters[1]: -1.0}.get(s, np.nan) for s in signs])
        with np.errstate(invalid="ignore"):
            wrong = (state != OK) | ~(minutes < 60) | ~(degrees <= limit) | (values < 0)
        wrong |= np.isnan(sign)
        name = "latitude" if letters == "NS" else "longitude"
        self.fault(wrong, lambda i: f"the {name} is {cells[i][:20]!r} {signs[i][:5]!r}")
        return np.where(wrong, np.nan, degrees * sign)


@dataclass
class _Sensor:
    """One sensor's readings in file order, with the time they take."""

    index: IntArray
    values: FloatArray


class _Log:
    """The sentences of one log and the track that they make."""

    def __init__(
        self,
        source: str,
        index: dict[str, IntArray],
        columns: dict[str, _Columns],
        lines: IntArray,
        faults: _Faults,
    ) -> None:
        self.source = source
        self.index = index
        self.columns = columns
        self.lines = lines
        self.faults = faults
        self.words: list[str] = []

    def _settle(self, name: str) -> None:
        """List the bad sentences of one type."""
        columns = self.columns[name]
        for i in np.flatnonzero(columns.bad):
            number = int(self.index[name][i])
            self.faults.add(
                int(self.lines[number]),
                "field-unreadable",
                f"{columns.rows[i][0]} cannot be used: {columns.reason[i]}",
            )

    def _keep(self, name: str, *arrays: NDArray[np.generic]) -> list[NDArray[np.generic]]:
        good = ~self.columns[name].bad
        return [self.index[name][good], *(a[good] for a in arrays)]

    # -- time ------------------------------------------------------------------------------

    def track(self, options: ReadOptions) -> tuple[Track, int, int]:
        """Return the track, how many position epochs the log holds, and how many lack a fix."""
        rmc, gga = self.columns["RMC"], self.columns["GGA"]
        rmc_clock, gga_clock = rmc.clock(1), gga.clock(1)
        valid = np.array([s == "A" for s in rmc.text(2)], dtype=bool)
        quality = gga.number(6, 0, 9, "the quality")
        fixed = quality > 0
        rmc_day = self._dates(rmc, valid)
        no_fix = int((~rmc.bad & ~valid).sum() + (~gga.bad & ~fixed).sum())
        rmc_lat, rmc_lon = _positions(rmc, valid, 3)
        gga_lat, gga_lon = _positions(gga, fixed, 2)
        for columns, clock, mask in ((rmc, rmc_clock, valid), (gga, gga_clock, fixed)):
            columns.fault(mask & np.isnan(clock) & ~columns.bad, lambda _: "there is no time")
        rmc_speed = rmc.number(7, 0, 400, "the speed") * KNOT.value
        rmc_course = rmc.number(8, 0, 360, "the course")
        hdop = gga.number(8, 0, 1000, "the dilution")
        gst, zda = self.columns["GST"], self.columns["ZDA"]
        gst_clock, zda_clock = gst.clock(1), zda.clock(1)
        north = gst.number(6, 0, 1e6, "the error north")
        east = gst.number(7, 0, 1e6, "the error east")
        zda_day = self._zda_dates(zda)
        for name in ("RMC", "GGA", "GST", "ZDA"):
            self._settle(name)
        nothing = np.full(len(gga), -1, dtype=np.int64)
        timed = [
            self._keep("RMC", rmc_clock, rmc_day),
            self._keep("GGA", gga_clock, nothing),
            self._keep("GST", gst_clock, np.full(len(gst), -1, dtype=np.int64)),
            self._keep("ZDA", zda_clock, zda_day),
        ]
        self._moments(timed, options)
        position = self._epochs(
            self._keep("RMC", rmc_lon, rmc_lat, rmc_speed, rmc_course, valid),
            self._keep("GGA", gga_lon, gga_lat, hdop, fixed),
        )
        epochs = position.pop("_count")
        order = position.pop("_index").astype(np.int64)
        times = position.pop("_time").astype(np.int64)
        vtg = self._sensors(order, times)
        course, speed = vtg.pop("vtg_course"), vtg.pop("vtg_speed")
        position["course_deg"] = _fill(position["course_deg"], course)
        position["speed_mps"] = _fill(position["speed_mps"], speed)
        g_index, g_east, g_north = self._keep("GST", east, north)
        for name, values in (("sigma_east_m", g_east), ("sigma_north_m", g_north)):
            sensor = _Sensor(np.asarray(g_index, dtype=np.int64), values.astype(np.float64))
            vtg[name] = self._nearest(sensor, order, times)
        depth = vtg["depth_m"]
        track = Track.from_columns(
            {
                **position,
                **vtg,
                "time": times.astype("datetime64[us]"),
                "depth_below": np.where(np.isfinite(depth), "transducer", "").astype(object),
                "line": np.zeros(len(times), dtype=np.int64),
                "segment": np.zeros(len(times), dtype=np.int64),
                "source": same_text(len(times), self.source),
            }
        )
        return track, int(epochs[0]), no_fix

    def _dates(self, rmc: _Columns, valid: NDArray[np.bool_]) -> IntArray:
        """Return RMC dates as days since 1970, -1 where there is none."""
        cells = rmc.text(9)
        days = np.full(len(cells), -1, dtype=np.int64)
        for text in set(cells):
            day = _day(text[4:6], text[2:4], text[:2]) if len(text) == 6 else None
            if day is not None:
                days[np.array(cells) == text] = day
        wrong = (days < 0) & valid & np.array([c != "" for c in cells], dtype=bool)
        rmc.fault(wrong & ~rmc.bad, lambda i: f"the date is {cells[i][:20]!r}")
        return days

    def _zda_dates(self, zda: _Columns) -> IntArray:
        days = np.full(len(zda), -1, dtype=np.int64)
        for i, (d, m, y) in enumerate(zip(zda.text(2), zda.text(3), zda.text(4), strict=True)):
            day = _day(y, m, d) if y else None
            if day is not None:
                days[i] = day
            elif d or m or y:
                mask = np.zeros(len(zda), dtype=bool)
                mask[i] = True
                zda.fault(mask, lambda _, date=(d, m, y): f"the date is {' '.join(date)!r}")
        return days

    def _moments(self, timed: list[list[NDArray[np.generic]]], options: ReadOptions) -> None:
        """Give every timed sentence its moment: a date, carried over midnight where it is not said."""
        index = np.concatenate([t[0] for t in timed]).astype(np.int64)
        clock = np.concatenate([t[1] for t in timed]).astype(np.float64)
        day = np.concatenate([t[2] for t in timed]).astype(np.int64)
        has = np.isfinite(clock)
        order = np.argsort(index[has], kind="stable")
        index, clock, day = index[has][order], clock[has][order], day[has][order]
        self.timed_index = index
        if not len(index):
            self.timed_us = np.empty(0, dtype=np.int64)
            return
        step = np.diff(clock, prepend=clock[0])
        # A clock that falls back by over an hour has passed midnight; a smaller slip has not.
        turns = np.cumsum((step < -3600).astype(np.int64) - (step > 82800).astype(np.int64))
        dated = np.flatnonzero(day >= 0)
        if not len(dated):
            if options.date is None:
                raise FileError(
                    self.source,
                    "no sentence of the log holds a date (RMC and ZDA do); give the date of its "
                    "first sentence",
                    code="date-missing",
                )
            first = int(np.datetime64(options.date, "D").astype(np.int64))
            days = first + turns
            self.words.append(f"the log holds no date; it was taken to begin on {options.date}")
        else:
            before = np.searchsorted(dated, np.arange(len(index)), side="right") - 1
            after = np.minimum(before + 1, len(dated) - 1)
            last, following = dated[np.maximum(before, 0)], dated[after]
            days = day[last] + turns - turns[last]
            # A sentence just before a dated one of the same second shares its date.
            same = (day < 0) & (clock[following] == clock) & (following > np.arange(len(index)))
            days = np.where(same, day[following], days)
        self.timed_us = days * _DAY_US + np.rint(clock * 1e6).astype(np.int64)

    def _moment_of(self, index: IntArray) -> tuple[IntArray, NDArray[np.bool_]]:
        """Return the moment of sentences: their own, or the last timed one's before them."""
        at = np.searchsorted(self.timed_index, index, side="right") - 1
        known = at >= 0
        if not len(self.timed_us):
            return np.zeros(len(index), dtype=np.int64), known
        return self.timed_us[np.maximum(at, 0)], known

    # -- positions -------------------------------------------------------------------------

    def _epochs(
        self, rmc: list[NDArray[np.generic]], gga: list[NDArray[np.generic]]
    ) -> dict[str, NDArray[np.generic]]:
        r_index, r_lon, r_lat, r_speed, r_course, r_valid = rmc
        g_index, g_lon, g_lat, g_hdop, g_fixed = gga
        r, g = r_valid.astype(bool), g_fixed.astype(bool)
        index = np.concatenate([r_index[r], g_index[g]]).astype(np.int64)
        if not len(index):
            raise FileError(self.source, "the log holds no position (no valid RMC or GGA sentence)")
        nr, ng = int(r.sum()), int(g.sum())

        def both(a: NDArray[np.generic] | None, b: NDArray[np.generic] | None) -> FloatArray:
            left = np.full(nr, np.nan) if a is None else a[r].astype(np.float64)
            right = np.full(ng, np.nan) if b is None else b[g].astype(np.float64)
            return np.concatenate([left, right])[order]

        order = np.argsort(index, kind="stable")
        index = index[order]
        is_rmc = np.arange(nr + ng)[order] < nr
        lon, lat = both(r_lon, g_lon), both(r_lat, g_lat)
        speed, course, hdop = both(r_speed, None), both(r_course, None), both(None, g_hdop)
        times, _ = self._moment_of(index)
        # Neighbours of one moment are one epoch.
        new = np.diff(times, prepend=times[0] - 1) != 0
        epoch = np.cumsum(new) - 1
        n = int(epoch[-1]) + 1
        first = np.flatnonzero(new)
        out: dict[str, NDArray[np.generic]] = {}
        for name, values, preferred in (
            ("lon", lon, is_rmc),
            ("lat", lat, is_rmc),
            ("speed_mps", speed, is_rmc),
            ("course_deg", course, is_rmc),
            ("hdop", hdop, ~is_rmc),
        ):
            merged = np.full(n, np.nan)
            for mask in (~preferred, preferred):
                use = mask & np.isfinite(values)
                # The first of several wins, so they are laid down from the last.
                merged[epoch[use][::-1]] = values[use][::-1]
            out[name] = merged
        moment = times[first]
        keep = _forward(moment)
        for i in np.flatnonzero(~keep):
            self.faults.add(
                int(self.lines[index[first[i]]]),
                "time-backwards",
                f"the time {moment[i].astype('datetime64[us]').astype('datetime64[ms]')}Z runs "
                "backwards against the positions around it",
            )
        out = {name: values[keep] for name, values in out.items()}
        lon_out = out["lon"].astype(np.float64)
        out["lon"] = np.where(lon_out == 180.0, -180.0, lon_out)
        out["_time"], out["_index"] = moment[keep], index[first][keep]
        out["_count"] = np.array([n])
        return out

    # -- sensors ---------------------------------------------------------------------------

    def _sensors(self, order: IntArray, times: IntArray) -> dict[str, FloatArray]:
        vtg, hdt, hdg = self.columns["VTG"], self.columns["HDT"], self.columns["HDG"]
        hdm, dpt, dbt = self.columns["HDM"], self.columns["DPT"], self.columns["DBT"]
        mtw = self.columns["MTW"]
        vtg_course = vtg.number(1, 0, 360, "the course")
        vtg_speed = vtg.number(5, 0, 400, "the speed") * KNOT.value
        true = hdt.number(1, 0, 360, "the heading")
        magnetic = hdm.number(1, 0, 360, "the heading")
        compass_reading = hdg.number(1, 0, 360, "the heading")
        deviation = _signed(hdg, 2, "the deviation")
        variation = _signed(hdg, 4, "the variation")
        depth = dpt.number(1, 0, 12000, "the depth")
        metres = dbt.number(3, 0, 12000, "the depth")
        metres = _fill(metres, dbt.number(1, 0, 40000, "the depth") * FOOT.value)
        metres = _fill(metres, dbt.number(5, 0, 7000, "the depth") * FATHOM.value)
        warmth = mtw.number(1, -5, 60, "the temperature")
        for name in ("VTG", "HDT", "HDG", "HDM", "DPT", "DBT", "MTW"):
            self._settle(name)
        unstated = np.isfinite(variation) & np.isnan(deviation) & np.isfinite(compass_reading)
        if unstated.any():
            self.words.append(
                f"{int(unstated.sum())} HDG sentences give a variation but no deviation; "
                "their deviation was taken as 0"
            )
        compass = (compass_reading + np.nan_to_num(deviation)) % 360.0
        corrected = (compass + variation) % 360.0

        def put(*parts: tuple[str, FloatArray]) -> FloatArray:
            indexes: list[IntArray] = []
            values: list[FloatArray] = []
            for name, array in parts:
                at, kept = self._keep(name, array)
                given = np.isfinite(kept.astype(np.float64))
                indexes.append(at[given].astype(np.int64))
                values.append(kept[given].astype(np.float64))
            index = np.concatenate(indexes)
            by_index = np.argsort(index, kind="stable")
            sensor = _Sensor(index[by_index], np.concatenate(values)[by_index])
            return self._nearest(sensor, order, times)

        only_magnetic = np.where(np.isnan(variation), compass, np.nan)
        return {
            "heading_deg": _fill(put(("HDT", true)), put(("HDG", corrected))),
            "heading_mag_deg": put(("HDM", magnetic), ("HDG", only_magnetic)),
            "depth_m": _fill(put(("DPT", depth)), put(("DBT", metres))),
            "water_temperature_c": put(("MTW", warmth)),
            "vtg_course": put(("VTG", vtg_course)),
            "vtg_speed": put(("VTG", vtg_speed)),
        }

    def _nearest(self, sensor: _Sensor, order: IntArray, times: IntArray) -> FloatArray:
        """Return for each epoch the reading nearest in the file, none older than `STALE_S`."""
        out = np.full(len(order), np.nan)
        if not len(sensor.index):
            return out
        moment, known = self._moment_of(sensor.index)
        n = len(sensor.index)
        after = np.searchsorted(sensor.index, order)
        before = np.maximum(after - 1, 0)
        age = times - moment[before]
        use_before = (after > 0) & known[before] & (age >= 0) & (age <= STALE_S * 1e6)
        after_at = np.minimum(after, n - 1)
        use_after = (after < n) & (moment[after_at] == times)
        closer = (sensor.index[after_at] - order) < (order - sensor.index[before])
        pick_after = use_after & (closer | ~use_before)
        out[use_before] = sensor.values[before[use_before]]
        out[pick_after] = sensor.values[after_at[pick_after]]
        return out


def _day(year: str, month: str, day: str) -> int | None:
    """Return days since 1970; a year of two digits is 1980 to 2079, else it has four."""
    digits = all(p.isascii() and p.isdigit() for p in (year, month, day))
    if not digits or len(year) not in (2, 4) or year == "0000":
        return None
    y = int(year)
    if len(year) == 2:
        y += 1900 if y >= 80 else 2000
    try:
        return int(np.datetime64(f"{y:04d}-{int(month):02d}-{int(day):02d}", "D").astype(np.int64))
    except ValueError:
        return None


def _positions(
    columns: _Columns, used: NDArray[np.bool_], at: int
) -> tuple[FloatArray, FloatArray]:
    """Return latitude and longitude of the sentences that claim a fix."""
    part = _Columns([r for r, u in zip(columns.rows, used, strict=True) if u])
    lat, lon = part.angle(at, 90.0, "NS"), part.angle(at + 2, 180.0, "EW")
    where = np.flatnonzero(used)
    out = np.full((2, len(columns)), np.nan)
    out[0, where], out[1, where] = lat, lon
    mask = np.zeros(len(columns), dtype=bool)
    mask[where[part.bad]] = True
    reasons = dict(zip(where.tolist(), part.reason, strict=True))
    columns.fault(mask, lambda i: reasons[i])
    return out[0], out[1]


def _signed(columns: _Columns, at: int, what: str) -> FloatArray:
    values = columns.number(at, 0, 180, what)
    letters = columns.text(at + 1)
    sign = np.array([{"E": 1.0, "W": -1.0}.get(s, np.nan) for s in letters])
    columns.fault(
        np.isfinite(values) & np.isnan(sign) & (values != 0),
        lambda i: f"{what} has the direction {letters[i]!r}",
    )
    return np.asarray(np.where(values == 0, 0.0, values * sign))


def _fill(values: NDArray[np.generic], other: FloatArray) -> FloatArray:
    first = values.astype(np.float64)
    return np.where(np.isnan(first), other, first)


def _forward(times: IntArray) -> NDArray[np.bool_]:
    """Return the largest choice of epochs whose times only grow.

    One wild time then costs itself and not everything after it.
    """
    if np.all(np.diff(times) > 0):
        return np.ones(len(times), dtype=bool)
    tails: list[int] = []
    tail_at: list[int] = []
    back = np.full(len(times), -1, dtype=np.int64)
    for i, t in enumerate(times.tolist()):
        k = bisect_right(tails, t)
        if k and tails[k - 1] == t:
            continue  # the same moment again adds nothing
        back[i] = tail_at[k - 1] if k else -1
        if k == len(tails):
            tails.append(t)
            tail_at.append(i)
        else:
            tails[k], tail_at[k] = t, i
    keep = np.zeros(len(times), dtype=bool)
    i = tail_at[-1] if tail_at else -1
    while i >= 0:
        keep[i] = True
        i = int(back[i])
    return keep
