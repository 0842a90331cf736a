"""The history of an engine, from the records that were kept of it."""

import datetime
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.history import DatedAngle, Drift, drift, since_setting
from analysis.record import SCHEMA
from listen.errors import BadInput
from listen.pictures import Area, Label, Picture, Point, Polyline, dot, whisker


@dataclass(frozen=True)
class CylinderHistory:
    """One cylinder over the years.

    Attributes
    ----------
    engine, name : str
    figure_deg, tolerance_deg : float
        As the newest record has them.
    sessions : tuple of DatedAngle
        In order of time; days count from the start of the calendar.
    drift : Drift or None
        Of the sessions since the points were last set.
    """

    engine: str
    name: str
    figure_deg: float
    tolerance_deg: float
    sessions: tuple[DatedAngle, ...]
    drift: Drift | None

    @property
    def dates(self) -> list[str]:
        """The sessions' dates."""
        return [_date(session.day) for session in self.sessions]

    def words(self) -> str:
        """Say what the drift tells."""
        line = self.drift
        if line is None:
            return "one date since the points were set: no drift to tell"
        slope = f"{abs(line.per_year_deg):.2f} ± {line.U_per_year_deg:.2f} degrees a year"
        if not line.beyond_chance:
            return f"no drift beyond chance ({slope})"
        way = "retards" if line.per_year_deg < 0 else "advances"
        leaves = line.leaves_day
        if leaves is None:
            return f"{way} {slope}"
        if leaves <= self.sessions[-1].day:
            return f"{way} {slope}; the line has left the tolerance"
        return f"{way} {slope}; at this rate it leaves the tolerance about {_date(leaves)}"

    def rows(self) -> list[dict[str, object]]:
        """Return the sessions as rows of a table."""
        return [
            {
                "engine": self.engine, "cylinder": self.name, "date": date,
                "angle_deg": round(session.angle_deg, 4), "u_deg": round(session.u_deg, 4),
                "U_deg": round(session.U_deg, 4), "found_deg": session.found_deg,
                "line_deg": round(self.drift.angle_deg(session.day), 4) if self.drift else None,
            }
            for date, session in zip(self.dates, self.sessions, strict=True)
        ]  # fmt: skip

    def as_dict(self) -> dict[str, object]:
        """Return the history as a plain object."""
        line = self.drift
        leaves = line.leaves_day if line else None
        return {
            "engine": self.engine,
            "cylinder": self.name,
            "figure_deg": self.figure_deg,
            "tolerance_deg": self.tolerance_deg,
            "sessions": self.rows(),
            "drift": {
                "per_year_deg": round(line.per_year_deg, 5),
                "u_per_year_deg": round(line.u_per_year_deg, 5),
                "U_per_year_deg": round(line.U_per_year_deg, 5),
                "beyond_chance": line.beyond_chance,
                "leaves_tolerance": None if leaves is None else _date(leaves),
            }
            if line
            else None,
        }


def read_record(path: Path) -> dict[str, Any]:
    """Read a record that was kept as JSON.

    Raises
    ------
    BadInput
        If it is no record, is spoilt, or does not tell its date.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise BadInput(f"cannot read {path}: {trouble.strerror or trouble}") from None
    except ValueError:
        raise BadInput(f"{path} is not JSON") from None
    if not isinstance(record, dict) or record.get("schema") != SCHEMA:
        raise BadInput(f"{path} is not a record of this program ({SCHEMA})")
    try:
        kept = dated(record)
    except (KeyError, TypeError, ValueError):
        raise BadInput(
            f"{path} does not tell its date; make it again with replay --when 2026-05-03"
        ) from None
    try:
        _told(kept)
    except (KeyError, TypeError, ValueError) as trouble:
        why = f"it has no {trouble}" if isinstance(trouble, KeyError) else trouble
        raise BadInput(f"{path} is a spoilt record ({why}); make it again with replay") from None
    return kept


def dated(record: dict[str, Any]) -> dict[str, Any]:
    """Return a record with its ``day``, counted from the start of the calendar."""
    return {**record, "day": _day(record["inputs"]["when"])}


def each_once(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the records without those of a job that is there already.

    The page that was kept of a session and the session in the logbook are one job: the same
    engine, day and readings.
    """
    kept: dict[str, dict[str, Any]] = {}
    for record in records:
        readings = record.get("readings", record)
        job = json.dumps([record["engine"]["name"], record["day"], readings], sort_keys=True)
        kept.setdefault(job, record)
    return list(kept.values())


def histories(records: Sequence[dict[str, Any]]) -> list[CylinderHistory]:
    """Gather records by engine and cylinder.

    Parameters
    ----------
    records : sequence of dict
        As `read_record` or `dated` gives them, in any order.

    Raises
    ------
    BadInput
        If no record knows an opening angle.
    """
    groups: dict[tuple[str, str], list[_Told]] = {}
    for record in sorted(records, key=lambda record: float(record["day"])):
        for told in _told(record):
            groups.setdefault((told.engine, told.name), []).append(told)
    if not groups:
        raise BadInput("none of these records knows where the points open")
    found = []
    for (engine, name), entries in groups.items():
        sessions = tuple(told.session for told in entries)
        figure, tolerance = entries[-1].figure_deg, entries[-1].tolerance_deg
        line = drift(since_setting(sessions), figure, tolerance)
        found.append(CylinderHistory(engine, name, figure, tolerance, sessions, line))
    return found


