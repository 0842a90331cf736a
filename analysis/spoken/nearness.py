"""Which voice is near the microphone, where others talk on behind it.

A voice detector hears a voice all the time where others talk without a pause, or a radio. What is
said to the program then has neither beginning nor end but by its level: it comes some 10 dB above
the rest and goes again.

Conventions
-----------
Levels are in decibels, of the median power over LEVEL_S. All numbers here are from memory, tried on
talk behind a person's recorded digits.
"""

import math
from collections import deque

import numpy as np

from analysis.sound import Samples

LEVEL_S = 0.22
"""Over how much sound a voice's level is taken: the median, so that a blow is no voice."""
NEAREST_S = 5.0
"""The nearest voice is the loudest of an utterance, in the last so many seconds."""
BEHIND_DB, NEARER_DB = 9.0, 5.0
"""So far below the nearest voice another talks behind it; so far above the last one is nearer."""
CROWDED_DB = 24.0
"""Where it is never quieter than this below the nearest voice, others may talk behind it."""
NEARER_AFTER_S = 0.35
"""How long ago the voice was heard that one is nearer than."""


class Nearness:
    """Follows how loud the voices are, chunk by chunk.

    Parameters
    ----------
    chunk_s : float
        Length of every chunk, in seconds.
    """

    def __init__(self, chunk_s: float) -> None:
        self._powers: deque[float] = deque(maxlen=round(LEVEL_S / chunk_s))
        self._levels_db: deque[float] = deque(maxlen=round(NEAREST_S / chunk_s))
        self._voices_db: deque[float] = deque(maxlen=round(NEAREST_S / chunk_s))
        self._just_now = round(NEARER_AFTER_S / chunk_s)

    def hear(self, chunk: Samples, voice: bool) -> tuple[bool, bool]:
        """Take the next chunk.

        Parameters
        ----------
        chunk : ndarray, float32
            Some hundredths of a second of sound.
        voice : bool
            Whether the detector hears a voice in it.

        Returns
        -------
        behind, nearer : bool
            Whether it is quieter than the nearest voice, as what is behind it would be, and whether
            it is a nearer voice than those just before.
        """
        self._powers.append(float(np.mean(np.square(chunk))))
        level_db = 10.0 * math.log10(float(np.median(self._powers)) + 1e-10)
        self._levels_db.append(level_db)
        self._voices_db.append(level_db if voice else -math.inf)
        nearest_db = max(self._voices_db)
        if float(np.quantile(self._levels_db, 0.2)) < nearest_db - CROWDED_DB:
            return False, False
        heard = list(self._voices_db)[: -self._just_now]
        last_db = max(heard, default=-math.inf)
        nearer = voice and level_db > last_db + NEARER_DB and last_db > -math.inf
        return level_db < nearest_db - BEHIND_DB, nearer

    def forget(self) -> None:
        """Forget how loud the voices were: who speaks next may be further away."""
        self._voices_db.clear()
