"""Whether what is heard is a buzzer at all, and not music or a hammer.

A note that comes back is held as steadily as a buzzer's, so it is judged by its changes. A contact
makes and breaks at once: both ways its changes are told sharply, unless in noise, and as a rule
hardly doubted, though noise may hide one or another. A note swells and dies away, and so does what
a hammer strikes. A buzzer sounds as loud each time, and at the same pitch: no voice does, no
whistle, hinge or tune. Words follow hastily; so do cam lobes, but these are all as loud. Beeps
follow hastily, but evenly: beep and gap are alike each time, as a riff's notes and rests are not. A
click may come to a clock, and sharply; but it is over before a beep has begun. Hiss that comes and
goes has no tone, and no period either. A growl has one, and is judged apart: talk over it makes it
seem louder and softer. Talk itself is hasty, machines are doubted, neither repeats itself as well,
and a voice seldom after the same period.

The weights are a logistic regression (D. R. Cox, "The regression analysis of binary sequences",
J. Roy. Stat. Soc. B 20 (1958) 215) by ``tests/bench/belief_fit.py``.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.change import Change
from analysis.ear.beeps import beat
from analysis.ear.buzzer import BuzzerPrint

Array = npt.NDArray[np.float64]

WEIGHTS = -5.0, -1.45, -3.0, -4.0, -0.5, -2.0, -8.5
"""Of the `clues`; that of clicks is by hand, since so few sounds are all clicks."""
OF_GROWLS = -7.7, -1.5, -4.2, 6.0
"""Of what is no tone and not hiss: of the first three, and of how often it repeats itself after the
same period."""
NO_CHANGES = -1.0
"""What it adds to the quality that nothing has changed yet."""
HISSES = -8.0
"""What it adds that it is hiss: a valve that is opened and shut, and no buzzer. By hand."""
FITTED, UNFITTED = 1.0, -4.0
"""What it adds that a taught print fits the sound of this day, which is hardly by chance; and that
it does not, so that all may be something else. By hand: in 13 recordings of other sound, each heard
for seven taught buzzers, what fitted came to -1.9 at most without this, but for a valve that hissed
like a growl (1.8), and what did not to 2.7."""
HASTY_S, CLICK_S = 0.35, 0.015
"""What lasts for less follows hastily, or is a click."""
ALIKE, ALIKE_S, MOST_ALIKE = 0.15, 0.005, 0.55
"""How much beeps may differ, or gaps, in parts and in s; and how many of either are alike."""
HISS = 0.23
"""How little like itself after a period what is no tone is no growl either."""
SHARPEST_MS, BLUNT_MS = 0.1, 2.2
"""Median blur below which changes are as sharp as can be; and above which noise may blur them."""
USUAL_SWING_DB, EVEN_DB, STEADIEST_DB = 1.0, 0.37, 0.1
"""The swing of what sounded but once; up to which it is as loud each time; and as can be."""

SURE_LOG_ODDS, CLEARLY = 3.0, 0.3
"""Log odds from which a buzzer is sure; and by how much more another sound's worth must be for that
to be the buzzer, and not what was likelier at first."""
PER_LOG_ODDS = 0.3
"""How much the log odds of a buzzer are worth, beside the logarithm of how much is heard of it."""


@dataclass(frozen=True)
class Repeats:
    """How what is no tone repeats itself.

    Attributes
    ----------
    alike : float
        How like itself it is after a period, usually.
    period_s : float
        That period, usually, in s.
    steady : float
        How often that period was the usual one; by Laplace's rule, since few may have been told.
    """

    alike: float
    period_s: float
    steady: float

    @property
    def growls(self) -> bool:
        """Whether it is a growl, and not hiss."""
        return self.alike > HISS


@dataclass(frozen=True)
class Manner:
    """In what manner the changes of a sound were heard.

    Attributes
    ----------
    usual_doubt : float
        How much they are doubted: :attr:`analysis.ear.told.ToldChanges.usual_doubt`.
    blur_ms : float
        How sharply they are told: :attr:`analysis.ear.told.ToldChanges.blur_ms`.
    swing_db : float or None
        How much louder or softer it sounds than the last time, usually; None if it sounded once.
    waver : float or None
        How far its pitch is from the last time's, usually, beside how far it wavers by itself; 0 if
        it has none, and None if it sounded once.
    repeats : Repeats or None
        None if it is a tone.
    """

    usual_doubt: float
    blur_ms: float
    swing_db: float | None
    waver: float | None
    repeats: Repeats | None = None


def log_odds_of_buzzer(buzzer: BuzzerPrint, changes: Sequence[Change], manner: Manner) -> float:
    """Return the log odds that what is heard is a buzzer.

    Parameters
    ----------
    buzzer : BuzzerPrint
        Its print; with infinite quality if it was taught and not fitted to this sound. One that
        was taught may hiss.
    changes : sequence of Change
        That were heard of it.
    manner : Manner
        How they were.
    """
    if not changes:
        return buzzer.quality + NO_CHANGES
    weighed, repeats = clues(changes, manner), manner.repeats
    if repeats is not None and repeats.growls:
        log_odds = float(np.dot(OF_GROWLS, (*weighed[:3], repeats.steady)))
    else:
        log_odds = float(np.dot(WEIGHTS, weighed))
        if repeats is not None and buzzer.open_state is None:
            log_odds += HISSES
    if not np.isfinite(buzzer.quality):
        return log_odds + UNFITTED
    return log_odds if buzzer.open_state is None else log_odds + FITTED


def is_near(buzzer: BuzzerPrint, log_odds: float) -> bool:
    """Say whether what is rather no buzzer would be believed if it had been taught.

    Parameters
    ----------
    buzzer : BuzzerPrint
        Its print.
    log_odds : float
        That it is a buzzer, below 0.
    """
    return buzzer.open_state is None and log_odds + FITTED > 0


def worth(log_odds: float, changes: Sequence[Change], doubt: float) -> float:
    """Return how much is heard, and how surely; a buzzer that is sure is no surer than another.

    Parameters
    ----------
    log_odds : float
        That it is a buzzer.
    changes : sequence of Change
        That were heard of it.
    doubt : float
        Mean odds that one of them is none.
    """
    true_changes = (1.0 - doubt) * len(changes)
    surely = PER_LOG_ODDS * min(log_odds, SURE_LOG_ODDS)
    return float(np.log(max(true_changes, 0.5))) + surely


def clues(changes: Sequence[Change], manner: Manner) -> tuple[float, ...]:
    """Return what is weighed: 1, usual doubt, uneven haste, blur, swing, waver and clicks."""
    swing_db = USUAL_SWING_DB if manner.swing_db is None else manner.swing_db
    loud_and_soft = float(np.log(max(swing_db, STEADIEST_DB) / EVEN_DB))
    return (
        1.0,
        float(np.log(manner.usual_doubt)),
        haste(changes) * max(loud_and_soft, 0.0),
        float(np.log(np.clip(manner.blur_ms, SHARPEST_MS, BLUNT_MS) / BLUNT_MS)),
        loud_and_soft,
        0.0 if manner.waver is None else float(np.log(max(manner.waver, 1.0))),
        clicks(changes),
    )


def haste(changes: Sequence[Change]) -> float:
    """Return the share of the changes that follow hastily, unless they are beeps to a clock."""
    lasts_s = _lasts_s(changes)
    alike = min(_alike(lasts_s[::2]), _alike(lasts_s[1::2]))
    if alike > MOST_ALIKE and beat([c.time_s for c in changes if c.change == "starts"]) is not None:
        return 0.0
    return _share_below(lasts_s, HASTY_S)


def clicks(changes: Sequence[Change]) -> float:
    """Return the share of the changes that follow within a click."""
    return _share_below(_lasts_s(changes), CLICK_S)


def _lasts_s(changes: Sequence[Change]) -> Array:
    return np.diff([c.time_s for c in changes])


def _share_below(lasts_s: Array, least_s: float) -> float:
    return float(np.mean(lasts_s < least_s)) if len(lasts_s) else 0.0


def _alike(lasts_s: Array) -> float:
    """Return the share of lengths that are about the usual one."""
    if len(lasts_s) == 0:
        return 0.0
    usual_s = np.median(lasts_s)
    return float(np.mean(np.abs(lasts_s - usual_s) < ALIKE * usual_s + ALIKE_S))
