"""The sound that was heard, kept as FLAC beside the logbook: the evidence.

One file a stretch of listening, named by its number: ``1.flac``, and after a resume ``2.flac``.
Within a file time is that of the session less the time at which the file begins: where sound was
lost, silence of the right length stands for it, and the journal says where.

The samples are those the sound card gave, bit for bit. The file is written as it comes and
brought to the disk once a second; one that was never closed plays all the same.
"""

import os
from pathlib import Path

import numpy as np
import numpy.typing as npt

from listen.errors import BadInput

PCM = npt.NDArray[np.int16]

SYNC_S = 1.0
_PIECE = 48_000
_LEVEL = "2"  # of compression; higher ones save little and cost much


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
            self._file = path.open("xb", buffering=0)
            self._container = av.open(
                self._file, "w", format="flac", options={"flush_packets": "1"}
            )
            self._stream = self._container.add_stream("flac", rate=rate_hz, layout="mono")
            self._stream.codec_context.format = "s16"
            self._stream.codec_context.options = {"compression_level": _LEVEL}
        except OSError as trouble:
            raise _cannot(path, trouble) from trouble

    def keep(self, samples: PCM, at: int) -> None:
        """Write samples whose first one is number `at` of the file."""
        silence = max(0, at - self._samples)
        try:
            while silence:
                piece = min(silence, _PIECE)
                self._write(np.zeros(piece, np.int16))
                silence -= piece
            self._write(samples)
            if self._samples - self._synced >= SYNC_S * self._rate_hz:
                os.fsync(self._file.fileno())
                self._synced = self._samples
        except OSError as trouble:
            raise _cannot(self.path, trouble) from trouble

    def close(self) -> None:
        """Finish the file; what it cannot write any more is given up."""
        try:
            self._container.mux(self._stream.encode(None))
            self._container.close()
        except OSError:
            pass
        finally:
            self._file.close()

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
    except (OSError, ValueError, IndexError):
        return 0.0


def _cannot(path: Path, trouble: OSError) -> BadInput:
    return BadInput(f"the sound is no longer kept in {path}: {trouble.strerror or trouble}")
