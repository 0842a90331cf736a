"""The sound that was heard, kept as FLAC beside the logbook: the evidence.

One file a stretch of listening, named by its number: ``1.flac``, and after a resume ``2.flac``.
Within a file time is that of the session less the time at which the file begins: where sound was
lost, silence of the right length stands for it, and the journal says where.

The samples are those the sound card gave, bit for bit. The file is written as it comes and
brought to the disk once a second; one that was never closed plays all the same.
"""

import io
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from listen.errors import BadInput

PCM = npt.NDArray[np.int16]

SYNC_S = 1.0
RESERVE_BYTES = 10_000_000
"""What is left of the disk for the logbook: many years of events."""
_PIECE = 48_000
_LEVEL = "2"  # of compression; higher ones save little and cost much


class _File(io.FileIO):
    """A new file that remembers why it could not be written, instead of saying so.

    libav, which writes through it, does not get over an error that is said.
    """

    trouble: OSError | None = None

    def write(self, data: Any, /) -> int:
        rest = memoryview(data)
        try:
            while rest and self.trouble is None:
                rest = rest[super().write(rest) :]
        except OSError as trouble:
            self.trouble = trouble
        return len(data)


class SoundKeeper:
    """A FLAC file that is written while the sound is heard.

    Parameters
    ----------
    path : Path
        A new file; its folder is made.
    rate_hz : int
        Samples per second.

    Raises
    ------
    BadInput
        If it cannot be written, here or later.
    """

    def __init__(self, path: Path, rate_hz: int) -> None:
        import av

        self.path = path
        self._samples = 0
        self._synced = 0
        self._rate_hz = rate_hz
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = _File(path, "xb")
            self._container = av.open(
                self._file, "w", format="flac", options={"flush_packets": "1"}
            )
            self._stream = self._container.add_stream("flac", rate=rate_hz, layout="mono")
            self._stream.codec_context.format = "s16"
            self._stream.codec_context.options = {"compression_level": _LEVEL}
        except OSError as trouble:
            raise _cannot(path, trouble) from trouble

    def keep(self, samples: PCM, at: int) -> None:
        """Write samples whose first one is number `at` of the file.

        Parameters
        ----------
        samples : ndarray of int16, shape (n,)
            What was heard.
        at : int
            Where it is beyond the last one, samples were lost, and silence stands for them.

        Raises
        ------
        BadInput
            If they cannot be written; no more are kept then.
        """
        while (silence := at - self._samples) > 0:
            self._write(np.zeros(min(silence, _PIECE), np.int16))
        self._write(samples)
        if self._file.trouble is not None:
            raise _cannot(self.path, self._file.trouble)
        if self._samples - self._synced >= SYNC_S * self._rate_hz:
            self._synced = self._samples
            self._sync()

    def close(self) -> None:
        """Finish the file; what it cannot write any more is given up."""
        self._container.mux(self._stream.encode(None))
        self._container.close()
        with suppress(OSError):
            self._file.close()

    def _sync(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as trouble:
            raise _cannot(self.path, trouble) from trouble
        if shutil.disk_usage(self.path.parent).free < RESERVE_BYTES:
            raise BadInput(
                "the disk is nearly full: the sound is no longer kept, readings and changes still "
                "are. Make room"
            )

    def _write(self, samples: PCM) -> None:
        import av

        frame = av.AudioFrame.from_ndarray(samples[None, :], format="s16", layout="mono")
        frame.sample_rate = self._rate_hz
        frame.pts = self._samples
        self._container.mux(self._stream.encode(frame))
        self._samples += len(samples)


def seconds_kept(path: Path) -> float:
    """Return the length of a kept file, also of one that was never closed; 0 if there is none."""
    import av

    try:
        with av.open(str(path), format="flac") as container:
            rate = container.streams.audio[0].rate
            # Not decoded: the frames of two hours are counted in a second or two.
            return sum(packet.duration or 0 for packet in container.demux(audio=0)) / rate
    except (OSError, EOFError, ValueError, IndexError, ArithmeticError):
        return 0.0


def _cannot(path: Path, trouble: OSError) -> BadInput:
    return BadInput(f"the sound is no longer kept in {path}: {trouble.strerror or trouble}")
