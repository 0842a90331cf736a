"""Matching the few words of this job against what a recogniser hears.

A recogniser's decoder writes any English text, and in noise it drops or makes up words. Its encoder
is better than that: it turns sound into features that tell spoken sounds apart whoever says them
and whatever else there is. Small convolutional networks read these features for the WORDS of this
job alone, and for OTHER: any other word. They were trained on synthetic speech in the noises of a
shop (``tests/bench/matching_train.py``).

Conventions
-----------
A network gives the log probability of each word at each frame, of some 20 ms, or of none (class
0): a "connectionist temporal classification", in which a text's probability is the sum over all the
ways to lay its words along the frames. `likeliest` finds the likeliest texts by prefix beam search,
and weighs each by how often its words follow one another in what is said here, to the power of
HABIT: "and a" is followed by "half", but what was clearly said stands.

The networks differ by the chance of their training, by the sayings they were given and by the
encoder whose features they read. Each weighs every text that any of them finds likely, and the logs
of its shares are averaged: a "logarithmic opinion pool". What all hear alike is surer so than by
any of them, and what one alone mishears is outvoted or in doubt. (Their frames are not averaged:
each lays the same words along other frames.)

Sources
-------
A. Graves et al., "Connectionist temporal classification", ICML (2006): the model and its prefix
search. A. Hannun et al., "First-pass large vocabulary continuous speech recognition using
bi-directional recurrent DNNs", arXiv 1408.2873 (2014): the search with the odds of words. L. K.
Hansen, P. Salamon, "Neural network ensembles", IEEE Trans. Pattern Anal. Mach. Intell. 12 (1990)
993. C. Genest, J. V. Zidek, "Combining probability distributions: a critique and an annotated
bibliography", Statistical Science 1 (1986) 114: opinion pools. The layers:
:mod:`analysis.convolution`; J. L. Ba et al., "Layer normalization", arXiv 1607.06450 (2016); D.
Hendrycks and K. Gimpel, "Gaussian error linear units", arXiv 1606.08415 (2016).
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from analysis.convolution import Floats, convolved
from analysis.spoken.language import ONES, TENS

Text = tuple[int, ...]
"""The classes of a text's words."""
Scores = npt.NDArray[np.float64]

WORDS = (
    *ONES, *TENS, "hundred", "oh", "and", "a", "half", "quarter", "quarters", "eighth", "eighths",
    "point", "dot", "decimal", "minus", "plus", "before", "after", "top", "bottom", "dead",
    "centre", "degrees", "next", "strike", "again", "note", "done", "stop", "listening", "start",
    "what", "now", "opening", "closing", "zeroed", "wheel", "cylinder", "as", "found", "left",
    "say", "on", "the",
)  # fmt: skip
"""In the order of the network's classes, which begin at 1."""
OTHER = "…"
"""Written for any other word; its class is the last."""
BEAM = 12
LIKELY = 1e-4
"""Words less likely than this at a frame do not begin there."""
SILENT = 0.999
"""Odds of no word at which a frame cannot change which texts are likeliest."""
HABIT = 0.4
IMPOSSIBLE = -1e6
"""Log of a probability that is none; more than minus infinity, which cannot be averaged."""
LARGEST = 60.0
"""Features are held below this; a few of an encoder's are now and then far larger."""


@dataclass(frozen=True, eq=False)
class ResidualBlock:
    """A convolution whose result is added to what it was given.

    Attributes
    ----------
    gain, offset : ndarray, shape (width,)
        Of the normalisation before it.
    weights, bias : ndarray
        As :func:`analysis.convolution.convolved` takes them.
    dilation : int
    """

    gain: Floats
    offset: Floats
    weights: Floats
    bias: Floats
    dilation: int


