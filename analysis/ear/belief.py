"""Whether what is heard is a buzzer at all, and not music or a hammer.

Where it was learnt it behaved more or less like one (:attr:`BuzzerPrint.quality`). But a note that
comes back is held as steadily as a buzzer's; what it has not is a buzzer's changes. A contact makes
and breaks at once: both ways its changes are told sharply, and hardly ever doubted. A note swells
and dies away, and so does what a hammer strikes. So the changes weigh most. Only a growl's own are
not sharp either; but it is heard all over the spectrum, as no note is. So is a voice; but words
follow each other hastily, and a contact rests.

The weights are a logistic regression (D. R. Cox, "The regression analysis of binary sequences",
J. Roy. Stat. Soc. B 20 (1958) 215) by ``tests/bench/belief_fit.py``.
"""

from collections.abc import Sequence

import numpy as np

from analysis.change import Change
from analysis.ear.beeps import beat
from analysis.ear.buzzer import BuzzerPrint

PER_QUALITY, PER_DOUBT, PER_LOG_MS = 0.21, -8.55, -2.67
PER_BREADTH, PER_HASTE, BASE = 2.06, -3.94, 4.4
LOUDER_DB = 6.0
"""How much more of a bin's power is heard in one state, for the breadth."""
NO_CHANGES = -1.0
"""What it adds to the quality that nothing has changed yet."""
UNFITTED_QUALITY = -10.0
"""What a taught print counts as before it fits the sound of this day: all may be something else."""
HASTY_S = 0.35
"""What lasts for less follows hastily."""
SHARPEST_MS = 0.1
"""Median blur below which changes are as sharp as can be."""


def log_odds_of_buzzer(
    buzzer: BuzzerPrint, changes: Sequence[Change], doubt: float, blur_ms: float
) -> float:
    """Return the log odds that what is heard is a buzzer.

    Parameters
    ----------
    buzzer : BuzzerPrint
        Its print; with infinite quality if it was taught and not fitted to this sound.
    changes : sequence of Change
        That were heard of it.
    doubt : float
        Mean odds that one of them is none.
    blur_ms : float
        How sharply they are told: :attr:`analysis.ear.ear.Ear.blur_ms`.
    """
    if not changes:
        return buzzer.quality + NO_CHANGES
    quality = buzzer.quality if np.isfinite(buzzer.quality) else UNFITTED_QUALITY
    return (
        BASE
        + PER_QUALITY * quality
        + PER_DOUBT * doubt
        + PER_LOG_MS * float(np.log(max(blur_ms, SHARPEST_MS)))
        + PER_BREADTH * breadth(buzzer)
        + PER_HASTE * haste(changes)
    )


def breadth(buzzer: BuzzerPrint) -> float:
    """Return the share of the spectrum that is louder in one of its states."""
    zero, one = buzzer.spectrum
    louder = 10.0 ** (LOUDER_DB / 10.0)
    return max(float(np.mean(one > zero * louder)), float(np.mean(zero > one * louder)))


def haste(changes: Sequence[Change]) -> float:
    """Return the share of the changes that follow hastily, unless they are beeps to a clock."""
    if beat([c.time_s for c in changes if c.change == "starts"]) is not None:
        return 0.0
    lasts_s = np.diff([c.time_s for c in changes])
    return float(np.mean(lasts_s < HASTY_S)) if len(lasts_s) else 0.0
