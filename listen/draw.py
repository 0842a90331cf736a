"""Pictures: a recording's tone over time, with the changes marked.

matplotlib and librosa are imported only when a picture is drawn: they take seconds.
"""

from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.sound import Samples
from listen.errors import BadInput
from listen.hearing import Hearing

_MARKS = {"open": "^", "closed": "v", None: "D"}
_WIDEST = 2400
"""Most columns of the picture's spectrogram; longer recordings are thinned."""


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
    import librosa
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    power, hop_s, bin_hz = _spectrogram(hearing)
    level_db = librosa.power_to_db(power, ref=np.max, top_db=70)
    low_hz, high_hz = _pitch_range(hearing)
    figure, (top, bottom) = pyplot.subplots(
        2, 1, sharex=True, figsize=(11, 6), height_ratios=(3, 2), layout="constrained"
    )
    end_s = hop_s * power.shape[1]
    top.imshow(
        level_db, origin="lower", aspect="auto", cmap="Greys",
        extent=(0, end_s, 0, bin_hz * power.shape[0] / 1000),
    )  # fmt: skip
    top.axhspan(low_hz / 1000, high_hz / 1000, fill=False, edgecolor="black", linestyle=":")
    top.set_ylabel("frequency, kHz")
    rows = slice(int(low_hz / bin_hz), int(high_hz / bin_hz) + 2)
    course_db = librosa.power_to_db(power[rows].max(axis=0), ref=np.max, top_db=None)
    bottom.plot(hop_s * (np.arange(len(course_db)) + 0.5), course_db, color="0.45", linewidth=0.8)
    bottom.set_ylabel("level of the tone, dB")
    bottom.set_xlabel("time in the recording, s")
    for number, change in enumerate(hearing.changes, 1):
        for panel in (top, bottom):
            panel.axvline(change.time_s, color="black", linewidth=0.8, linestyle="--")
        top.plot(
            change.time_s, 1.03, _MARKS[change.points], color="black", markersize=6,
            transform=top.get_xaxis_transform(), clip_on=False,
        )  # fmt: skip
        if len(hearing.changes) <= 40:
            top.text(
                change.time_s, 1.07, str(number), ha="center", va="bottom", fontsize=8,
                transform=top.get_xaxis_transform(),
            )  # fmt: skip
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


def _spectrogram(hearing: Hearing) -> tuple[npt.NDArray[np.float32], float, float]:
    """Return power, shape (bins, columns), the columns' step in s and the bins' in Hz."""
    rate = hearing.recording.rate_hz
    size = int(0.032 * rate)
    hop_s = max(0.010, hearing.duration_s / _WIDEST)
    hop = int(hop_s * rate)
    window = np.hanning(size).astype(np.float32)
    columns: list[npt.NDArray[np.float32]] = []
    rest: Samples = np.zeros(0, dtype=np.float32)
    for block in hearing.recording.blocks():
        rest = np.concatenate([rest, block.samples])
        count = max(0, (len(rest) - max(size, hop)) // hop + 1)
        for k in range(count):
            piece = rest[k * hop : k * hop + size]
            columns.append((np.abs(np.fft.rfft(piece * window)) ** 2).astype(np.float32))
        rest = rest[count * hop :]
    if not columns:
        columns.append(np.full(size // 2 + 1, 1e-12, dtype=np.float32))
    power = np.array(columns).T
    top = int(min(8000.0, rate / 2) / (rate / size))
    return power[:top], hop / rate, rate / size


def _pitch_range(hearing: Hearing) -> tuple[float, float]:
    """Return a range in Hz around the narrowest telling column, with room for drift."""
    if hearing.buzzer is None:
        return 0.0, 8000.0
    spans = hearing.buzzer.columns_hz
    narrowest = int(np.argmin(spans[:, 1] - spans[:, 0]))
    return max(0.0, float(spans[narrowest, 0]) - 150), float(spans[narrowest, 1]) + 150