@dataclass(frozen=True, eq=False)
class Network:
    """A network that reads what an encoder hears.

    Attributes
    ----------
    mean, spread : ndarray, shape (features,)
        Of the features it was trained on.
    first, first_bias : ndarray
        The first convolution, as :func:`analysis.convolution.convolved` takes it.
    blocks : tuple of ResidualBlock
    last : ndarray, shape (width, classes)
    last_bias : ndarray, shape (classes,)
    """

    mean: Floats
    spread: Floats
    first: Floats
    first_bias: Floats
    blocks: tuple[ResidualBlock, ...]
    last: Floats
    last_bias: Floats

    def log_probs(self, features: Floats) -> Floats:
        """Return the log probability of each class at each frame.

        Parameters
        ----------
        features : ndarray, shape (frames, features)
            What the encoder hears.

        Returns
        -------
        ndarray, shape (frames, classes)
            Class 0 is no word, then come WORDS, then OTHER.
        """
        x = (np.clip(features, -LARGEST, LARGEST) - self.mean) / self.spread
        x = _gelu(convolved(x.T, self.first, self.first_bias))
        for block in self.blocks:
            x = x + _gelu(convolved(_normal(x, block), block.weights, block.bias, block.dilation))
        scores = x.T @ self.last + self.last_bias
        scores -= scores.max(axis=1, keepdims=True)
        return np.asarray(scores - np.log(np.exp(scores).sum(axis=1, keepdims=True)))


@dataclass(frozen=True, eq=False)
class Opinion:
    """What one network hears in an utterance.

    Attributes
    ----------
    log_probs : ndarray, shape (frames, classes)
        From `Network.log_probs`.
    follows : ndarray, shape (classes, classes)
        See `WordMatcher`.
    """

    log_probs: Floats
    follows: Floats


@dataclass(frozen=True, eq=False)
class WordMatcher:
    """The networks for what one encoder hears.

    Attributes
    ----------
    networks : tuple of Network
    follows : ndarray, shape (classes, classes)
        Log probability that a word (column) follows another (row); class 0 is the text's beginning
        and end.
    """

    networks: tuple[Network, ...]
    follows: Floats

    def opinions(self, features: Floats) -> list[Opinion]:
        """Return what each network hears.

        Parameters
        ----------
        features : ndarray, shape (frames, features)
            What the encoder hears.
        """
        return [Opinion(network.log_probs(features), self.follows) for network in self.networks]


def matcher_of(weights: Mapping[str, npt.NDArray[np.floating]]) -> WordMatcher:
    """Make a matcher of its named weights, as ``matching_train.py`` writes them.

    Raises
    ------
    ValueError
        If they are for other words than WORDS.
    """
    have = {name: np.asarray(value, np.float32) for name, value in weights.items()}
    if len(have["follows"]) != len(WORDS) + 2:
        raise ValueError(f"weights for {len(have['follows']) - 2} words, not for {len(WORDS)}")
    count = sum(name.endswith(".first") for name in have)
    return WordMatcher(tuple(_network(have, f"{i}.") for i in range(count)), have["follows"])


def _network(weights: Mapping[str, Floats], start: str) -> Network:
    """Make a network of those weights whose names begin so."""
    have = {k.removeprefix(start): v for k, v in weights.items() if k.startswith(start)}
    blocks = [
        ResidualBlock(
            gain=have[f"block{i}_gain"],
            offset=have[f"block{i}_offset"],
            weights=_taps_first(have[f"block{i}_weights"]),
            bias=have[f"block{i}_bias"],
            dilation=int(dilation),
        )
        for i, dilation in enumerate(have["dilations"])
    ]
    return Network(
        mean=have["mean"],
        spread=have["spread"],
        first=_taps_first(have["first"]),
        first_bias=have["first_bias"],
        blocks=tuple(blocks),
        last=have["last"],
        last_bias=have["last_bias"],
    )


def _taps_first(weights: Floats) -> Floats:
    """Return weights of shape (taps, courses in, courses out) as a layer takes them."""
    return weights.reshape(-1, weights.shape[2]).T


def likeliest(opinions: Sequence[Opinion], beam: int = BEAM) -> list[tuple[str, float]]:
    """Return the likeliest texts of WORDS and OTHER by all opinions together, the best first.

    Parameters
    ----------
    opinions : sequence of Opinion
        One or more, from one encoder or from several.
    beam : int
        How many texts are kept at each frame, and returned at most.

    Returns
    -------
    list of (str, float)
        Words with spaces between them, and the log of the text's share of them all.
    """
    texts = sorted(set().union(*(_searched(one, beam) for one in opinions)))
    pooled = _whole(np.mean([_whole(_scores(texts, one)) for one in opinions], axis=0)).tolist()
    ordered = sorted(zip(texts, pooled, strict=True), key=lambda one: -one[1])
    return [(_written(text), share) for text, share in ordered[:beam]]


