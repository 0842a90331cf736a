"""Taking a buzzer's lines out of the sound, so that speech is left.

A line is a bin of the spectrum that stands LINE_DB above its neighbours and keeps doing so: over
the last STEADY_S its median does. A vowel's harmonics stand out, too, but move on sooner. Lines
that are known (a buzzer that was learnt) are looked for where they may have drifted to, and are
taken out at once. A line is brought down to the level of its neighbours, not cut out, so that
nothing rings.

Sources
-------
D. FitzGerald, "Harmonic/percussive separation using median filtering", DAFx (2010): medians along
time against medians along frequency. J. Allen, "Short term spectral analysis, synthesis, and
modification by discrete Fourier transform", IEEE Trans. ASSP 25 (1977) 235: overlap and add.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis.ear.buzzer import BuzzerPrint
from analysis.sound import Samples

FRAME_S = 0.064
STEADY_S = 0.45
LINE_DB = 12.0
AROUND_HZ = 200.0
DRIFT = 0.02
"""How far a known line may have drifted, as a share of its frequency."""
LOWEST_HZ = 350.0
"""Below it lines are left: the pitch of a voice lies there, and hum does no harm."""


class LineRemover:
    """Takes steady lines out of a stream of sound.

    Parameters
    ----------
    rate_hz : float
    known_hz : sequence of float
        Frequencies of lines that are known.
    """

    def __init__(self, rate_hz: float, known_hz: Sequence[float] = ()) -> None:
        self._hop = max(1, round(rate_hz * FRAME_S / 2))
        size = 2 * self._hop
        self._window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
        bin_hz = rate_hz / size
        self._around = 2 * int(AROUND_HZ / bin_hz) + 1
        self._past = np.zeros((max(2, round(STEADY_S * rate_hz / self._hop)), self._hop + 1))
        hz = np.arange(self._hop + 1) * bin_hz
        self._may_be_line = hz >= LOWEST_HZ
        self._known = np.zeros(self._hop + 1, bool)
        for line in known_hz:
            self._known |= np.abs(hz - line) <= DRIFT * line + bin_hz
        self._waiting = np.zeros(self._hop)  # the half frame before the first sample
        self._tail = np.zeros(self._hop)
        self._ahead = self._hop  # samples still to come out that lie before the first one

    def take(self, samples: Samples) -> Samples:
        """Take sound and return as much as is ready, in order; it lags by two hops at most."""
        self._waiting = np.concatenate([self._waiting, samples])
        ready = [np.zeros(0)]
        while len(self._waiting) >= 2 * self._hop:
            ready.append(self._frame(self._waiting[: 2 * self._hop]))
            self._waiting = self._waiting[self._hop :]
        out = np.concatenate(ready)
        cut = min(len(out), self._ahead)
        self._ahead -= cut
        return np.asarray(out[cut:], np.float32)

    def finish(self) -> Samples:
        """Return what is left."""
        return self.take(np.zeros(2 * self._hop, np.float32))

    def _frame(self, frame: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        spectrum = np.fft.rfft(frame * self._window)
        level = 10.0 * np.log10(np.abs(spectrum) ** 2 + 1e-12)
        self._past = np.roll(self._past, -1, axis=0)
        self._past[-1] = level
        floor = median_filter(level, self._around, mode="nearest")
        steady = np.median(self._past, axis=0)
        lines = steady > median_filter(steady, self._around, mode="nearest") + LINE_DB
        over = level - floor
        lines = (lines | self._known) & self._may_be_line
        # A windowed tone is three bins wide.
        lines[1:-1] |= lines[:-2] | lines[2:]
        gain = np.where(lines & (over > 0.0), 10.0 ** (-over / 20.0), 1.0)
        made = np.fft.irfft(spectrum * gain) * self._window
        out = made[: self._hop] + self._tail
        self._tail = made[self._hop :]
        return np.asarray(out)


def lines_of(buzzer: BuzzerPrint) -> tuple[float, ...]:
    """Return the frequencies of a buzzer's lines in its louder state, in Hz."""
    levels = 10.0 * np.log10(buzzer.spectrum + 1e-13)
    loud = levels.max(axis=0)
    bin_hz = float(np.median(np.diff(buzzer.spectrum_hz)))
    floor = median_filter(loud, 2 * int(AROUND_HZ / bin_hz) + 1, mode="nearest")
    return tuple(float(hz) for hz in buzzer.spectrum_hz[loud > floor + LINE_DB])
