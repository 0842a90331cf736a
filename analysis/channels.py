"""Which channel of a recording to listen to.

Phones and cameras record one to many channels. When all that sound are alike and in phase their
mean is the better signal. When they differ, a mean can spoil it: microphones some centimetres
apart hear a tone of several kilohertz out of step, and a channel wired the wrong way round
cancels it. Then one channel is taken: the one in which a tone stands out most.

Conventions
-----------
Alike means a correlation coefficient of at least `ALIKE` with the clearest channel and a level
within `NEAR_DB` of it. A channel is silent when it lies below `SILENT_DBFS`, or `FAR_DB` below
the loudest. A constant offset is no sound, and is taken away first.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.sound import Samples

ALIKE = 0.9
NEAR_DB = 6.0
FAR_DB = 50.0
SILENT_DBFS = -90.0
_FRAME_S = 0.04


@dataclass(frozen=True)
class Mixdown:
    """How many channels become one.

    Attributes
    ----------
    weights : tuple of float
        One weight a channel; they add up to 1.
    note : str
        What was chosen and why, in plain words.
    """

    weights: tuple[float, ...]
    note: str


def levels_dbfs(channels: Samples) -> npt.NDArray[np.float64]:
    """Level of each channel without its constant offset.

    Parameters
    ----------
    channels : ndarray, shape (channels, n)
        Full scale is 1.0.

    Returns
    -------
    ndarray, shape (channels,)
        Root mean square in dB relative to 1.0; -inf where nothing sounds.
    """
    with np.errstate(divide="ignore"):
        level: npt.NDArray[np.float64] = 20.0 * np.log10(np.std(channels, axis=1, dtype=np.float64))
    return level


def tonal_contrast_db(samples: Samples, rate_hz: float) -> float:
    """How far the strongest line stands above the middle of its spectrum.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel.
    rate_hz : float
        Samples per second.

    Returns
    -------
    float
        The contrast reached in the clearest tenth of the frames, in dB. Zero when the sound is
        too short to tell.
    """
    size = int(_FRAME_S * rate_hz)
    if size < 16 or len(samples) < size:
        return 0.0
    frames = samples[: len(samples) // size * size].reshape(-1, size)
    power = np.abs(np.fft.rfft(frames * np.hanning(size).astype(np.float32), axis=1)) ** 2
    power = power[:, int(80.0 * _FRAME_S) :]  # below 80 Hz is mains hum and handling
    contrast = power.max(axis=1) / (np.median(power, axis=1) + 1e-12)
    return float(10.0 * np.log10(np.quantile(contrast, 0.9) + 1e-12))


def choose(channels: Samples, rate_hz: float) -> Mixdown:
    """Choose the channel, or the mix of channels, to listen to.

    Parameters
    ----------
    channels : ndarray, shape (channels, n)
        A stretch of the recording in which something sounds.
    rate_hz : float
        Samples per second.

    Returns
    -------
    Mixdown
        The weights, and the reason in words.

    Raises
    ------
    ValueError
        If there is no channel.
    """
    if channels.ndim != 2 or len(channels) == 0:
        raise ValueError("channels must be an array of shape (channels, n) with a channel in it")
    total = len(channels)
    if total == 1:
        return Mixdown((1.0,), "the only channel")
    level = levels_dbfs(channels) if channels.shape[1] else np.full(total, -np.inf)
    sounding = np.flatnonzero((level > SILENT_DBFS) & (level > level.max() - FAR_DB))
    if len(sounding) == 0:
        return _mix(range(total), total, "all of them are silent")
    silent = _silent(total, sounding)
    if len(sounding) == 1:
        return _mix(sounding, total, silent)
    contrast = [tonal_contrast_db(channels[i], rate_hz) for i in sounding]
    best = int(sounding[int(np.argmax(contrast))])
    correlation = np.asarray(np.corrcoef(channels[sounding]))[int(np.argmax(contrast))]
    near = np.abs(level[sounding] - level[best]) <= NEAR_DB
    if np.all((correlation >= ALIKE) & near):
        return _mix(sounding, total, silent)
    if correlation.min() <= -ALIKE:
        return _mix([best], total, "the channels are out of phase")
    return _mix([best], total, "the tone is clearest there")


def _silent(total: int, sounding: npt.NDArray[np.intp]) -> str:
    quiet = [str(i + 1) for i in range(total) if i not in sounding]
    if not quiet:
        return ""
    if len(quiet) == 1:
        return f"channel {quiet[0]} is silent"
    return f"channels {', '.join(quiet)} are silent"


def _mix(chosen: npt.ArrayLike | range, total: int, why: str) -> Mixdown:
    picked = [int(i) for i in np.asarray(chosen)]
    weights = tuple(1.0 / len(picked) if i in picked else 0.0 for i in range(total))
    if len(picked) == total:
        words = f"mix of {total} channels"
    elif len(picked) == 1:
        words = f"channel {picked[0] + 1} of {total}"
    else:
        words = f"mix of channels {', '.join(str(i + 1) for i in picked)} of {total}"
    return Mixdown(weights, f"{words}: {why}" if why else words)
