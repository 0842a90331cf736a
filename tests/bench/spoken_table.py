"""How well spoken readings are understood: right, asked and wrong, by voice, wording and condition.

    python -m tests.bench.spoken_table --count 400 --seed 7

Every fourth reading is followed by other talk in the same place, of which nothing should be
accepted, and every sixth by words for the session. `--voices` takes one part of the synthetic
voices and of the talk, to fit to or to judge by, beside the person; or the person alone. `--rival`
also gives each reading to plain faster-whisper (the same model, its own settings) and finds the
number in its text with a regular expression. `--keep FILE` writes what the recogniser said as JSON
Lines; `--from FILE` makes the table from such a file, and ``spoken_fit.py`` fits the confidence to
one.
"""

from __future__ import annotations

import argparse
import itertools
import json
import re
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from analysis.sound import Block
from analysis.spoken.judge import Hypothesis, Judged
from analysis.wheel import Mark, parse
from listen.speech import Recogniser, Utterance, utterances_in
from listen.spoken import Spoken, make_of

from .spoken_scenes import (
    COMMANDS,
    CONDITIONS,
    HUMAN,
    RATE,
    SPEEDS,
    TALK,
    Sound,
    draw,
    in_place,
    say,
    speakers,
)

Item = dict[str, Any]
EDGES = (0.0, 0.5, 0.8, 0.9, 0.95, 0.975, 0.99, 1.0)


def gather(
    count: int, seed: int, recogniser: Recogniser, rival: bool, part: str = ""
) -> Iterator[Item]:
    """Yield what the recogniser says of readings, of words for the session and of other talk."""
    voices = speakers(part)
    talk = [words for name, those in TALK.items() if part in ("", name) for words in those]
    for i, spoken in enumerate(draw(seed, count, voices)):
        assert spoken.truth is not None
        item = {
            "kind": "r",
            "number": spoken.truth.number,
            "side": spoken.truth.side,
            "words": spoken.words,
            "voice": spoken.voice,
            "wording": spoken.wording,
            "condition": spoken.condition,
            **recognised(spoken.sound, recogniser),
        }
        if rival:
            item["rival"] = plain_text(spoken.sound, recogniser)
        yield item
        for kind, every, choice in (("n", 4, talk), ("c", 6, COMMANDS)):
            if i % every == 0 and len(voices) > 1:
                rng = np.random.default_rng([seed, i, every])
                voice = voices[1 + int(rng.integers(len(voices) - 1))]
                words, condition = str(rng.choice(choice)), str(rng.choice(CONDITIONS))
                sound = in_place(say(words, voice, int(rng.choice(SPEEDS))), condition, rng)
                other = {"kind": kind, "words": words, "voice": voice, "condition": condition}
                yield {**other, **recognised(sound, recogniser)}


def recognised(sound: Sound, recogniser: Recogniser) -> Item:
    """Return the utterances in a sound, their hypotheses, and how long that took."""
    began = time.perf_counter()
    utterances = list(utterances_in([Block(sound, RATE, 0.0)]))
    cut = time.perf_counter()
    found = [
        {
            "start": u.start_s,
            "end": u.end_s,
            "h": [(h.text, h.log_prob, h.source) for h in recogniser.write_down(u.samples)],
        }
        for u in utterances
    ]
    took = {"vad": cut - began, "rec": time.perf_counter() - cut}
    return {"seconds": len(sound) / RATE, "res": found, **took}


def plain_text(sound: Sound, recogniser: Recogniser) -> str:
    """Return what plain faster-whisper writes."""
    segments, _ = recogniser._model.transcribe(sound, language="en")
    return " ".join(segment.text for segment in segments)


def by_regex(text: str) -> Mark | None:
    """Find a number and a side in a text, as a short script would."""
    found = re.search(r"(-|minus )?(\d+(?:\.\d+)?(?: \d/\d)?)\D*?(before|after)?\W*$", text.lower())
    if found is None:
        return None
    side = "after" if found[1] else found[3] or ""
    try:
        return parse(f"{found[2]} {side}".strip())
    except ValueError:
        return None


def judged(item: Item) -> list[Judged]:
    """Judge each utterance of an item, knowing nothing of the job."""
    found: list[Spoken] = []
    for u in item["res"]:
        cut = Utterance(np.zeros(0, np.float32), u["start"], u["end"])
        before = found[-1] if found else None
        found.append(make_of(cut, [Hypothesis(*h) for h in u["h"]], before=before))
    return [spoken.judged for spoken in found]