def _searched(opinion: Opinion, beam: int) -> list[Text]:
    """Return the likeliest texts by one opinion."""
    usual = (HABIT * opinion.follows).tolist()
    # Of each text: the log probability that its last frame held no word, and that it did; of its
    # words as such.
    texts: dict[Text, tuple[float, float, float]] = {(): (0.0, -math.inf, 0.0)}
    for row in opinion.log_probs:
        begin = [int(k) for k in np.flatnonzero(row > math.log(LIKELY)) if k]
        chances = row.tolist()
        grown: dict[Text, tuple[float, float, float]] = {}
        for text, (silent, sounding, words) in texts.items():
            whole = _add(silent, sounding)
            last = text[-1] if text else 0
            _put(grown, text, whole + chances[0], sounding + chances[last], words)
            if chances[0] > math.log(SILENT):
                continue
            for k in begin:
                before = silent if k == last else whole
                _put(grown, (*text, k), -math.inf, before + chances[k], words + usual[last][k])
        ordered = sorted(grown.items(), key=lambda item: -(_add(*item[1][:2]) + item[1][2]))
        texts = dict(ordered[:beam])
    return list(texts)


def _scores(texts: Sequence[Text], opinion: Opinion) -> Scores:
    """Return the log of each text's probability, weighed by habit, up to what all have in common.

    It is the "forward" sum over all ways to lay its words along the frames.
    """
    longest = max(len(text) for text in texts)
    # Each text's words, with no word before, between and after them.
    classes = np.zeros((len(texts), 2 * longest + 1), np.intp)
    for row, text in zip(classes, texts, strict=True):
        row[1 : 2 * len(text) : 2] = text
    another = classes[:, 2:] != classes[:, :-2]  # a word said twice needs a pause
    reached = np.full(classes.shape, IMPOSSIBLE)
    reached[:, 0] = 0.0
    for frame in opinion.log_probs:
        before = reached
        reached = before.copy()
        reached[:, 1:] = np.logaddexp(reached[:, 1:], before[:, :-1])
        skipped = np.where(another, before[:, :-2], IMPOSSIBLE)
        reached[:, 2:] = np.logaddexp(reached[:, 2:], skipped)
        reached += frame[classes]
    ends = 2 * np.array([len(text) for text in texts])
    rows = np.arange(len(texts))
    sounding = np.where(ends > 0, reached[rows, ends - 1], IMPOSSIBLE)
    words = [
        sum(opinion.follows[a, b] for a, b in itertools.pairwise((0, *text, 0))) for text in texts
    ]
    return np.asarray(np.logaddexp(reached[rows, ends], sounding) + HABIT * np.array(words))


def _whole(scores: Scores) -> Scores:
    """Return the log of each one's share of them all."""
    return np.asarray(scores - np.logaddexp.reduce(scores))


def _put(
    texts: dict[Text, tuple[float, float, float]],
    text: Text,
    silent: float,
    sounding: float,
    words: float,
) -> None:
    had = texts.get(text)
    if had is not None:
        silent, sounding = _add(had[0], silent), _add(had[1], sounding)
    texts[text] = silent, sounding, words


def _add(a: float, b: float) -> float:
    """Return the log of the sum of two probabilities given by their logs."""
    high, low = max(a, b), min(a, b)
    return high if low == -math.inf else high + math.log1p(math.exp(low - high))


def _written(text: Text) -> str:
    return " ".join(WORDS[k - 1] if k <= len(WORDS) else OTHER for k in text)


def _normal(x: Floats, block: ResidualBlock) -> Floats:
    off = x - x.mean(axis=0)
    spread = np.sqrt((off**2).mean(axis=0) + 1e-5)
    return np.asarray(off / spread * block.gain[:, None] + block.offset[:, None])


def _gelu(x: Floats) -> Floats:
    return np.asarray(0.5 * x * (1.0 + erf(x / math.sqrt(2.0))), np.float32)
