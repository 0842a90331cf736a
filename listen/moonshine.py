"""A second encoder: that of Moonshine "base", which hears otherwise than Whisper's.

The two were taught apart and mishear different things, so that what is matched with what both hear
(:mod:`analysis.spoken.matching`) is surer where they agree, and in doubt elsewhere.
Moonshine's decoder is not used: it writes any English text, and of these words not even half right
in a shop's noise.

The encoder is a file for onnxruntime (MIT licence), which a registry package carries for Linux on
x86-64 and for macOS 15 on ARM. Elsewhere Whisper's encoder stands alone, and more is asked.

Sources
-------
N. Jeffries et al., "Moonshine: speech recognition for live transcription and voice commands",
arXiv 2410.15608 (2024).
"""

import hashlib
import importlib.util
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.sound import Samples
from listen.errors import BadInput

PACKAGE = "moonshine_cpp"
ENCODER = "models/base-en/encoder_model.ort"
ENCODER_SHA256 = "9d1a19e044cbf89a207723d1adb667de89a5671a1e3e611b8ebe721b2c31219c"
LEAST = 8_000
"""Samples that it hears at least, at 16 kHz; what is shorter is filled up with silence."""


def installed() -> bool:
    """Return whether the package is there."""
    return importlib.util.find_spec(PACKAGE) is not None


class Encoder:
    """The encoder, loaded.

    Raises
    ------
    BadInput
        If it is not what it should be, or cannot be loaded.
    """

    def __init__(self) -> None:
        import onnxruntime

        spec = importlib.util.find_spec(PACKAGE)
        path = Path(spec.origin if spec and spec.origin else ".").parent / ENCODER
        try:
            model = path.read_bytes()
        except OSError as trouble:
            raise BadInput(_damaged(f"{path.name} cannot be read: {trouble.strerror}")) from None
        found = hashlib.sha256(model).hexdigest()
        if found != ENCODER_SHA256:
            raise BadInput(_damaged(f"{path.name} has SHA-256 {found}, not {ENCODER_SHA256}"))
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        providers = ["CPUExecutionProvider"]
        try:
            self._session = onnxruntime.InferenceSession(model, options, providers=providers)
        except Exception as trouble:  # onnxruntime's errors have no other base
            raise BadInput(_damaged(f"onnxruntime cannot load it: {trouble}")) from None

    def features(self, samples: Samples) -> npt.NDArray[np.float32]:
        """Return what it hears, as :mod:`analysis.spoken.matching` takes it.

        Parameters
        ----------
        samples : ndarray, shape (n,), float32
            At 16 kHz.

        Returns
        -------
        ndarray, shape (frames, features)
            One frame every 24 ms.

        Raises
        ------
        RuntimeError
            If it fails.
        """
        sound = np.pad(samples, (0, max(0, LEAST - len(samples))))[None]
        try:
            return np.asarray(self._session.run(None, {"input_values": sound})[0][0], np.float32)
        except Exception as trouble:  # onnxruntime's errors have no other base
            raise RuntimeError(str(trouble)) from None


def _damaged(what: str) -> str:
    return (
        f"the second speech model is damaged: {what}; install it again (pip install "
        f"{PACKAGE.replace('_', '-')}), or uninstall it; readings can still be typed"
    )
