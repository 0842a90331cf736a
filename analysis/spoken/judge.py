"""What was said, how sure that is, and what to do about it.

The model
---------
A recogniser gives several hypotheses of what an utterance says, each with its probability: some
written freely, some by matching the words that are spoken here alone
(:mod:`analysis.spoken.matching`). The written ones tell better whether a reading was said at all,
the matched ones which. All that mean the same are one candidate, and the probabilities of each
source add up: to its mass there.

A multinomial logistic model shares 1 out among the candidates by their `evidence`; a recogniser
that is unsure drops words sooner than it invents them, so that more syllables count for a
candidate as long as they could be said in the time. A logistic model of the best one's `traits`,
its share first, then says how likely it is right: the `confidence`, of which those stated 0.95
are right 95 % of the time. What is left of 1 goes to the others by their shares.

Then what is plausible now has a say: the wheel's marks, its finest step, the last readings and the
sheet's figure. Each factor is bounded, all together by LEAST_PLAUSIBLE, so that a reading that was
clearly said never gives way to one that was merely expected; at worst it is asked. Only what the
wheel does not show at all is ruled out.

What to do has a price: a wrong reading in the record costs COST_WRONG questions, a command that
changes nothing there COST_HARMLESS. The cheapest of accepting, offering the two likeliest
("thirteen, or thirty?") and asking again is chosen.

Sources
-------
D. McFadden, "Conditional logit analysis of qualitative choice behavior", in *Frontiers in
Econometrics* (1974): shares. J. Platt, "Probabilistic outputs for support vector machines" (1999):
calibration by a logistic model. C. K. Chow, "On optimum recognition error and reject tradeoff",
IEEE Trans. Inf. Theory 16 (1970) 41: the price of being wrong against that of asking. Costs and
plausibilities: from memory. The weights were fitted by ``tests/bench/spoken_fit.py``.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Literal

from analysis.spoken.commands import Command, take_apart
from analysis.spoken.language import POINTS, cardinal, say, sound_alike, tokens_of
from analysis.spoken.matching import OTHER
from analysis.wheel import Mark, Wheel, meanings, wrap

Act = Literal["accept", "offer", "ask", "ignore"]

SHARES = (0.308, 0.755, -0.348, -0.765, 0.994, -1.552)
"""Weights of `evidence`."""
WEIGHTS = (
    1.750, 0.323, -0.076, 0.313, 0.192, 0.210, 0.907, -0.503, -0.911, 0.688, -3.438, -1.161,
)  # fmt: skip
"""Of 1 and of each of `traits`, in the logistic model of confidence."""
FURTHEST = 8.0
"""Logs of probabilities are told apart down to minus this."""
SUREST = 6.0
"""Log of the largest odds of a share that are told apart."""
DOUBTED = 0.88
"""Largest confidence of a number that is no eighth or tenth, of which only a part may have been
heard ("point seven five"), or whose sound-alike was heard as well: it is asked."""
MORE_SAID = 0.05
"""Share of a number's hypotheses with more words beside it that shows something was said there."""
MORE_WRITTEN = 0.4
"""The same of the written ones where no matched one bears them out: they make words up."""
OTHERS_SAID = 0.13
"""The same of matched texts with other words in them."""
SAME_NUMBER_S = 1.2
"""Said this soon after something that was doubted, a number may be the rest of it."""
NONE_OF_THEM = 0.2
"""Share of what is left to the other candidates that goes to none of them."""
LEAST_PLAUSIBLE = 1 / 20
COST_ASK = 1.0
COST_OFFER = 0.7
COST_WRONG = 10.0
COST_HARMLESS = 4.0
HARMLESS = ("again", "what now", "note", "start listening")
"""Commands that change nothing in the record when they were not meant."""
HEARD_AT_ALL = 0.3
"""Least probability that a reading or command was meant for which a question is asked."""


class Source(IntEnum):
    """Where a hypothesis comes from: written freely, or by matching the words spoken here."""

    WRITTEN = 0
    MATCHED = 1


ALIKE = {Source.WRITTEN: 0.1, Source.MATCHED: 0.03}
"""Share of a probability from which the sound-alike was heard as well; what is matched is matched
by several together, and surer."""


@dataclass(frozen=True)
class Hypothesis:
    """One way to write an utterance down.

    Attributes
    ----------
    text : str
    log_prob : float
        Log of the recogniser's probability of the whole text.
    source : Source
    """

    text: str
    log_prob: float
    source: Source = Source.WRITTEN


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


