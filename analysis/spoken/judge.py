"""What was said, how sure that is, and what to do about it.

The model
---------
A recogniser gives several hypotheses of what an utterance says, each with its probability. All
that mean the same are one candidate, and their probabilities add up to its mass. The candidate
with the largest is the likeliest; a logistic model turns its mass, how far that lies above the best
hypothesis that means anything else, and how well its length fits the time it took to say into
`confidence`: of those stated 0.95, 95 % are right. What is left of 1 is shared among the others as
the recogniser has it, a teen or a ten always with its sound-alike (thirteen and thirty).

Then what is plausible now has a say: the wheel's marks, its finest step, the last readings and the
sheet's figure. Each factor is bounded, all together by LEAST_PLAUSIBLE, so that a reading that was
clearly said never gives way to one that was merely expected; at worst it is asked. Only what the
wheel does not show at all is ruled out.

What to do has a price: a wrong reading in the record costs COST_WRONG questions, a command that
changes nothing there COST_HARMLESS. The cheapest of
accepting, offering the two likeliest ("thirteen, or thirty?") and asking again is chosen.

Sources
-------
J. Platt, "Probabilistic outputs for support vector machines" (1999): calibration by a logistic
model. C. K. Chow, "On optimum recognition error and reject tradeoff", IEEE Trans. Inf. Theory 16
(1970) 41: the price of being wrong against that of asking. Costs and plausibilities: from memory.
The weights were fitted by ``tests/bench/spoken_fit.py``.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.spoken.commands import Command, take_apart
from analysis.spoken.language import say, sound_alike, tokens_of
from analysis.wheel import Mark, Wheel, meanings, wrap

Act = Literal["accept", "offer", "ask", "ignore"]

WEIGHTS = (2.853, 0.331, 1.040, 0.381, -0.514, -1.199, -3.122)
"""Of 1 and of each of `traits`, in the logistic model of confidence."""
SOUND_ALIKE = 0.02
"""Least share of a teen's or ten's probability that goes to its sound-alike."""
FURTHEST = 7.0
"""Logs of probabilities are told apart down to minus this."""
LEAD = (1.0, 4.0)
LEAST_PLAUSIBLE = 1 / 20
COST_ASK = 1.0
COST_OFFER = 0.7
COST_WRONG = 16.0
COST_HARMLESS = 4.0
HARMLESS = ("again", "what now", "note", "start listening")
"""Commands that change nothing in the record when they were not meant."""
HEARD_AT_ALL = 0.1
"""Least probability that a reading or command was meant for which a question is asked."""


@dataclass(frozen=True)
class Hypothesis:
    """One way to write an utterance down.

    Attributes
    ----------
    text : str
    log_prob : float
        Log of the recogniser's probability of the whole text.
    length : int
        Its length in the recogniser's tokens.
    """

    text: str
    log_prob: float
    length: int


@dataclass(frozen=True)
class Meaning:
    """Commands, a reading, or commands and then a reading."""

    commands: tuple[Command, ...] = ()
    mark: Mark | None = None

    def words(self) -> str:
        """Say it, as it is spoken back or offered."""
        parts = [f"{c.word} {c.argument}".strip() for c in self.commands]
        if self.mark is not None:
            parts.append(say(self.mark))
        return ", ".join(parts)


@dataclass(frozen=True)
class Candidate:
    """A meaning and its probability."""

    meaning: Meaning
    probability: float


@dataclass(frozen=True)
class Expected:
    """What is plausible now.

    Attributes
    ----------
    wheel : Wheel or None
        Rules out what it does not show; its finest step makes other parts unlikely.
    angles_deg : tuple of float
        Wheel angles the reading should be near: the sheet's figure, the last readings of this
        step and cylinder. Empty when nothing is known.
    spread_deg : float
        How far off them is still usual.
    """

    wheel: Wheel | None = None
    angles_deg: tuple[float, ...] = ()
    spread_deg: float = 8.0


@dataclass(frozen=True)
class Judged:
    """What an utterance says and what to do about it.

    Attributes
    ----------
    act : {"accept", "offer", "ask", "ignore"}
        ``ignore``: nobody spoke to the program.
    candidates : tuple of Candidate
        The likeliest first; the best is the one accepted, the first two are those offered.
    heard : str
        The words as the recogniser likes them best, for the log.
    """

    act: Act
    candidates: tuple[Candidate, ...]
    heard: str

    @property
    def best(self) -> Meaning | None:
        """The likeliest meaning."""
        return self.candidates[0].meaning if self.candidates else None

    @property
    def confidence(self) -> float:
        """Probability of the likeliest meaning."""
        return self.candidates[0].probability if self.candidates else 0.0

    def question(self) -> str:
        """What to ask when the act is to offer or to ask."""
        if self.act == "offer":
            return " or ".join(c.meaning.words() for c in self.candidates[:2]) + "?"
        return "say again"


NOTHING = Judged("ignore", (), "")


def judge(
    hypotheses: Sequence[Hypothesis],
    seconds: float,
    expected: Expected = Expected(),
    cylinders: Sequence[str] = (),
) -> Judged:
    """Judge an utterance.

    Parameters
    ----------
    hypotheses : sequence of Hypothesis
        From the recogniser, the best first.
    seconds : float
        How long the voice was heard.
    expected : Expected
        What is plausible now.
    cylinders : sequence of str
        Their names on the sheet.

    Returns
    -------
    Judged
    """
    if not hypotheses:
        return NOTHING
    heard = hypotheses[0].text
    pooled = pool(hypotheses, cylinders)
    if not pooled:
        return Judged("ignore", (), heard)
    best = pooled[0]
    shown = support(best.meaning, hypotheses, cylinders)
    sure = shown.plainness * _logistic(traits(best.meaning, shown, seconds))
    # A step hangs on a command ("zeroed" and "zero"): there the shares have the last word.
    for other in pooled[1:]:
        if other.meaning.commands != best.meaning.commands:
            sure = min(sure, best.probability / (best.probability + other.probability))
    shares = _with_sound_alikes(pooled)
    others = sum(share for meaning, share in shares if meaning != best.meaning)
    left = 1.0 - sum(candidate.probability for candidate in pooled)
    candidates = [Candidate(best.meaning, sure)]
    for meaning, share in shares:
        if meaning != best.meaning:
            candidates.append(Candidate(meaning, (1.0 - sure) * share / (others + left + 1e-9)))
    return decide(_made_plausible(candidates, expected), heard)


def decide(candidates: Sequence[Candidate], heard: str = "") -> Judged:
    """Choose what costs least, from meanings with their probabilities."""
    ordered = tuple(sorted(candidates, key=lambda candidate: -candidate.probability))
    chances = [candidate.probability for candidate in ordered]
    if sum(chances) < HEARD_AT_ALL:
        return Judged("ignore", ordered, heard)
    first = ordered[0].meaning
    harmless = first.mark is None and all(c.word in HARMLESS for c in first.commands)
    accepting = (COST_HARMLESS if harmless else COST_WRONG) * (1.0 - chances[0])
    offering = COST_OFFER + COST_ASK * (1.0 - sum(chances[:2])) if len(chances) > 1 else math.inf
    # Offering what is hardly doubted is as tiresome as asking: both must be likely.
    if len(chances) > 1 and chances[1] < 0.1 * chances[0]:
        offering = math.inf
    costs: dict[Act, float] = {"accept": accepting, "offer": offering, "ask": COST_ASK}
    return Judged(min(costs, key=lambda act: costs[act]), ordered, heard)


def pool(hypotheses: Sequence[Hypothesis], cylinders: Sequence[str] = ()) -> list[Candidate]:
    """Return what the hypotheses mean, the likeliest first, with their shares.

    The shares add up to less than 1 where some hypotheses mean nothing.
    """
    weights = [math.exp(hypothesis.log_prob) for hypothesis in hypotheses]
    whole = sum(weights) or 1.0
    shares: dict[Meaning, float] = {}
    for hypothesis, weight in zip(hypotheses, weights, strict=True):
        for meaning, odds in _meanings(hypothesis.text, cylinders):
            shares[meaning] = shares.get(meaning, 0.0) + weight / whole * odds
    return sorted(
        (Candidate(meaning, share) for meaning, share in shares.items()),
        key=lambda candidate: -candidate.probability,
    )


@dataclass(frozen=True)
class Support:
    """What the hypotheses say for a meaning.

    Attributes
    ----------
    mass : float
        Sum of the probabilities of those that mean it.
    other : float
        Probability of the likeliest that does not.
    plainness : float
        How plainly the plainest wording means it, up to 1.
    wording : str
        That wording.
    """

    mass: float
    other: float
    plainness: float
    wording: str


def support(
    meaning: Meaning, hypotheses: Sequence[Hypothesis], cylinders: Sequence[str] = ()
) -> Support:
    """Return what the hypotheses say for a meaning."""
    mass, other, plainness, wording = 0.0, 0.0, 0.0, ""
    for hypothesis in hypotheses:
        weight = math.exp(hypothesis.log_prob)
        odds = dict(_meanings(hypothesis.text, cylinders)).get(meaning, 0.0)
        mass += weight * odds
        if odds == 0.0:
            other = max(other, weight)
        elif odds > plainness:
            plainness, wording = odds, hypothesis.text
    return Support(mass, other, plainness, wording)


def traits(meaning: Meaning, shown: Support, seconds: float) -> tuple[float, ...]:
    """Return what tells whether the likeliest meaning is right.

    Returns
    -------
    tuple of float
        Log of its mass; the same for each word; its lead, the log of its mass over the likeliest
        hypothesis that does not mean it, between LEAD; 1 for a teen or ten; how many seconds more
        it took than slow words do; how much faster it was than so many syllables are (log).
    """
    log_mass = math.log(max(shown.mass, math.exp(-FURTHEST)))
    lead = log_mass - math.log(max(shown.other, math.exp(-FURTHEST)))
    words = len(tokens_of(shown.wording))
    alike = 1.0 if meaning.mark and sound_alike(meaning.mark) else 0.0
    usual_s = 0.12 + 0.2 * syllables(shown.wording)
    return (
        log_mass,
        log_mass / max(1, words),
        min(max(lead, LEAD[0]), LEAD[1]) - LEAD[0],
        alike,
        max(seconds - 0.3 - 0.75 * words, 0.0),
        max(math.log(usual_s / max(seconds, 0.1)), 0.0),
    )


def syllables(text: str) -> int:
    """Return about how many syllables a text has when it is spoken."""
    count = 0
    for token in tokens_of(text):
        groups = re.findall(r"[aeiouy]+", re.sub(r"(?<=[^aeiou])e(s?)$|e(?=f|ty)", r"\1", token))
        count += len(token) + 1 if token.isdecimal() else max(1, len(groups))
    return max(1, count)


def _meanings(text: str, cylinders: Sequence[str]) -> list[tuple[Meaning, float]]:
    said = take_apart(text, cylinders)
    if said is None:
        return []
    if not said.senses:
        return [(Meaning(said.commands), 1.0)]
    return [(Meaning(said.commands, sense.mark), sense.odds) for sense in said.senses]


def _with_sound_alikes(pooled: Sequence[Candidate]) -> list[tuple[Meaning, float]]:
    shares = {candidate.meaning: candidate.probability for candidate in pooled}
    best = pooled[0]
    other = sound_alike(best.meaning.mark) if best.meaning.mark else None
    if other is not None:
        alike = Meaning(best.meaning.commands, other)
        shares[alike] = max(shares.get(alike, 0.0), SOUND_ALIKE * best.probability)
    return list(shares.items())


def _made_plausible(candidates: Sequence[Candidate], expected: Expected) -> list[Candidate]:
    """Weigh each candidate by how plausible it is now; what is left over counts as middling."""
    factors = [plausibility(candidate.meaning, expected) for candidate in candidates]
    weighed = [c.probability * f for c, f in zip(candidates, factors, strict=True)]
    left = (1.0 - sum(c.probability for c in candidates)) * math.sqrt(LEAST_PLAUSIBLE)
    whole = sum(weighed) + max(left, 0.0)
    if not expected.angles_deg and (expected.wheel is None or all(f == 1.0 for f in factors)):
        return list(candidates)
    return [
        Candidate(candidate.meaning, weight / whole)
        for candidate, weight in zip(candidates, weighed, strict=True)
        if weight > 0.0
    ]


def plausibility(meaning: Meaning, expected: Expected) -> float:
    """Return how plausible a meaning is now, from LEAST_PLAUSIBLE to 1; 0 for what cannot be."""
    mark, wheel = meaning.mark, expected.wheel
    if mark is None or wheel is None:
        return 1.0
    try:
        angles = meanings(mark, wheel)
    except ValueError:
        return 0.0
    factor = 1.0
    if not any(
        math.isclose(mark.number / step, round(mark.number / step), abs_tol=1e-6)
        for step in (wheel.read_to_deg, 0.25, 0.1)
    ):
        factor *= 0.2
    if expected.angles_deg:
        off = min(abs(wrap(a - near)) for a in angles for near in expected.angles_deg)
        factor *= 1.0 / (1.0 + (off / expected.spread_deg) ** 2)
    return max(factor, LEAST_PLAUSIBLE)


def _logistic(values: Sequence[float]) -> float:
    x = WEIGHTS[0] + sum(w * v for w, v in zip(WEIGHTS[1:], values, strict=True))
    return 1.0 / (1.0 + math.exp(-x))