def outcome(item: Item) -> str:
    """Return right, asked or wrong."""
    truth = Mark(item["number"], item["side"])
    taken = [j.best.mark for j in judged(item) if j.act == "accept" and j.best and j.best.mark]
    if any(mark != truth for mark in taken):
        return "wrong"
    return "right" if taken else "asked"


def likeliest(item: Item) -> bool:
    """Whether the reading came first in an utterance, accepted or not."""
    truth = Mark(item["number"], item["side"])
    return any(j.best is not None and j.best.mark == truth for j in judged(item))


def rival_outcome(item: Item) -> str:
    """Return right, asked or wrong for the rival."""
    mark = by_regex(item["rival"])
    if mark is None:
        return "asked"
    return "right" if mark == Mark(item["number"], item["side"]) else "wrong"


def table(items: Iterable[Item]) -> str:
    """Return the tables as Markdown."""
    items = list(items)
    readings = [item for item in items if item["kind"] == "r"]
    with_rival = bool(readings) and "rival" in readings[0]
    head = "| by | | n | likeliest right | right | asked | wrong |" + (
        " plain: right | wrong |" if with_rival else ""
    )
    lines = [head, "| --- " * (head.count("|") - 1) + "|"]
    groups: dict[tuple[str, str], list[Item]] = {}
    for item in readings:
        person = item["voice"] == HUMAN
        kind = "a person" if person else item["voice"].split("+")[0]
        for key in (
            ("all", ""),
            ("person in", item["condition"]) if person else ("synthetic in", item["condition"]),
            ("voice", kind),
            ("wording", item["wording"]),
        ):
            groups.setdefault(key, []).append(item)
    for (by, what), those in sorted(groups.items()):
        cells = [f"{100 * np.mean([likeliest(item) for item in those]):.1f}%"]
        cells += _cells(Counter(outcome(item) for item in those), len(those))
        if with_rival:
            cells += _cells(Counter(rival_outcome(item) for item in those), len(those))[::2]
        lines.append(f"| {by} | {what} | {len(those)} | " + " | ".join(cells) + " |")
    lines += ["", *_reliability(readings), "", _other_talk(items), "", _speed(items)]
    return "\n".join(lines)


def _cells(counts: Counter[str], n: int) -> list[str]:
    return [f"{100 * counts[what] / n:.1f}%" for what in ("right", "asked", "wrong")]


def _reliability(readings: list[Item]) -> list[str]:
    """Stated confidence of the likeliest reading against how often it is right."""
    pairs = []
    for item in readings:
        truth = Mark(item["number"], item["side"])
        pairs += [
            (j.confidence, j.best.mark == truth) for j in judged(item) if j.best and j.best.mark
        ]
    lines = ["| stated confidence | n | mean stated | right |", "| --- | --- | --- | --- |"]
    for low, high in itertools.pairwise(EDGES):
        those = [(c, right) for c, right in pairs if low <= c < high]
        if those:
            mean = 100 * float(np.mean([c for c, _ in those]))
            right = 100 * float(np.mean([r for _, r in those]))
            lines.append(
                f"| {low:g} to {high:g} | {len(those)} | {mean:.1f}% | {right:.1f}% "
                f"{'▇' * round(right / 5)} |"
            )
    return lines


def _other_talk(items: list[Item]) -> str:
    talk = [item for item in items if item["kind"] == "n"]
    minutes = sum(item["seconds"] for item in talk) / 60.0
    taken = [
        item["words"]
        for item in talk
        for j in judged(item)
        if j.act == "accept" and j.best and j.best.mark
    ]
    said = f": {'; '.join(taken)}" if taken else ""
    return f"Other talk, {minutes:.1f} minutes: {len(taken)} accepted as a reading{said}."


def _speed(items: list[Item]) -> str:
    each = [item["rec"] / len(item["res"]) for item in items if item["res"]]
    share = sum(item["vad"] for item in items) / sum(item["seconds"] for item in items)
    return (
        f"Recognising took {np.median(each):.2f} s an utterance (95th percentile "
        f"{np.percentile(each, 95):.2f} s); listening for voices {100 * share:.1f}% of real time."
    )


def main() -> None:
    """Run the bench, or make its table from a file."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--voices", choices=["fit", "judge", "person"], default="")
    parser.add_argument("--rival", action="store_true")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--from", dest="kept", type=Path)
    args = parser.parse_args()
    if args.kept:
        items = [json.loads(line) for line in args.kept.read_text().splitlines()]
    else:
        items = []
        for item in gather(args.count, args.seed, Recogniser(), args.rival, args.voices):
            items.append(item)
            if args.keep:
                with args.keep.open("a") as file:
                    file.write(json.dumps(item) + "\n")
    print(table(items))


if __name__ == "__main__":
    main()
