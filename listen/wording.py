"""The sentences of a record, which its page and the screen both show."""

from analysis.engine import Engine
from analysis.record import CylinderRecord, TimingRecord

VERDICTS = {"within": "✓ within", "outside": "✗ outside", "undecided": "? undecided"}


def side(angle_deg: float, positive: str, negative: str) -> str:
    """Write an angle to a tenth, with a word for its sign."""
    tenths = round(angle_deg, 1)
    word = positive if tenths > 0 else negative if tenths < 0 else ""
    return f"{abs(tenths):.1f} {word}".rstrip()


def off_by(angle_deg: float, engine: Engine) -> str:
    """Write how far an opening angle lies from the figure, and which way."""
    return side(angle_deg - engine.opens_at_deg, "early", "late")


def action(cylinder: CylinderRecord, engine: Engine) -> str:
    """Say in words what is to be done."""
    move, verdict = cylinder.correction, cylinder.verdict.verdict
    if move.crank_deg is None or move.cam_deg is None:
        return "No verdict: too little is known."
    if verdict == "within":
        return "Leave it."
    if move.turn == "none":
        return "On the figure, but readings differ too much to be sure; take more sweeps."
    words = f"{move.turn.capitalize()} {move.crank_deg:.1f} crank degrees"
    if engine.cam_speed == "half":
        words += f" = {move.cam_deg:.1f} at the cam"
    if move.plate_mm is not None:
        words += f" = {move.plate_mm:.1f} mm at the plate"
    if verdict == "outside":
        way = "against" if move.turn == "advance" else "with"
        return f"{words}: the plate {way} the cam's turning."
    chance = cylinder.verdict.chance_within or 0.0
    return (
        f"Chance within: {chance:.0%}; more sweeps may tell. Best estimate: "
        f"{words[0].lower()}{words[1:]}."
    )


def dead_centre(cylinder: CylinderRecord) -> str:
    """Say in words how the wheel stood, and by what that is known."""
    used = cylinder.dead_centre
    if used.source == "unknown" or used.wheel_error_deg is None:
        return "Dead centre: not known, angles are as read."
    error = used.wheel_error_deg
    way = "before" if error > 0 else "after"
    amount = f"{abs(error):.2f}".rstrip("0").rstrip(".")
    state = "true" if amount == "0" else f"{amount} deg too far {way}"
    doubt = f" (u {used.u_deg:.2f})" if used.u_deg is not None else ""
    if used.source == "carried":
        return f"Wheel {state}{doubt}, by cylinder {used.from_cylinder}'s stops."
    if used.source == "zeroed":
        was = f", was {state}" if amount != "0" else ""
        return f"Wheel set to true dead centre{was}{doubt}."
    stops = " and ".join(stop.reading.written for stop in used.stops[:2])
    if len(used.stops) > 2:
        stops = f"{len(used.stops)} stops"
    sides = used.measured.pairs[0].each_side_deg if used.measured else None
    each = f", so {sides:g} each side" if sides is not None and len(used.stops) == 2 else ""
    return f"Wheel {state}{doubt}: stops {stops}{each}."


def comparisons(record: TimingRecord) -> list[str]:
    """Say in words what the readings tell of lash, advance, dwell and the cylinders' spread."""
    engine = record.engine
    found = []
    for cylinder in record.cylinders:
        name = f"cylinder {cylinder.figure.name}"
        for kind, estimate in cylinder.comparisons.items():
            value, doubt = estimate.value_deg, f"± {estimate.budget.U_deg:.1f}"
            if kind == "lash":
                found.append(f"{name}: lash {value:.1f} {doubt} crank degrees")
            elif kind == "moved":
                found.append(f"{name}: moved {side(value, 'earlier', 'later')} {doubt} since found")
            elif kind == "advance":
                static = engine.static_opens_at_deg
                asked = (
                    "" if static is None else f"; the sheet says {engine.opens_at_deg - static:g}"
                )
                found.append(
                    f"{name}: advance range {value:.1f} {doubt} crank degrees = "
                    f"{value * engine.cam_ratio:.1f} at its shaft{asked}"
                )
            else:
                asked = f"; the sheet says {engine.dwell_deg:g}" if engine.dwell_deg else ""
                share = value * engine.lobes / 3.6
                found.append(
                    f"{name}: dwell {value:.1f} {doubt} degrees of the cam = {share:.0f} %{asked}"
                )
    if record.spread:
        spread = record.spread
        limit = "" if engine.spread_limit_deg is None else f"; limit {engine.spread_limit_deg:g}"
        found.append(
            f"between cylinders: {spread.value_deg:.1f} ± {spread.budget.U_deg:.1f} crank "
            f"degrees{limit}"
        )
    return found


def put_aside(record: TimingRecord) -> list[str]:
    """Say which changes the mechanic said need no reading, and why."""
    return [f"at {one.change.time_s:.1f} s: {one.reason}" for one in record.ignored]


def look_here(record: TimingRecord) -> list[str]:
    """Return the record's warnings, and the readings without a partner."""
    alone = ", ".join(reading.where() for reading in record.unpaired_readings)
    return [*record.warnings, *([f"without a partner: {alone}"] if alone else [])]