ZERO, ZEROED = Meaning(mark=Mark(0.0)), Meaning((Command("zeroed"),))
NOTE = Meaning((Command("note"),))


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
    zeroing : bool or None
        Whether it is time to move the wheel to show true dead centre, if that is known: then
        "zeroed" is expected, and "zero" is not.
    """

    wheel: Wheel | None = None
    angles_deg: tuple[float, ...] = ()
    spread_deg: float = 8.0
    zeroing: bool | None = None


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

    @property
    def doubted(self) -> bool:
        """Whether something was meant that is to be offered or asked."""
        return self.act in ("offer", "ask")

    def question(self) -> str:
        """What to ask when it is doubted."""
        if self.act == "offer":
            return " or ".join(c.meaning.words() for c in self.candidates[:2]) + "?"
        return "say again"


NOTHING = Judged("ignore", (), "")


def judge(
    hypotheses: Sequence[Hypothesis],
    seconds: float,
    expected: Expected = Expected(),
    cylinders: Sequence[str] = (),
    since_doubt_s: float = math.inf,
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
    since_doubt_s : float
        How long before it something ended that was doubted.

    Returns
    -------
    Judged
    """
    if not hypotheses:
        return NOTHING
    written = _of(Source.WRITTEN, hypotheses) or hypotheses
    heard = _once(max(written, key=lambda hypothesis: hypothesis.log_prob).text)
    shared = shares(hypotheses, seconds, cylinders)
    if not shared:
        return Judged("ignore", (), heard)
    best, share = shared[0]
    sure = _logistic(traits(best, share, seconds, hypotheses))
    if (
        _oddity(best.meaning) == 1.0
        or _may_be_a_part(best, hypotheses, since_doubt_s)
        or _alike_heard(best, hypotheses, cylinders)
    ):
        sure = min(sure, DOUBTED)
    # A step hangs on a command ("zeroed" and "zero"): there the shares have the last word.
    for other, other_share in shared[1:]:
        if other.meaning.commands != best.meaning.commands:
            sure = min(sure, share / (share + other_share))
    left = (1.0 - sure) / (1.0 - share + NONE_OF_THEM)
    candidates = [Candidate(best.meaning, sure)]
    for other, other_share in shared[1:]:
        candidates.append(Candidate(other.meaning, min(left * other_share, sure)))
    return decide(_made_plausible(candidates, expected), heard)


def decide(candidates: Sequence[Candidate], heard: str = "") -> Judged:
    """Choose what costs least, from meanings with their probabilities.

    Parameters
    ----------
    candidates : sequence of Candidate
        Their probabilities add up to 1 at most; the rest is that nothing of use was said.
    heard : str
        In the recogniser's words.
    """
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


@dataclass(frozen=True)
class Support:
    """What the hypotheses say for a meaning.

    Attributes
    ----------
    meaning : Meaning
    masses : tuple of float
        For each source, the log of the sum of the probabilities of its hypotheses that mean it;
        that of the source's least likely hypothesis where none does.
    rivals : tuple of float
        Log of the largest such sum for any other meaning or for none.
    wording : str
        Their likeliest wording.
    """

    meaning: Meaning
    masses: tuple[float, ...]
    rivals: tuple[float, ...]
    wording: str


def shares(
    hypotheses: Sequence[Hypothesis], seconds: float, cylinders: Sequence[str] = ()
) -> list[tuple[Support, float]]:
    """Return what the hypotheses mean with its share of 1, the likeliest first.

    Parameters
    ----------
    hypotheses : sequence of Hypothesis
        What the recognisers made of one utterance.
    seconds : float
        How long the utterance took.
    cylinders : sequence of str
        Names on the sheet; a command for another is no meaning.
    """
    supports = supports_of(hypotheses, cylinders)
    scores = [
        sum(w * v for w, v in zip(SHARES, evidence(support, seconds), strict=True))
        for support in supports
    ]
    top = max(scores, default=0.0)
    weights = [math.exp(score - top) for score in scores]
    whole = sum(weights)
    pairs = [(one, w / whole) for one, w in zip(supports, weights, strict=True)]
    return sorted(pairs, key=lambda pair: -pair[1])


def supports_of(hypotheses: Sequence[Hypothesis], cylinders: Sequence[str] = ()) -> list[Support]:
    """Return each meaning of the hypotheses with what they say for it.

    Parameters
    ----------
    hypotheses : sequence of Hypothesis
        What the recognisers made of one utterance.
    cylinders : sequence of str
        Names on the sheet; a command for another is no meaning.
    """
    sources = _by_source(hypotheses, cylinders)
    wordings: dict[Meaning, str] = {}
    for source in sources:  # matched words are all spelt alike; a written wording counts without
        wordings |= source.wordings
    return [
        Support(
            meaning,
            masses=tuple(source.log_mass(meaning) for source in sources),
            rivals=tuple(source.log_rival(meaning) for source in sources),
            wording=wording,
        )
        for meaning, wording in wordings.items()
    ]


