"""Wheel readings in words: what could be meant, and how to say it.

What it means
-------------
`understand` takes what was said, as a person or a recogniser would write it, and returns every
reading it could mean, each with its odds: the share of such words that mean it. What is left of 1
means no reading. The whole of the words must make sense as a reading: "thirty-four washers" is
none. `say` is the way back.

Conventions
-----------
* A whole number is said as a cardinal ("thirty-four", "one hundred and eighty", "one eighty") or
  digit by digit ("three four"); a part as halves, quarters and eighths ("and a half") or after
  "point", "dot" or "decimal", digit by digit or as a cardinal ("point two five", "point
  twenty-five").
* "Minus" is after, "plus" before, as in :mod:`analysis.wheel`.
* Radio digits are known in their ICAO spelling ("tree", "fower", "fife", "niner").
* Recognisers write sounds as they please: "to" for two, "for" for four, "34 1/2", "34.5.",
  "37. 37." The last can be one number said twice or a point swallowed, so both are returned, with
  odds to doubt them by.

Sources
-------
ICAO Annex 10, volume II, 5.2.1.4.3 and Doc 9432, *Manual of Radiotelephony*, 2.3: digits and
"decimal". Wordings of fractions: common practice, no source. Odds: from memory, coarse.
"""

import math
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analysis.wheel import Mark, Side

ONES = [
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
    "nineteen",
]  # fmt: skip
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
HIGHEST = 360.0

_DIGITS = {word: digit for digit, word in enumerate(ONES[:10])}
_TEENS = {word: value for value, word in enumerate(ONES) if value >= 10}
_TENS = {word: 10 * (place + 2) for place, word in enumerate(TENS)} | {"fourty": 40}
_ALIKE = {
    "oh": 0, "o": 0, "nought": 0, "naught": 0, "nil": 0, "won": 1, "wun": 1, "to": 2, "too": 2,
    "tree": 3, "free": 3, "for": 4, "fore": 4, "fower": 4, "power": 4, "fife": 5, "ait": 8,
    "ate": 8, "niner": 9, "nein": 9,
}  # fmt: skip
"""Other words for digits: radio, everyday, and what recognisers write."""
_SPELT = {
    "ze-ro": "zero", "fow-er": "four", "sev-en": "seven", "nin-er": "nine", "hun-dred": "hundred",
    "day-see-mal": "decimal",
}  # fmt: skip
POINTS = ("point", "dot", "decimal")
_LIKE_POINTS = ("done", "dark", "dog", "doc", "duck", "down")
"""What recognisers write for "dot" in noise."""
_PARTS = {"half": 2, "halves": 2, "quarter": 4, "quarters": 4, "eighth": 8, "eighths": 8}
_FILLERS = frozenset((
    "uh", "um", "er", "erm", "ah", "it", "its", "is", "that", "thats", "at", "reads", "reading",
    "says", "degree", "degrees", "deg",
))  # fmt: skip
_SIDES: tuple[tuple[tuple[str, ...], Side], ...] = (
    (("before",), "before"), (("be", "for"), "before"), (("be", "four"), "before"),
    (("b4",), "before"), (("btdc",), "before"), (("after",), "after"), (("atdc",), "after"),
)  # fmt: skip
_CENTRES = tuple(
    tuple(words.split())
    for words in ("top dead centre", "top dead center", "tdc", "t d c", "dead centre",
                  "dead center", "top")
)  # fmt: skip
_AT_CENTRE = tuple(
    tuple(words.split())
    for words in ("top dead centre", "top dead center", "tdc", "t d c", "dead centre",
                  "dead center", "top that centre", "top that center", "top net centre",
                  "top net center", "top then center")
)  # fmt: skip

_TOKEN = re.compile(r"[0-9]+|[a-z]+[0-9]?|[./+-]")
_LIKELY_WORD, _UNLIKELY_WORD = 0.9, 0.7
_PAUSE, _PAUSE_IN_HUNDREDS, _SWALLOWED = 0.8, 0.2, 0.2
"""A full stop between numbers: somebody paused, or a point was not heard."""

_Part = tuple[float, int, float]  # value, tokens used up to here, odds


@dataclass(frozen=True)
class Sense:
    """One reading that words could mean.

    Attributes
    ----------
    mark : Mark
    odds : float
        Share of such words that mean it, more than 0 and at most 1.
    """

    mark: Mark
    odds: float


def understand(text: str) -> tuple[Sense, ...]:
    """Return every reading that words could mean, the likeliest first.

    Parameters
    ----------
    text : str
        Words, figures or both, such as "thirty-four and a half before" or "34 1/2 before".

    Returns
    -------
    tuple of Sense
        Their odds add up to 1 at most. Empty when the words are no reading.
    """
    return meanings_of(tokens_of(text))


