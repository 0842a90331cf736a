"""The words that steer a session by voice.

They are few and far apart in sound, and none is a number, so that a misheard reading never takes a
wrong step. A command must be the whole of what was said, but for a reading after it: "opening,
thirty-four and a half before", "cylinder two, stop, eighteen before".
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.spoken.language import Sense, cardinal, meanings_of, tokens_of

Word = Literal[
    "next", "strike", "again", "note", "done", "stop listening", "start listening", "what now",
    "stop", "opening", "closing", "zeroed", "cylinder", "as found", "as left",
]  # fmt: skip

_WORDS: dict[tuple[str, ...], Word] = {
    ("next",): "next",
    ("strike",): "strike",
    ("again",): "again",
    ("say", "again"): "again",
    ("done",): "done",
    ("stop", "listening"): "stop listening",
    ("start", "listening"): "start listening",
    ("what", "now"): "what now",
    ("stop",): "stop",
    ("on", "the", "stop"): "stop",
    ("opening",): "opening",
    ("closing",): "closing",
    ("zeroed",): "zeroed",
    ("wheel", "zeroed"): "zeroed",
    ("wheel", "zero"): "zeroed",
    ("as", "found"): "as found",
    ("as", "left"): "as left",
}
_LONGEST = max(len(words) for words in _WORDS)
STEPS: tuple[Word, ...] = ("stop", "opening", "closing", "zeroed")


@dataclass(frozen=True)
class Command:
    """A spoken command.

    Attributes
    ----------
    word : str
    argument : str
        The cylinder's name; else empty. A note's words are what was heard after it.
    """

    word: Word
    argument: str = ""


@dataclass(frozen=True)
class Said:
    """What an utterance says, if its words are taken as they stand.

    Attributes
    ----------
    commands : tuple of Command
        In the order they were said.
    senses : tuple of Sense
        The readings that the rest could mean; empty when there is no rest.
    """

    commands: tuple[Command, ...] = ()
    senses: tuple[Sense, ...] = ()


def take_apart(text: str, cylinders: Sequence[str] = ()) -> Said | None:
    """Take an utterance apart into commands and a reading.

    Parameters
    ----------
    text : str
        As a person or a recogniser would write it.
    cylinders : sequence of str
        Their names on the sheet; without them any whole number is taken for a name.

    Returns
    -------
    Said or None
        None when the words as a whole mean nothing here.
    """
    tokens = tokens_of(text)
    if tokens[:1] == ("note",):
        return Said((Command("note"),))
    commands: list[Command] = []
    used = 0
    while used < len(tokens):
        found = _word(tokens, used) or _cylinder(tokens, used, cylinders)
        if found is None:
            break
        command, used = found
        commands.append(command)
        while tokens[used : used + 1] == (".",):
            used += 1
    if used == len(tokens):
        return Said(tuple(commands)) if commands else None
    if commands and commands[-1].word == "zeroed":
        return None  # it has no reading: "zeroed, zero" is one word said twice
    senses = meanings_of(tokens[used:])
    return Said(tuple(commands), senses) if senses else None


def _word(tokens: Sequence[str], at: int) -> tuple[Command, int] | None:
    for length in range(_LONGEST, 0, -1):
        word = _WORDS.get(tuple(tokens[at : at + length]))
        if word and at + length <= len(tokens):
            return Command(word), at + length
    return None


def _cylinder(tokens: Sequence[str], at: int, names: Sequence[str]) -> tuple[Command, int] | None:
    if tokens[at] != "cylinder" or at + 1 >= len(tokens):
        return None
    said = tokens[at + 1]
    for name in names:
        if said in (name.casefold(), *_as_words(name)):
            return Command("cylinder", name), at + 2
    senses = meanings_of((said,))
    if not names and senses and senses[0].mark.number == int(senses[0].mark.number):
        return Command("cylinder", f"{senses[0].mark.number:g}"), at + 2
    return None


def _as_words(name: str) -> tuple[str, ...]:
    """Ways in which a cylinder's name is heard."""
    if not (name.isdecimal() and int(name) < 20):
        return ()
    alike = {"1": ("won",), "2": ("to", "too"), "4": ("for",), "8": ("ate",)}
    return (cardinal(int(name)), *alike.get(name, ()))


def remark(heard: str) -> str:
    """Return the words of a note, without the word that says it is one; a dash if none are left."""
    first, _, rest = heard.partition(" ")
    return (rest if first.strip(" .,:").casefold() == "note" else heard).strip() or "-"
