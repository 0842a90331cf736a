"""General-purpose detectors on the same scenes, each set up as kindly as is fair.

* librosa: `onset_detect` with its defaults but a hop of 128 samples, so that its grid alone does
  not cost it the 5 ms.
* aubio, where installed: onset method "default", window 1024, hop 128.
* ruptures: kernel change-point detection (linear kernel) on 24 mel bands in decibels every 5 ms,
  each scaled by its own noise, penalty 3 d log n.
* band-pass and Hilbert envelope: told the buzzer's frequency (or both, or a growl's range) and a
  beeper's period; threshold half-way between the two levels with hysteresis; zero-phase filter.
  Changes less than 30 ms apart are one change.

Each takes a scene and returns times in seconds.
"""

from __future__ import annotations

import importlib.util

import numpy as np
import numpy.typing as npt
from scipy import signal

from .scenes import Scene

Array = npt.NDArray[np.float64]


def has_aubio() -> bool:
    """Tell whether aubio is installed."""
    return importlib.util.find_spec("aubio") is not None


def with_librosa(scene: Scene) -> list[float]:
    """Return librosa's onsets."""
    import librosa

    onsets = librosa.onset.onset_detect(
        y=scene.samples, sr=scene.rate_hz, hop_length=128, units="time"
    )
    return [float(t) for t in onsets]


def with_aubio(scene: Scene) -> list[float]:
    """Return aubio's onsets."""
    import aubio

    hop = 128
    detector = aubio.onset("default", 1024, hop, scene.rate_hz)
    found = []
    for start in range(0, len(scene.samples) - hop + 1, hop):
        if detector(scene.samples[start : start + hop])[0]:
            found.append(float(detector.get_last_s()))
    return found


def with_ruptures(scene: Scene) -> list[float]:
    """Return the change points of mel bands."""
    import librosa
    import ruptures

    hop = scene.rate_hz // 200
    bands = librosa.feature.melspectrogram(
        y=scene.samples, sr=scene.rate_hz, n_fft=2 * hop, hop_length=hop, n_mels=24
    )
    levels = librosa.power_to_db(bands, top_db=60.0).T
    steps = np.diff(levels, axis=0)
    scale = np.median(np.abs(steps - np.median(steps, axis=0)), axis=0) / 0.6745 / np.sqrt(2.0)
    levels = levels / np.maximum(scale, 0.1)
    n, d = levels.shape
    cuts = ruptures.KernelCPD(kernel="linear", min_size=6).fit(levels)
    return [i * hop / scene.rate_hz for i in cuts.predict(pen=3.0 * d * np.log(n))[:-1]]


def with_band_pass(scene: Scene) -> list[float]:
    """Return the threshold crossings of the envelope in the buzzer's own band."""
    if scene.buzzer == "two-pitch":
        one, other = (_envelope(scene, 0.95 * f, 1.02 * f) for f in scene.pitches_hz)
        course = np.log(one + 1e-9) - np.log(other + 1e-9)
    elif scene.buzzer == "growl":
        course = _envelope(scene, 0.9 * scene.pitches_hz[0], 20.0 * scene.pitches_hz[0])
    else:
        course = _envelope(scene, 0.94 * scene.pitches_hz[0], 1.03 * scene.pitches_hz[0])
    low, high = np.percentile(course, [10.0, 90.0])
    moves = _crossings(course, low, high, scene.rate_hz)
    bridge = 1.1 * scene.beep_period_s if scene.buzzer == "pulsed" else 0.0
    return _changes(moves, bool(course[0] > 0.5 * (low + high)), bridge)


def _envelope(scene: Scene, low_hz: float, high_hz: float) -> Array:
    high_hz = min(high_hz, 0.49 * scene.rate_hz)
    sos = signal.butter(2, [low_hz, high_hz], "bandpass", fs=scene.rate_hz, output="sos")
    x = signal.sosfiltfilt(sos, scene.samples.astype(float))
    envelope = np.abs(signal.hilbert(x))
    size = scene.rate_hz // 500
    return np.convolve(envelope, np.ones(size) / size, mode="same")


def _crossings(course: Array, low: float, high: float, rate: int) -> list[float]:
    """Return where the course crosses the middle, with a tenth of the way as hysteresis."""
    middle, guard = 0.5 * (low + high), 0.1 * (high - low)
    sure = np.where(course > middle + guard, 1, np.where(course < middle - guard, -1, 0))
    at = np.flatnonzero(sure)
    turns = np.flatnonzero(np.diff(sure[at]))
    crossings = []
    for turn in turns:
        start, end = at[turn], at[turn + 1] + 1
        above = course[start:end] > middle
        crossings.append((start + int(np.argmax(above != above[0]))) / rate)
    return crossings


def _changes(moves: list[float], up: bool, bridge_s: float) -> list[float]:
    """Bridge the silences of a beeper, then keep the first of moves less than 30 ms apart."""
    kept: list[tuple[float, bool]] = []
    for move in moves:
        up = not up
        if kept and up and not kept[-1][1] and move - kept[-1][0] < bridge_s:
            kept.pop()
        else:
            kept.append((move, up))
    groups: list[list[float]] = []
    for move, _ in kept:
        if groups and move - groups[-1][-1] < 0.03:
            groups[-1].append(move)
        else:
            groups.append([move])
    return [group[0] for group in groups if len(group) % 2]