def meanings_of(tokens: Sequence[str]) -> tuple[Sense, ...]:
    """Return what `understand` does, of tokens that `tokens_of` made."""
    found: dict[Mark, float] = {}
    for mark, odds in _readings(tokens):
        found[mark] = max(found.get(mark, 0.0), odds)
    # A full stop is a pause: "two. one." is twenty-one said slowly.
    words = tuple(token for token in tokens if token != ".")
    if len(words) < len(tokens):
        for mark, odds in _readings(words):
            # "Two. eight. eight." is sooner a repeat.
            pause = _PAUSE if mark.number < 100.0 else _PAUSE_IN_HUNDREDS
            found[mark] = max(found.get(mark, 0.0), pause * odds)
    # The same thing said twice is one reading, or a point was not heard; "five five" is clear.
    half = words[: len(words) // 2]
    if half and half + half == words and ("." in tokens or not found):
        found = {mark: 0.1 * odds for mark, odds in found.items()}
        for mark, odds in _readings(half):
            found[mark] = 0.75 * odds
    over = max(1.0, sum(found.values()))
    senses = [Sense(mark, odds / over) for mark, odds in found.items()]
    return tuple(sorted(senses, key=lambda sense: -sense.odds))


def say(mark: Mark) -> str:
    """Say a reading in words, as it is spoken back.

    Quarters are said as such, anything else after "point", digit by digit.

    Raises
    ------
    ValueError
        If the number is not one of a wheel.
    """
    if not 0.0 <= mark.number <= HIGHEST:
        raise ValueError(f"{mark.number:g} is not on a wheel")
    if mark.number == 0.0 and mark.centre != "bottom":
        return "zero, top dead centre"
    number = round(mark.number, 6)
    whole = math.floor(number)
    part = round(number - whole, 6)
    quarters = {0.25: "a quarter", 0.5: "a half", 0.75: "three quarters"}
    if part == 0.0:
        words = cardinal(whole)
    elif part in quarters:
        words = f"{cardinal(whole)} and {quarters[part]}" if whole else quarters[part]
    else:
        digits = f"{part:.6f}".rstrip("0")[2:]
        words = f"{cardinal(whole)} point {' '.join(ONES[int(digit)] for digit in digits)}"
    centre = " bottom dead centre" if mark.centre == "bottom" else ""
    return f"{words}, {mark.side}{centre}" if mark.side else words


def in_figures(mark: Mark) -> str:
    """Write a reading in figures, in the trade's form; :func:`analysis.wheel.parse` reads it."""
    number = f"{mark.number:.6f}".rstrip("0").rstrip(".")
    if mark.side is None:
        return number
    return f"{number} {mark.side}" + (" bdc" if mark.centre == "bottom" else "")


def cardinal(number: int) -> str:
    """Return a whole number from 0 to 999 in words."""
    if number < 20:
        return ONES[number]
    if number < 100:
        tens = TENS[number // 10 - 2]
        return f"{tens}-{ONES[number % 10]}" if number % 10 else tens
    hundreds = f"{ONES[number // 100]} hundred"
    return f"{hundreds} and {cardinal(number % 100)}" if number % 100 else hundreds


def sound_alike(mark: Mark) -> Mark | None:
    """Return the reading that a teen or a ten is easily mistaken for: 13 for 30, 30.5 for 13.5.

    None for a number that ends in neither.
    """
    whole = math.floor(mark.number)
    rest = whole % 100
    if 13 <= rest <= 19:
        other = 10 * (rest - 10)
    elif rest in range(30, 100, 10):
        other = 10 + rest // 10
    else:
        return None
    number = round(mark.number + other - rest, 6)
    return Mark(number, mark.side, mark.centre) if number <= HIGHEST else None


def tokens_of(text: str) -> tuple[str, ...]:
    """Fold what a recogniser writes into plain tokens: words, figures, and . / + - between them."""
    out = []
    for char in text.casefold():
        if unicodedata.category(char) == "No" and 0 < unicodedata.numeric(char) < 1:
            out.append(f" {unicodedata.normalize('NFKC', char)} ".replace("\u2044", "/"))
        else:
            out.append("-" if char in "\u2212\u2013\u2014" else char)
    plain = "".join(out).replace("'", "")
    plain = re.sub(r"(?<=\b[a-z])\.(?=[a-z]\b)", "", plain)  # b.t.d.c.
    plain = re.sub(r"(?<=[0-9])[.,](?=[0-9])|(?<![0-9])[.](?=[0-9])", " point ", plain)
    for spelt, word in _SPELT.items():
        plain = plain.replace(spelt, word)
    tokens = [token for token in _TOKEN.findall(plain) if token not in _FILLERS]
    kept = []
    for place, token in enumerate(tokens):
        before = tokens[place - 1] if place else ""
        after = tokens[place + 1] if place + 1 < len(tokens) else ""
        if token in "+-" and (before or not _numeric(after)):
            continue  # a hyphen, not a sign
        if token == "." and not _numeric(after):
            continue  # the end of a sentence
        kept.append(token)
    return _once(kept)


def _once(tokens: Sequence[str]) -> tuple[str, ...]:
    """Drop what a recogniser repeats; a bare number said twice may mean more."""
    words = [token for token in tokens if token != "."]
    for length in range(1, len(words) // 2 + 1):
        phrase = words[:length]
        repeats = all(word == phrase[i % length] for i, word in enumerate(words))
        bare = all(_numeric(word) or word in _ALIKE for word in phrase)
        if repeats and (not bare or len(words) > (2 if "." in tokens else 3) * length):
            return tuple(phrase)
    return tuple(tokens)


def _numeric(token: str) -> bool:
    return token.isdecimal() or token in _DIGITS or token in _TEENS or token in _TENS


def _readings(tokens: Sequence[str]) -> Iterator[tuple[Mark, float]]:
    """Every reading that uses up all tokens, with its odds."""
    zero = 1 if tokens[:1] in (("zero",), ("0",)) else 0
    if tuple(tokens[zero:]) in _AT_CENTRE:
        yield Mark(0.0), 1.0
        return
    sign: Side | None = None
    start = 0
    if tokens and tokens[0] in ("minus", "-"):
        sign, start = "after", 1
    elif tokens and tokens[0] in ("plus", "+"):
        sign, start = "before", 1
    for value, end, odds in _numbers(tokens, start):
        for side, side_end in _sides(tokens, end):
            if side_end != len(tokens) or (sign and side) or value > HIGHEST:
                continue
            number = round(value, 6)
            yield (Mark(number, sign or side) if number else Mark(0.0)), odds


def _sides(tokens: Sequence[str], at: int) -> Iterator[tuple[Side | None, int]]:
    yield None, at
    for words, side in _SIDES:
        end = at + len(words)
        if tuple(tokens[at:end]) == words:
            yield side, end
            for centre in _CENTRES:
                if tuple(tokens[end : end + len(centre)]) == centre:
                    yield side, end + len(centre)


def _numbers(tokens: Sequence[str], at: int) -> Iterator[_Part]:
    """Whole numbers with or without a part, and parts alone."""
    for part, end, odds in _fractions(tokens, at):
        yield part, end, odds
    # "Point five" alone is sooner the end of a number whose beginning was not heard.
    for part, end, odds in _decimals(tokens, at):
        yield part, end, 0.4 * odds
    for whole, middle, odds in _wholes(tokens, at):
        yield whole, middle, odds
        link = middle + 1 if middle < len(tokens) and tokens[middle] == "and" else middle
        for part, end, part_odds in _fractions(tokens, link):
            yield whole + part, end, odds * part_odds
        for part, end, part_odds in _decimals(tokens, middle):
            yield whole + part, end, odds * part_odds
        # "thirty-four fifty", "three four five": a part without its point.
        for part, end, part_odds in _bare_parts(tokens, middle):
            yield whole + part, end, 0.5 * odds * part_odds


def _wholes(tokens: Sequence[str], at: int) -> Iterator[_Part]:
    yield from _below_hundred(tokens, at)
    for digits, end, odds in _digit_runs(tokens, at):
        if 2 <= len(digits) <= 3:
            yield float(digits), end, odds if len(digits) == 2 else 0.6 * odds
    if at < len(tokens) and tokens[at].isdecimal() and len(tokens[at]) <= 3:
        yield float(tokens[at]), at + 1, 1.0
        # A recogniser's "30 4" for thirty-four.
        if tokens[at] in ("20", "30", "40", "50", "60", "70", "80", "90"):
            for digit, end, odds in _digits(tokens, at + 1):
                if digit:
                    yield float(tokens[at]) + digit, end, _UNLIKELY_WORD * odds
    for hundreds, end, odds in (*_digits(tokens, at), (1, at + 1, 1.0)):
        if end == at + 1 and (tokens[at : at + 1] == ("a",) or hundreds in (1, 2, 3)):
            yield from _hundreds(tokens, at, hundreds, odds)


def _hundreds(tokens: Sequence[str], at: int, hundreds: int, odds: float) -> Iterator[_Part]:
    spoken = list(_digits(tokens, at))
    if not (tokens[at : at + 1] == ("a",) or (spoken and spoken[0][0] == hundreds)):
        return
    rest = at + 1
    if tokens[rest : rest + 1] == ("hundred",):
        yield 100.0 * hundreds, rest + 1, odds
        link = rest + 2 if tokens[rest + 1 : rest + 2] == ("and",) else rest + 1
        for value, end, value_odds in _below_hundred(tokens, link):
            yield 100.0 * hundreds + value, end, odds * value_odds
    elif tokens[at] != "a":
        for value, end, value_odds in _below_hundred(tokens, rest):
            if value >= 10:
                yield 100.0 * hundreds + value, end, 0.6 * odds * value_odds


def _below_hundred(tokens: Sequence[str], at: int) -> Iterator[_Part]:
    if at >= len(tokens):
        return
    word = tokens[at]
    for digit, end, odds in _digits(tokens, at):
        yield float(digit), end, odds
    if word in _TEENS:
        yield float(_TEENS[word]), at + 1, 1.0
        # "Fifteen nine" is how recognisers write fifty-nine.
        if _TEENS[word] >= 13:
            for digit, end, odds in _digits(tokens, at + 1):
                if digit:
                    yield 10.0 * (_TEENS[word] - 10) + digit, end, _UNLIKELY_WORD * odds
    if word in _TENS:
        yield float(_TENS[word]), at + 1, 1.0
        for digit, end, odds in _digits(tokens, at + 1):
            if digit:
                yield float(_TENS[word] + digit), end, odds


def _digits(tokens: Sequence[str], at: int) -> Iterator[tuple[int, int, float]]:
    """A single digit in words or as a figure."""
    if at >= len(tokens):
        return
    word = tokens[at]
    if word in _DIGITS:
        yield _DIGITS[word], at + 1, 1.0
    elif word in _ALIKE:
        yield _ALIKE[word], at + 1, _LIKELY_WORD
    elif word.isdecimal() and len(word) == 1:
        yield int(word), at + 1, 1.0


def _digit_runs(tokens: Sequence[str], at: int) -> Iterator[tuple[str, int, float]]:
    """Digits said one by one, as a string, from one of them up to four."""
    run, odds, end = "", 1.0, at
    while len(run) < 4:
        step = next(_digits(tokens, end), None)
        if step is None:
            return
        run, odds, end = run + str(step[0]), odds * step[2], step[1]
        yield run, end, odds


def _fractions(tokens: Sequence[str], at: int) -> Iterator[_Part]:
    """Halves, quarters and eighths, in words or as 1/2."""
    if tokens[at + 1 : at + 2] == ("/",) and len(tokens) > at + 2:
        top, bottom = tokens[at], tokens[at + 2]
        if top.isdecimal() and bottom in ("2", "4", "8") and 0 < int(top) < int(bottom):
            yield int(top) / int(bottom), at + 3, 1.0
        return
    if tokens[at : at + 1] in (("a",), ("an",), ("the",)):
        counts = [(1, at + 1, 1.0)]
    else:
        counts = [(1, at, 1.0), *_digits(tokens, at)]
    for count, place, odds in counts:
        part = tokens[place] if place < len(tokens) else ""
        said_how_many = place > at or not part.endswith("s")
        if part in _PARTS and said_how_many and count < _PARTS[part] and count % 2:
            yield count / _PARTS[part], place + 1, odds


def _decimals(tokens: Sequence[str], at: int) -> Iterator[_Part]:
    """A part after its point."""
    if tokens[at : at + 1] == (".",) and tokens[at + 1 : at + 2] in [(w,) for w in _LIKE_POINTS]:
        at += 1  # "eight. done. two. five."
    if at + 1 >= len(tokens):
        return
    if tokens[at] in POINTS:
        sure = 1.0
    elif tokens[at] in _LIKE_POINTS:
        sure = 0.6
    elif tokens[at] == ".":
        sure = _SWALLOWED
    else:
        return
    if tokens[at + 1].isdecimal():
        yield float(f"0.{tokens[at + 1]}"), at + 2, sure
    for digits, end, odds in _digit_runs(tokens, at + 1):
        if len(digits) <= 3:
            yield float(f"0.{digits}"), end, sure * odds
    for value, end, odds in _below_hundred(tokens, at + 1):
        if value >= 10:
            yield value / 100.0, end, sure * odds


def _bare_parts(tokens: Sequence[str], at: int) -> Iterator[_Part]:
    for value, end, odds in _below_hundred(tokens, at):
        if value in (25.0, 50.0, 75.0):
            yield value / 100.0, end, odds
        elif value == 5.0 and end - at == 1 and tokens[at - 1] not in _TENS:
            yield 0.5, end, 0.2 * odds