@dataclass(frozen=True)
class _Weighed:
    """What the hypotheses of one kind mean, with their probabilities added up; None is nothing."""

    masses: Mapping[Meaning | None, float]
    least: float
    wordings: dict[Meaning, str]

    def log_mass(self, meaning: Meaning) -> float:
        return _log(self.masses.get(meaning, self.least))

    def log_rival(self, meaning: Meaning) -> float:
        return _log(max((m for other, m in self.masses.items() if other != meaning), default=0.0))


def _by_source(hypotheses: Sequence[Hypothesis], cylinders: Sequence[str]) -> list[_Weighed]:
    """Return what the hypotheses of each source mean; one that is silent says what another does."""
    found: list[_Weighed] = []
    for source in Source:
        weighed = _weighed(_of(source, hypotheses), cylinders)
        found.append(weighed if weighed.masses or not found else found[-1])
    return found


def _weighed(hypotheses: Sequence[Hypothesis], cylinders: Sequence[str]) -> _Weighed:
    masses: dict[Meaning | None, float] = {}
    wordings: dict[Meaning, tuple[float, str]] = {}
    for hypothesis in hypotheses:
        chance = math.exp(hypothesis.log_prob)
        found = _meanings(hypothesis.text, cylinders)
        if not found:
            masses[None] = masses.get(None, 0.0) + chance
        for meaning, odds in found:
            mass = odds * chance
            masses[meaning] = masses.get(meaning, 0.0) + mass
            wording = mass, hypothesis.text
            wordings[meaning] = max(wordings.get(meaning, wording), wording)
    least = min((math.exp(hypothesis.log_prob) for hypothesis in hypotheses), default=0.0)
    return _Weighed(masses, least, {meaning: text for meaning, (_, text) in wordings.items()})


def evidence(support: Support, seconds: float) -> tuple[float, ...]:
    """Return what tells one candidate of an utterance from another.

    Returns
    -------
    tuple of float
        Its mass in each source; how many seconds more the utterance took than slow words do; how
        much faster it was than so many syllables are (log); syllables; 0 for whole degrees, halves
        and quarters, 0.5 for tenths and eighths, 1 for anything else.
    """
    count = syllables(support.wording)
    words = len(_words(support.wording))
    return (
        *support.masses,
        max(seconds - 0.3 - 0.75 * words, 0.0),
        _hurry(count, seconds),
        float(count),
        _oddity(support.meaning),
    )


def traits(
    support: Support, share: float, seconds: float, hypotheses: Sequence[Hypothesis]
) -> tuple[float, ...]:
    """Return what tells whether the likeliest meaning is right.

    Returns
    -------
    tuple of float
        Log of the odds of its share; its mass in each source, and how far each is above its
        rival's; the written one for each syllable; how much faster it was than so many
        syllables are (log); 1 for a teen or ten said as one word, which has a sound-alike; 1 for a
        command; the share of the matched texts with other words in them, as a note has; the share
        of its hypotheses with more words beside it.
    """
    count = syllables(support.wording)
    masses = [max(mass, -FURTHEST) for mass in support.masses]
    rivals = [max(rival, -FURTHEST) for rival in support.rivals]
    return (
        min(math.log(max(share, 1e-9) / max(1.0 - share, 1e-9)), SUREST),
        *masses,
        *(min(mass - rival, FURTHEST) for mass, rival in zip(masses, rivals, strict=True)),
        masses[Source.WRITTEN] / count,
        _hurry(count, seconds),
        1.0 if _has_sound_alike(support) else 0.0,
        1.0 if support.meaning.commands else 0.0,
        0.0 if support.meaning == NOTE else _others_said(hypotheses),
        _more_said(support, hypotheses),
    )


def _others_said(hypotheses: Sequence[Hypothesis]) -> float:
    """Return the share of the matched texts with words that are not matched."""
    matched = _of(Source.MATCHED, hypotheses)
    return sum(math.exp(one.log_prob) for one in matched if OTHER in one.text)


def _once(text: str) -> str:
    """Cut short what a recogniser says over and over."""
    return re.sub(r"^(.{3,}?)(?: \1){2,}.*$", r"\1", text)


def _may_be_a_part(best: Support, hypotheses: Sequence[Hypothesis], since_doubt_s: float) -> bool:
    """Return whether the best meaning may be a part only of what was said."""
    rest = best.meaning.mark is not None and since_doubt_s < SAME_NUMBER_S
    headless = _words(best.wording)[0] in POINTS
    return rest or headless or _more_heard(best, hypotheses)


def _more_heard(best: Support, hypotheses: Sequence[Hypothesis]) -> bool:
    """Return whether more was said beside the best."""
    if best.meaning.mark is not None and _others_said(hypotheses) > OTHERS_SAID:
        return True  # "page fifty-four"
    written, matched = (
        _more_said(best, _of(source, hypotheses) or hypotheses) for source in Source
    )
    backed = matched > MORE_SAID or written > MORE_WRITTEN
    return backed and _more_said(best, hypotheses) > MORE_SAID