def history_picture(found: Sequence[CylinderHistory]) -> Picture:
    """Draw angle against date, one panel a cylinder."""
    width, high, left = 170.0, 56.0, 16.0
    words = " ".join(f"{one.engine}, cylinder {one.name}: {one.words()}." for one in found)
    picture = Picture(width, high * len(found), "Opening angle against date", words)
    days = [session.day for one in found for session in one.sessions]
    first, last = min(days), max(days)
    span = max(last - first, 30.0)

    def x(day: float) -> float:
        return left + 9.0 + (day - first) / span * (width - left - 20.0)

    for panel, one in enumerate(found):
        top, bottom = high * panel + 13.0, high * (panel + 1) - 8.0
        edges = [one.figure_deg - one.tolerance_deg, one.figure_deg + one.tolerance_deg]
        shown = [s.angle_deg + side * s.U_deg for s in one.sessions for side in (-1, 1)]
        low, most = min(edges + shown) - 0.3, max(edges + shown) + 0.3

        def y(angle: float, low: float = low, most: float = most, top: float = top,
              bottom: float = bottom) -> float:  # fmt: skip
            return bottom - (angle - low) / (most - low) * (bottom - top)

        band: list[Point] = [
            (left, y(edges[0])), (width - 2, y(edges[0])),
            (width - 2, y(edges[1])), (left, y(edges[1])),
        ]  # fmt: skip
        picture.shapes.append(Area(band, "band"))
        figure = y(one.figure_deg)
        picture.shapes.append(Polyline([(left, figure), (width - 2, figure)], "spec", 0.3, True))
        picture.shapes.append(Polyline([(left, top), (left, bottom), (width - 2, bottom)]))
        for angle in (*edges, one.figure_deg):
            picture.shapes.append(Label((left - 1.5, y(angle) + 1), f"{angle:g}", 3.0, "end"))
        for day in dict.fromkeys((first, last)):
            picture.shapes.append(Label((x(day), bottom + 4.2), _date(day), 3.0))
        title = f"{one.engine}, cylinder {one.name}"
        picture.shapes.append(Label((2.0, top - 7.5), title, 3.2, "start", bold=True))
        picture.shapes.append(Label((2.0, top - 3.0), one.words(), 3.0, "start"))
        if one.drift:
            since = since_setting(one.sessions)
            ends = since[0].day, since[-1].day
            line = [(x(day), y(one.drift.angle_deg(day))) for day in ends]
            picture.shapes.append(Polyline(line, "ink", 0.3, not one.drift.beyond_chance))
        for session in one.sessions:
            at, doubt = x(session.day), session.U_deg
            ends_at = (y(session.angle_deg - doubt), y(session.angle_deg + doubt))
            picture.shapes += whisker((at, ends_at[0]), (at, ends_at[1]))
            picture.shapes.append(Area(dot((at, y(session.angle_deg)), 1.0), "mark"))
            if session.found_deg is not None:
                found_at = (at, min(max(y(session.found_deg), top), bottom))
                picture.shapes.append(Area(dot(found_at, 1.0), "mark", filled=False))
    return picture


@dataclass(frozen=True)
class _Told:
    """What one record tells of one cylinder."""

    engine: str
    name: str
    figure_deg: float
    tolerance_deg: float
    session: DatedAngle


def _told(record: dict[str, Any]) -> list[_Told]:
    """Return the cylinders whose opening angle a record knows.

    A KeyError, TypeError or ValueError says what is wrong with it.
    """
    told = []
    for cylinder in record["cylinders"]:
        angle, phases = cylinder["opens_at"], cylinder["phases"]
        if not angle or not angle["u_deg"]:
            continue
        set_ = "found" in phases and "left" in phases
        session = DatedAngle(
            record["day"],
            _number(angle["angle_deg"]),
            _number(angle["u_deg"]),
            _number(angle["U_deg"]),
            math.inf if angle["dof"] is None else _number(angle["dof"]),
            _number(phases["found"]["angle_deg"]) if set_ else None,
        )
        told.append(
            _Told(
                str(record["engine"]["name"]), str(cylinder["name"]),
                _number(cylinder["spec_deg"]), _number(cylinder["tolerance_deg"]), session,
            )
        )  # fmt: skip
    return told


def _number(value: object) -> float:
    if not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is not a number")
    return float(value)


def _day(text: str) -> float:
    return float(datetime.datetime.fromisoformat(text).date().toordinal())


def _date(day: float) -> str:
    last = datetime.date.max.toordinal()
    return datetime.date.fromordinal(min(max(1, round(day)), last)).isoformat()
