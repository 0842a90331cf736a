"""Buzzers that were taught, kept as JSON files in the user's data folder.

One file a buzzer, ``NAME.json``, in the folder ``buzzers`` of the user's data folder, or of the
folder that the environment variable THIRDEAR_HOME names. Each says its schema, so that a later
program knows what it reads.
"""

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np

from analysis.ear.buzzer import STEPS, BuzzerPrint
from listen.errors import BadInput
from listen.paths import home

SCHEMA = "thirdear/buzzer/1"


def folder() -> Path:
    """Return the folder of the taught buzzers; it need not be there yet."""
    return home() / "buzzers"


def names() -> list[str]:
    """Return the names of the buzzers that were taught, in alphabetical order."""
    return sorted(path.stem for path in folder().glob("*.json"))


def save(name: str, buzzer: BuzzerPrint) -> Path:
    """Keep a buzzer under a name, in place of an older one of that name.

    Raises
    ------
    BadInput
        If the name cannot be a file's, or the folder cannot be written.
    """
    path = path_of(name)
    text = json.dumps(as_dict(buzzer), allow_nan=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh = path.with_suffix(".new")
        fresh.write_text(text + "\n", encoding="utf-8")
        fresh.replace(path)
    except OSError as trouble:
        raise BadInput(f"cannot write {path}: {trouble.strerror or trouble}") from None
    return path


def load(name: str) -> BuzzerPrint:
    """Return a buzzer that was taught.

    Raises
    ------
    BadInput
        If there is none of that name, or its file cannot be used.
    """
    path = path_of(name)
    if not path.is_file():
        known = ", ".join(names())
        rest = f"known: {known}" if known else "none has been taught yet"
        raise BadInput(f"no buzzer {name!r}: {rest}; teach it with thirdear learn {name}")
    try:
        buzzer = from_dict(json.loads(path.read_text(encoding="utf-8")))
        if buzzer.open_state is None:
            raise ValueError("a state is 0 or 1")
        return buzzer
    except OSError as trouble:
        raise BadInput(f"cannot read {path}: {trouble.strerror or trouble}") from None
    except (ValueError, KeyError, TypeError, RecursionError) as trouble:
        why = f"it has no {trouble}" if isinstance(trouble, KeyError) else trouble
        raise BadInput(
            f"{path} is not a taught buzzer ({why}): teach it again with thirdear learn {name}"
        ) from None


def as_dict(buzzer: BuzzerPrint) -> dict[str, Any]:
    """Return a print as plain values, rounded to what matters."""
    return {
        "schema": SCHEMA,
        "columns_hz": np.round(buzzer.columns_hz, 2).tolist(),
        "evidence": np.round(buzzer.evidence, 3).tolist(),
        "spectrum_hz": np.round(buzzer.spectrum_hz, 2).tolist(),
        "spectrum": [[float(f"{power:.4g}") for power in state] for state in buzzer.spectrum],
        "silent": buzzer.silent,
        "open_state": buzzer.open_state,
        "margin_db": round(buzzer.margin_db, 2),
        "pulse_s": None if buzzer.pulse_s is None else [round(s, 4) for s in buzzer.pulse_s],
    }


def from_dict(values: Any) -> BuzzerPrint:
    """Return the print that plain values describe; it counts as taught.

    Raises
    ------
    ValueError, KeyError, TypeError
        If they do not describe one.
    """
    if not isinstance(values, dict) or values.get("schema") != SCHEMA:
        raise ValueError(f"its schema is not {SCHEMA}")
    columns, evidence, hz, spectrum = (
        np.asarray(values[key], dtype=float)
        for key in ("columns_hz", "evidence", "spectrum_hz", "spectrum")
    )
    count, bins = len(columns), len(hz)
    shapes = (count, 2), (count, STEPS), (bins,), (2, bins)
    arrays = columns, evidence, hz, spectrum
    if count == 0 or bins < 2 or any(a.shape != s for a, s in zip(arrays, shapes, strict=True)):
        raise ValueError("its tables do not fit together")
    if not all(np.isfinite(a).all() for a in arrays) or spectrum.min() <= 0:
        raise ValueError("there are numbers in it that cannot be")
    silent, open_state, pulse = values["silent"], values["open_state"], values["pulse_s"]
    if silent not in (0, 1, None) or open_state not in (0, 1, None):
        raise ValueError("a state is 0 or 1")
    return BuzzerPrint(
        columns_hz=columns,
        evidence=evidence,
        spectrum_hz=hz,
        spectrum=spectrum,
        silent=silent,
        margin_db=float(values["margin_db"]),
        quality=math.inf,
        pulse_s=None if pulse is None else (float(pulse[0]), float(pulse[1])),
        open_state=open_state,
    )


def path_of(name: str) -> Path:
    """Return the file of a buzzer, which need not be there.

    Raises
    ------
    BadInput
        If the name cannot be a file's.
    """
    if not re.fullmatch(r"\w[\w-]{0,39}", name):
        raise BadInput(f"{name!r} cannot be a buzzer's name: use up to 40 letters, digits, - and _")
    return folder() / f"{name}.json"
