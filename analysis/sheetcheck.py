"""Contradictions in an engine's sheet: figures that are each possible and do not go together.

`questions` returns sentences that say what does not fit what; none means that nothing was found.

What counts as unusual (rod by stroke, a figure far before or after dead centre) is common
practice, no source. The best a wheel can do is the budget of three sweeps without any spread and
one pair of stops (:mod:`analysis.budget`).
"""

from analysis.budget import Scatter, combine
from analysis.deadcentre import StopPair, dead_centre
from analysis.engine import Engine
from analysis.opening import sweep_lines
from analysis.wheel import show

_USUAL_ROD = (1.3, 3.5)
_USUAL_FIGURE = (-15.0, 70.0)


def questions(engine: Engine) -> tuple[str, ...]:
    """Return what does not fit in a sheet.

    Parameters
    ----------
    engine : Engine
        Figures that are each possible.
    """
    return (*_firing(engine), *_angles(engine), *_wheel(engine), *_crank(engine))


def best_uncertainty_deg(engine: Engine) -> float:
    """Return the least expanded uncertainty that the sheet's wheel allows with three sweeps."""
    stops = dead_centre([StopPair(18.0, 18.0)], engine.wheel)
    sweeps = sweep_lines(Scatter(0.0, 2), 3, engine.wheel)
    return combine([*sweeps, *stops.budget.lines]).U_deg


def _firing(engine: Engine) -> list[str]:
    found = []
    at: dict[float, str] = {}
    for cylinder in engine.cylinders:
        other = at.setdefault(cylinder.fires_at_deg, cylinder.name)
        if other != cylinder.name:
            found.append(f"cylinders {other} and {cylinder.name} fire at the same moment")
        apart = engine.cam_turn_deg / engine.lobes
        left = cylinder.fires_at_deg % apart
        if engine.lobes > 1 and min(left, apart - left) > 1e-6:
            found.append(
                f"a cam of {engine.lobes} even lobes opens every {apart:g} crank degrees, but "
                f"cylinder {cylinder.name} fires at {cylinder.fires_at_deg:g}"
            )
    if engine.firing_order:
        by_angle = [c.name for c in sorted(engine.cylinders, key=lambda c: c.fires_at_deg)]
        order = list(engine.firing_order)
        turned = [order[place:] + order[:place] for place in range(len(order))]
        if by_angle not in turned:
            found.append(
                f"firing_order is {', '.join(order)}, but fires_at gives {', '.join(by_angle)}"
            )
    return found


def _angles(engine: Engine) -> list[str]:
    found = []
    figure, static = engine.opens_at_deg, engine.static_opens_at_deg
    if not _USUAL_FIGURE[0] <= figure <= _USUAL_FIGURE[1]:
        found.append(f"opens_at is {show(figure)} top dead centre, which is unusual; is it so?")
    if static is not None and static > figure:
        found.append(
            f"static_opens_at, {show(static)}, is earlier than opens_at at full advance, "
            f"{show(figure)}"
        )
    return found


def _wheel(engine: Engine) -> list[str]:
    found = []
    wheel, best = engine.wheel, best_uncertainty_deg(engine)
    if wheel.read_to_deg > wheel.graduation_deg:
        found.append(
            f"read_to_deg, {wheel.read_to_deg:g}, is coarser than the wheel's own graduation, "
            f"{wheel.graduation_deg:g}"
        )
    for name, limit in (
        ("tolerance_deg", engine.tolerance_deg),
        ("spread_limit_deg", engine.spread_limit_deg),
    ):
        if limit is not None and limit < best:
            found.append(
                f"{name}, {limit:g}, is finer than this wheel can show: at best an opening is "
                f"known to {best:.2f} degrees; a finer or larger wheel is needed"
            )
    return found


def _crank(engine: Engine) -> list[str]:
    if engine.crank is None:
        return []
    ratio = engine.crank.rod_mm / engine.crank.stroke_mm
    if _USUAL_ROD[0] <= ratio <= _USUAL_ROD[1]:
        return []
    return [f"the rod is {ratio:.1f} times the stroke, which is unusual; are both in millimetres?"]
