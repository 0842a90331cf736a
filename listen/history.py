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
from listen.pictures import Area, Label, Picture, Polyline, Shape, dot, whisker


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


_WIDTH, _LEFT, _PANEL = 170.0, 16.0, 56.0
"""Of the picture, of its axis, and the height of a panel, in mm."""


def history_picture(found: Sequence[CylinderHistory]) -> Picture:
    """Draw angle against date, one panel a cylinder."""
    words = " ".join(f"{one.engine}, cylinder {one.name}: {one.words()}." for one in found)
    picture = Picture(_WIDTH, _PANEL * len(found), "Opening angle against date", words)
    days = [session.day for one in found for session in one.sessions]
    for place, one in enumerate(found):
        panel = _panel(one, _PANEL * place, min(days), max(days))
        picture.shapes += [*_axes(one, panel), *_drift_line(one, panel), *_angles(one, panel)]
    return picture


@dataclass(frozen=True)
class _Panel:
    """One cylinder's part of the picture: its edges in mm, and what lies at them."""

    top: float
    bottom: float
    low_deg: float
    high_deg: float
    first_day: float
    last_day: float

    def x(self, day: float) -> float:
        span = max(self.last_day - self.first_day, 30.0)
        return _LEFT + 9.0 + (day - self.first_day) / span * (_WIDTH - _LEFT - 20.0)

    def y(self, angle: float) -> float:
        share = (angle - self.low_deg) / (self.high_deg - self.low_deg)
        return self.bottom - share * (self.bottom - self.top)


def _panel(one: CylinderHistory, top: float, first_day: float, last_day: float) -> _Panel:
    shown = [s.angle_deg + side * s.U_deg for s in one.sessions for side in (-1, 1)]
    shown += [one.figure_deg - one.tolerance_deg, one.figure_deg + one.tolerance_deg]
    edges = top + 13.0, top + _PANEL - 8.0
    return _Panel(*edges, min(shown) - 0.3, max(shown) + 0.3, first_day, last_day)


def _axes(one: CylinderHistory, panel: _Panel) -> list[Shape]:
    """Draw the band of the tolerance, the figure in it, and what stands beside."""
    edges = one.figure_deg - one.tolerance_deg, one.figure_deg + one.tolerance_deg
    low, figure, high = (panel.y(angle) for angle in (edges[0], one.figure_deg, edges[1]))
    right, bottom = _WIDTH - 2, panel.bottom
    band = [(_LEFT, low), (right, low), (right, high), (_LEFT, high)]
    shapes: list[Shape] = [
        Area(band, "band"),
        Polyline([(_LEFT, figure), (right, figure)], "spec", 0.3, True),
        Polyline([(_LEFT, panel.top), (_LEFT, bottom), (right, bottom)]),
    ]
    for angle in (*edges, one.figure_deg):
        shapes.append(Label((_LEFT - 1.5, panel.y(angle) + 1), f"{angle:g}", 3.0, "end"))
    for day in dict.fromkeys((panel.first_day, panel.last_day)):
        shapes.append(Label((panel.x(day), bottom + 4.2), _date(day), 3.0))
    title = f"{one.engine}, cylinder {one.name}"
    shapes.append(Label((2.0, panel.top - 7.5), title, 3.2, "start", bold=True))
    shapes.append(Label((2.0, panel.top - 3.0), one.words(), 3.0, "start"))
    return shapes


def _drift_line(one: CylinderHistory, panel: _Panel) -> list[Shape]:
    """Draw the drift since the points were last set; dashed where it is not beyond chance."""
    if one.drift is None:
        return []
    since = since_setting(one.sessions)
    ends = since[0].day, since[-1].day
    line = [(panel.x(day), panel.y(one.drift.angle_deg(day))) for day in ends]
    return [Polyline(line, "ink", 0.3, not one.drift.beyond_chance)]


def _angles(one: CylinderHistory, panel: _Panel) -> list[Shape]:
    """Draw each angle with its uncertainty, and as it was found where that differs."""
    shapes: list[Shape] = []
    for session in one.sessions:
        at, doubt = panel.x(session.day), session.U_deg
        low, high = panel.y(session.angle_deg - doubt), panel.y(session.angle_deg + doubt)
        shapes += whisker((at, low), (at, high))
        shapes.append(Area(dot((at, panel.y(session.angle_deg)), 1.0), "mark"))
        if session.found_deg is not None:
            found_y = min(max(panel.y(session.found_deg), panel.top), panel.bottom)
            shapes.append(Area(dot((at, found_y), 1.0), "mark", filled=False))
    return shapes


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
