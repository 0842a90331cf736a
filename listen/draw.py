"""Pictures: a recording's tone over time, with the changes marked.

matplotlib and librosa are imported only when a picture is drawn: they take seconds.
"""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.sound import Samples
from listen.errors import BadInput
from listen.hearing import Hearing

_NOTHING = 1e-10
"""Power where there is no sound to show."""
_MARKS = {"open": "^", "closed": "v", None: "D"}
_WIDEST = 2400
"""Most columns of the picture's spectrogram; longer recordings are thinned."""
_FEW = 40
"""As many changes get a number."""


def draw_hearing(hearing: Hearing, path: Path) -> None:
    """Draw a recording's tone over time with its changes marked.

    Parameters
    ----------
    hearing : Hearing
        What was heard.
    path : path
        File to write; its ending tells the format (png, svg, pdf).

    Raises
    ------
    BadInput
        When the file cannot be written there or in that format.
    """
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, (top, bottom) = pyplot.subplots(
        2, 1, sharex=True, figsize=(11, 6), height_ratios=(3, 2), layout="constrained"
    )
    _draw_sound(hearing, top, bottom)
    few = len(hearing.changes) <= _FEW
    _draw_open_spans(hearing, bottom, few)
    _draw_changes(hearing, top, bottom, few)
    figure.suptitle(
        f"{hearing.recording.name}: {len(hearing.changes)} changes    "
        "▲ points open   ▼ points closed   ◆ not told", fontsize=11
    )  # fmt: skip
    try:
        figure.savefig(path, dpi=130)
    except (OSError, ValueError) as trouble:
        raise BadInput(
            f"{path}: the picture cannot be written ({trouble}); give a folder that exists "
            "and an ending such as .png, .svg or .pdf"
        ) from trouble
    finally:
        pyplot.close(figure)


def _draw_sound(hearing: Hearing, top: Any, bottom: Any) -> None:
    """Draw the spectrogram above, the level in the tone's range below."""
    import librosa

    power, hop_s, bin_hz = _spectrogram(hearing)
    level_db = librosa.power_to_db(power, ref=1.0, top_db=None)
    low_hz, high_hz = _pitch_range(hearing)
    first_s = 0.5 / bin_hz  # the middle of the first window
    # White is the background and below, so that only what stands out is seen.
    white_db, black_db = np.quantile(level_db, [0.6, 0.9995])
    top.imshow(
        level_db, origin="lower", aspect="auto", cmap="Greys", interpolation="nearest",
        vmin=white_db, vmax=max(black_db, white_db + 20),
        extent=(first_s - hop_s / 2, first_s + hop_s * (power.shape[1] - 0.5),
                0, bin_hz * power.shape[0] / 1000),
    )  # fmt: skip
    top.axhspan(low_hz / 1000, high_hz / 1000, fill=False, edgecolor="black", linestyle=":")
    top.set_ylabel("frequency, kHz")
    course = power[int(low_hz / bin_hz) : int(high_hz / bin_hz) + 2].max(axis=0)
    course_db = librosa.power_to_db(course, ref=np.max, top_db=80)
    course_db[course <= _NOTHING] = np.nan
    times_s = first_s + hop_s * np.arange(len(course_db))
    bottom.plot(times_s, course_db, color="0.25", linewidth=0.8)
    bottom.set_ylabel("level of the tone, dB")
    bottom.set_xlabel("time in the recording, s")
    bottom.margins(y=0.15)
    bottom.set_xlim(0, hearing.duration_s)


def _draw_open_spans(hearing: Hearing, bottom: Any, named: bool) -> None:
    for start_s, stop_s in _open_spans(hearing):
        bottom.axvspan(start_s, stop_s, facecolor="0.9", hatch="//", edgecolor="0.75", zorder=0)
        if named:
            bottom.text(
                (start_s + stop_s) / 2, 0.03, "open", ha="center", fontsize=8, clip_on=True,
                transform=bottom.get_xaxis_transform(),
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
            )  # fmt: skip


def _draw_changes(hearing: Hearing, top: Any, bottom: Any, numbered: bool) -> None:
    """Draw each change as a line, with its uncertainty where that is wide enough to be seen."""
    for number, change in enumerate(hearing.changes, 1):
        for panel in (top, bottom):
            panel.axvline(change.time_s, color="black", linewidth=0.8, linestyle="--")
        doubt_s = 2 * change.uncertainty_s
        if doubt_s > hearing.duration_s / _WIDEST:
            bottom.errorbar(
                change.time_s, 0.9, xerr=doubt_s, color="black", capsize=4, linewidth=1.2,
                transform=bottom.get_xaxis_transform(),
            )  # fmt: skip
        top.plot(
            change.time_s, 1.03, _MARKS[change.points], color="black", markersize=6,
            transform=top.get_xaxis_transform(), clip_on=False,
        )  # fmt: skip
        if numbered:
            top.text(
                change.time_s, 1.07, str(number), ha="center", va="bottom", fontsize=8,
                transform=top.get_xaxis_transform(),
            )  # fmt: skip


def _spectrogram(hearing: Hearing) -> tuple[npt.NDArray[np.float32], float, float]:
    """Return power, shape (bins, columns), the columns' step in s and the bins' in Hz."""
    rate = hearing.recording.rate_hz
    size = int(0.032 * rate)
    hop_s = max(0.010, hearing.duration_s / _WIDEST)
    hop = int(hop_s * rate)
    window = np.hanning(size).astype(np.float32)
    top = int(min(8000.0, rate / 2) / (rate / size))
    columns = (round(hearing.duration_s * rate) - size) // hop + 1
    power = np.full((top, max(1, columns)), _NOTHING, dtype=np.float32)
    rest: Samples = np.zeros(0, dtype=np.float32)
    first = 0
    for block in hearing.recording.blocks():
        start = round(block.start_s * rate)
        if start != first + len(rest):  # sound is missing: the picture stays empty there
            rest, first = np.zeros(0, dtype=np.float32), start
        rest = np.concatenate([rest, block.samples])
        column = -(-first // hop)
        while column * hop + size <= first + len(rest) and column < power.shape[1]:
            piece = rest[column * hop - first :][:size]
            power[:, column] += np.abs(np.fft.rfft(piece * window))[:top] ** 2
            column += 1
        spare = min(len(rest), column * hop - first)
        rest, first = rest[spare:], first + spare
    return power, hop / rate, rate / size


def _open_spans(hearing: Hearing) -> list[tuple[float, float]]:
    """Return from when to when the points are known to be open, in s."""
    spans, since = [], None
    for number, change in enumerate(hearing.changes):
        if change.points == "open":
            since = change.time_s
        elif change.points == "closed":
            if since is None and number == 0:
                since = 0.0
            if since is not None:
                spans.append((since, change.time_s))
            since = None
    if since is not None:
        spans.append((since, hearing.duration_s))
    return spans


def _pitch_range(hearing: Hearing) -> tuple[float, float]:
    """Return a range in Hz around the narrowest telling column, with room for drift."""
    if hearing.buzzer is None:
        return 0.0, 8000.0
    spans = hearing.buzzer.columns_hz
    narrowest = int(np.argmin(spans[:, 1] - spans[:, 0]))
    return max(0.0, float(spans[narrowest, 0]) - 150), float(spans[narrowest, 1]) + 150