def _alike_heard(best: Support, hypotheses: Sequence[Hypothesis], cylinders: Sequence[str]) -> bool:
    """Return whether what it is mistaken for was heard as well, or rather."""
    alike = _mistaken_for(best.meaning)
    if alike is None:
        return False
    for source in Source:
        masses = _weighed(_of(source, hypotheses), cylinders).masses
        if masses.get(alike, 0.0) > ALIKE[source] * masses.get(best.meaning, 0.0):
            return True
    return False


def _of(source: Source, hypotheses: Sequence[Hypothesis]) -> list[Hypothesis]:
    return [one for one in hypotheses if one.source == source]


def _mistaken_for(meaning: Meaning) -> Meaning | None:
    """Return the ten for a teen, the teen for a ten, "zero" for "zeroed" and the other way."""
    if meaning == ZERO:
        return ZEROED
    if meaning == ZEROED:
        return ZERO
    other = None if meaning.mark is None else sound_alike(meaning.mark)
    return None if other is None else replace(meaning, mark=other)


def _more_said(best: Support, hypotheses: Sequence[Hypothesis]) -> float:
    """Return the share of the hypotheses of a number that have more words before or after it.

    What a recogniser hears there may be a figure or a side that it cannot make out.
    """
    mark = best.meaning.mark
    if mark is None or mark.number == 0.0:
        return 0.0
    words = _words(best.wording)
    here = more = 0.0
    for hypothesis in hypotheses:
        said = _words(hypothesis.text)
        after = mark.side is None and said[: len(words)] == words
        if not (after or said[-len(words) :] == words):
            continue
        rest = said[len(words) :] if after else said[: -len(words)]
        repeats = rest == words[: len(rest)]
        here += math.exp(hypothesis.log_prob)
        more += 0.0 if repeats else math.exp(hypothesis.log_prob)
    return more / here if here else 0.0


def _has_sound_alike(support: Support) -> bool:
    mark = support.meaning.mark
    if mark is None or sound_alike(mark) is None:
        return False
    return cardinal(int(mark.number) % 100) in tokens_of(support.wording)


def _oddity(meaning: Meaning) -> float:
    number = meaning.mark.number if meaning.mark else 0.0
    if _whole(4 * number):
        return 0.0
    return 0.5 if _whole(10 * number) or _whole(8 * number) else 1.0


def _whole(number: float) -> bool:
    return math.isclose(number, round(number), abs_tol=1e-6)


def _hurry(count: int, seconds: float) -> float:
    return max(math.log((0.12 + 0.2 * count) / max(seconds, 0.1)), 0.0)


def _log(chance: float) -> float:
    return math.log(max(chance, 1e-12))


def syllables(text: str) -> int:
    """Return about how many syllables a text has when it is spoken."""
    count = 0
    for word in _words(text):
        groups = re.findall(r"[aeiouy]+", re.sub(r"(?<=[^aeiou])e(s?)$|e(?=ty)", r"\1", word))
        count += len(word) + 1 if word.isdecimal() else max(1, len(groups))
    return max(1, count)


def _words(text: str) -> tuple[str, ...]:
    """Return the words of a text; once, where it says the same twice."""
    tokens = tokens_of(text)
    words = tuple(token for token in tokens if token != ".")
    half = words[: len(words) // 2]
    return half if len(words) < len(tokens) and half + half == words else words


def _meanings(text: str, cylinders: Sequence[str]) -> list[tuple[Meaning, float]]:
    said = take_apart(text, cylinders)
    if said is None:
        return []
    if not said.senses:
        return [(Meaning(said.commands), 1.0)]
    return [(Meaning(said.commands, sense.mark), sense.odds) for sense in said.senses]


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
    if expected.zeroing is not None and meaning == (ZERO if expected.zeroing else ZEROED):
        return LEAST_PLAUSIBLE
    if mark is None or wheel is None:
        return 1.0
    try:
        angles = meanings(mark, wheel)
    except ValueError:
        return 0.0
    factor = 1.0
    if not any(_whole(mark.number / step) for step in (wheel.read_to_deg, 0.25, 0.1)):
        factor *= 0.2
    if expected.angles_deg:
        off = min(abs(wrap(a - near)) for a in angles for near in expected.angles_deg)
        factor *= 1.0 / (1.0 + (off / expected.spread_deg) ** 2)
    return max(factor, LEAST_PLAUSIBLE)


def _logistic(values: Sequence[float]) -> float:
    x = WEIGHTS[0] + sum(w * v for w, v in zip(WEIGHTS[1:], values, strict=True))
    return 1.0 / (1.0 + math.exp(-x))
