"""Recordings as blocks of sound.

`open_recording` opens any recording a phone or a camera makes, and `Recording.blocks` decodes it
piece by piece, so that hours of sound need no more memory than seconds. libav does the decoding,
by way of PyAV.

Conventions
-----------
Time. The first sample of a block lies on the clock a player shows. A file of sound alone starts
at 0, at the first sample that was recorded: the silence that an encoder puts in front (its delay,
or priming) is cut away where the file tells its length, as MP3 with an information header, MP4
and M4A with an edit list, Opus and Vorbis do. Raw AAC, MP3 without that header and M4A without
that list do not tell; there the delay of the usual encoders is cut away and a note says so. The
sound of a video keeps its place on the clock of the video.

Within a file, time is counted in samples. Time stamps only tell where sound is missing: a stamp
that stays late by more than `GAP_S` is a gap. Smaller steps are the rounding and the jitter of
the file format, and a slow drift is the sound card's clock against the camera's.

Rate. Up to `MAX_RATE_HZ` the rate stays. A higher one is divided by the smallest whole number
that brings it to 48 kHz or below, through a linear-phase filter without net delay (soxr).

Level. Full scale is 1.0 whatever the file's sample format.
"""

import hashlib
import itertools
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.channels import SILENT_DBFS, Mixdown, choose, levels_dbfs
from analysis.sound import Block, Samples, blanks
from listen.errors import BadInput
from listen.paths import StrPath

MIN_RATE_HZ = 8_000
"""A telephone's; slower sound does not reach up to most buzzers."""
MAX_RATE_HZ = 50_000
GAP_S = 0.005
BLOCK_S = 1.0
FULL_SCALE = 0.999
_LOUDEST = 1e6
"""By full scale. No sound is so far beyond it, and the square of much more is no float32."""

# Container formats of phones, cameras and recorders. Naming them keeps libav from taking a text
# file for a play list, and from guessing sound into a picture.
_FORMATS = (
    "wav,w64,aiff,au,caf,flac,ogg,mp3,aac,amr,mov,mp4,m4a,3gp,matroska,webm,avi,mpegts,mpeg,asf,wv"
)
_OWN_CLOCK = ("mov", "matroska")
_NO_STAMPS = ("aac", "mp3", "amr")  # time in these is only counted in pieces
# Delay of the usual encoders, in samples, for files that do not tell it (from memory; the tests
# measure them): libav's AAC, LAME, libav's MP2, and the look-ahead of AMR.
_USUAL_DELAY = {"aac": 1024, "mp3": 1105, "mp2": 481, "amrnb": 40}
# Files whose length is written in them rather than guessed from their size.
_LENGTH_TOLD = ("wav", "w64", "aiff", "au", "caf", "flac", "mov", "matroska")
_DTYPES = {"u8": "u1", "s16": "i2", "s32": "i4", "s64": "i8", "flt": "f4", "dbl": "f8"}
_PROBE_S = 30.0
_PROBE_FURTHEST_S = 600.0
_PROBE_SAMPLES = 8_000_000
_LOOK_AHEAD = 8  # frames that must all be late before a gap is believed
_LOOK_AHEAD_LEAST = 3  # at the end of the file
_LONGEST_LOST_S, _MOST_LOST = 0.25, 0.02
"""More silence than this, of one block or in parts of the whole, is the recording's own."""
_CUT_OFF_S = 0.1
_CLIPPED = 0.001

Raw = npt.NDArray[Any]


@dataclass
class _Findings:
    """What one decoding met with."""

    samples: int = 0
    clipped: int = 0
    not_finite: int = 0
    decoded: int = 0
    damaged: int = 0
    damaged_at_s: float = math.nan
    broken: bool = False
    gaps: list[tuple[float, float]] = field(default_factory=list)
    blanks: list[tuple[float, float]] = field(default_factory=list)
    end_s: float = 0.0


@dataclass(frozen=True)
class _Frame:
    """Samples as they were decoded, shape (n, channels), and their time stamp."""

    samples: Raw
    time_s: float


class Recording:
    """A recording, ready to be decoded.

    Attributes
    ----------
    name : str
        The file's name without its folder.
    path : Path
    rate_hz : float
        Samples per second of the blocks.
    file_rate_hz : float
        Samples per second in the file.
    channels : int
        Channels in the file.
    channel_note : str
        Which channel, or which mix of them, the blocks hold.
    duration_s : float or None
        Length as the file tells it; None where it does not.
    codec : str
        The sound's coding, as libav calls it.
    """

    def __init__(
        self,
        path: Path,
        *,
        file_rate_hz: int,
        codec: str,
        start_s: float,
        skip: int,
        duration_s: float | None,
        length_told: bool,
        stamped: bool,
        mixdown: Mixdown,
        notes: list[str],
    ) -> None:
        self.path = path
        self.name = path.name
        self.file_rate_hz = float(file_rate_hz)
        self._divide = whole_divisor(file_rate_hz)
        self.rate_hz = file_rate_hz / self._divide
        self.channels = len(mixdown.weights)
        self.channel_note = mixdown.note
        self.duration_s = duration_s
        self.codec = codec
        self._start_s = start_s
        self._skip = skip
        self._length_told = length_told
        self._stamped = stamped
        self._mixdown = mixdown
        self._opening_notes = notes
        self._decoding_notes: list[str] = []

    @property
    def notes(self) -> list[str]:
        """What the user should know, found on opening and by the last complete decoding."""
        return self._opening_notes + self._decoding_notes

    def blocks(self) -> Iterator[Block]:
        """Decode the recording from its start.

        Yields
        ------
        Block
            Mono, of about a second, in time order. Where sound is missing the next block says
            how many samples were lost and starts later.

        Raises
        ------
        BadInput
            If the file can no longer be opened.
        """
        found = _Findings()
        pieces = self._pieces(found)
        yield from self._thinned(pieces) if self._divide > 1 else pieces
        told_s = self.duration_s if self._length_told else None
        self._decoding_notes = _notes(found, told_s, self._stamped)

    def _pieces(self, found: _Findings) -> Iterator[Block]:
        """Blocks at the file's own rate."""
        rate = self.file_rate_hz
        skip, position = self._skip, 0
        for lost, raw in _chunks(_frames(self.path, found), int(rate), self.duration_s):
            if skip:
                skip, raw = max(0, skip - len(raw)), raw[skip:]
            if not len(raw):
                continue
            position += lost
            start_s = self._start_s + position / rate
            if lost:
                found.gaps.append((start_s - lost / rate, lost / rate))
            block = Block(_checked(to_mono(raw, self._mixdown), found), rate, start_s, lost)
            position += len(raw)
            found.end_s = block.end_s
            _note_blanks(block, found)
            yield block

    def _thinned(self, blocks: Iterator[Block]) -> Iterator[Block]:
        """Blocks at a whole fraction of their rate. A gap starts the filter afresh."""
        import soxr  # type: ignore[import-untyped,unused-ignore]

        def fresh() -> Any:
            return soxr.ResampleStream(self.file_rate_hz, self.rate_hz, 1, dtype="float32")

        filter_, start_s, out, lost = fresh(), self._start_s, 0, 0
        nothing = np.zeros(0, np.float32)

        def block(samples: Samples) -> Block:
            return Block(samples, self.rate_hz, start_s + out / self.rate_hz, lost)

        for piece in blocks:
            if out == 0 and not lost:
                start_s = piece.start_s
            if piece.lost:
                rest = filter_.resample_chunk(nothing, last=True)
                if len(rest):
                    yield block(rest)
                filter_, start_s, out = fresh(), piece.start_s, 0
                lost = round(piece.lost / self._divide)
            samples = filter_.resample_chunk(piece.samples)
            if len(samples):
                yield block(samples)
                out, lost = out + len(samples), 0
        rest = filter_.resample_chunk(nothing, last=True)
        if len(rest):
            yield block(rest)


def open_recording(path: StrPath) -> Recording:
    """Open a recording and choose what to listen to in it.

    Parameters
    ----------
    path : path-like
        WAV, FLAC, OGG, Opus, MP3, M4A or AAC, AMR or 3GP, or a video with sound.

    Returns
    -------
    Recording

    Raises
    ------
    BadInput
        If there is no such file, or no sound that can be decoded in it.
    """
    path = Path(path)
    container, stream = _open(path)
    with container:
        family = container.format.name.split(",")[0]
        coder = stream.codec_context
        rate, codec = int(coder.sample_rate), str(coder.name).removesuffix("float")
        video = [s for s in container.streams.video if not _is_picture(s)]
        tracks = len(container.streams.audio)
        track = list(container.streams.audio).index(stream) + 1
        duration_s = _duration(container, stream, bool(video))
        container_start_s = (container.start_time or 0) / 1e6
        skip = 0 if video or _tells_delay(container, stream) else _USUAL_DELAY.get(codec, 0)
    if rate <= 0:
        raise BadInput(f"{path.name}: the sound in it states no sampling rate; record it again")
    if rate < MIN_RATE_HZ:
        raise BadInput(
            f"{path.name}: {rate} samples a second are too few to hear a buzzer; record it again "
            f"with {MIN_RATE_HZ} or more, better 48000"
        )

    first, mixdown, silent = _probe(path, rate)
    length_told = family in _LENGTH_TOLD or (family == "mp3" and not skip)
    if not length_told and family in ("aac", "mp3"):
        duration_s = None  # only guessed from the size of the file
    if family == "wav" and codec.startswith("pcm"):
        duration_s = _wav_duration(path) or duration_s
    return Recording(
        path,
        file_rate_hz=rate,
        codec=codec,
        start_s=_start_s(first.time_s, family, container_start_s if video else None),
        skip=skip,
        duration_s=duration_s,
        length_told=length_told,
        stamped=family not in _NO_STAMPS,
        mixdown=mixdown,
        notes=_opening_notes(track, tracks, silent, skip / rate),
    )


def _start_s(first_s: float, family: str, video_start_s: float | None) -> float:
    """Return when the sound begins, by the first time stamp; beside a picture, on its clock."""
    if math.isnan(first_s):
        return 0.0
    if video_start_s is not None:
        return first_s - (0.0 if family in _OWN_CLOCK else video_start_s)
    return first_s if family == "mov" else 0.0


def _opening_notes(track: int, tracks: int, silent: bool, delay_s: float) -> list[str]:
    """What the user should know before anything is decoded, in plain words."""
    notes = []
    if tracks > 1:
        notes.append(f"listening to sound track {track} of {tracks}")
    if silent:
        notes.append("no channel sounds: the recording is silent, or starts with long silence")
    if delay_s:
        notes.append(
            f"the file does not tell its encoder's delay: the usual {1000 * delay_s:.0f} ms is "
            "taken off, and all times may be off together by some 30 ms"
        )
    return notes


def sha256_of(path: StrPath) -> str:
    """SHA-256 of a file's bytes, in hexadecimal.

    Raises
    ------
    BadInput
        If the file cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise BadInput(f"{path}: cannot be read ({error.strerror})") from error


def whole_divisor(rate_hz: int) -> int:
    """Smallest whole number that brings a rate above `MAX_RATE_HZ` to 48 kHz or below."""
    return 1 if rate_hz <= MAX_RATE_HZ else math.ceil(rate_hz / 48_000)


def to_float(raw: Raw) -> Samples:
    """Samples in any of libav's formats as float32 with full scale 1.0."""
    if raw.dtype.kind == "f":
        with np.errstate(over="ignore"):  # what is too large for it becomes infinite
            return np.ascontiguousarray(raw, dtype=np.float32)
    samples = raw.astype(np.float32, order="C")
    if raw.dtype.kind == "u":
        samples -= 128.0
        samples /= 128.0
    else:
        samples *= np.float32(2.0 ** (1 - 8 * raw.dtype.itemsize))
    return samples


def to_mono(raw: Raw, mixdown: Mixdown) -> Samples:
    """The chosen channel or mix of samples of shape (n, channels).

    Parameters
    ----------
    raw : ndarray, shape (n, channels)
        As they were decoded; whole numbers or floats.
    mixdown : Mixdown
        Which channel, or how much of each.

    Returns
    -------
    ndarray of float32, shape (n,)
        Full scale is 1.
    """
    if raw.shape[1] != len(mixdown.weights):  # a stream may change its channels midway
        return np.asarray(to_float(raw).mean(axis=1), np.float32)
    used = [i for i, weight in enumerate(mixdown.weights) if weight]
    samples = to_float(raw[:, used[0]])
    if len(used) == 1:
        return samples
    mono = samples * np.float32(mixdown.weights[used[0]])
    for i in used[1:]:
        mono += to_float(raw[:, i]) * np.float32(mixdown.weights[i])
    return mono


def find_gaps(
    times_s: npt.NDArray[np.float64],
    lengths: npt.NDArray[np.int64],
    rate_hz: float,
    late_s: float,
    settled: int,
) -> dict[int, int]:
    """Find where sound is missing between decoded frames.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Time stamps of the frames; NaN where there is none.
    lengths : ndarray, shape (n,)
        Samples in each.
    rate_hz : float
        Samples per second.
    late_s : float
        How late the stamps are already known to be, counting from a first frame at zero.
    settled : int
        Gaps are looked for in this many frames; the others serve as the view ahead.

    Returns
    -------
    dict
        Samples lost before a frame, by the index of the frame.
    """
    late = times_s - (np.cumsum(lengths) - lengths) / rate_hz - late_s
    late = np.where(np.isnan(late), -np.inf, late)
    if late.max(initial=-np.inf) <= GAP_S:
        return {}
    lost: dict[int, int] = {}
    for i in range(min(settled, len(late) - _LOOK_AHEAD_LEAST + 1)):
        if late[i : i + _LOOK_AHEAD].min() > GAP_S:
            lost[i] = round(lateness(late[i:], lengths[i] / rate_hz) * rate_hz)
            late[i:] -= lost[i] / rate_hz
    return lost


def lateness(late_s: npt.NDArray[np.float64], frame_s: float) -> float:
    """How late the first few time stamps are, without their jitter and without a later gap.

    Parameters
    ----------
    late_s : ndarray, shape (n,)
        By how much each frame's time stamp is later than the samples before it tell, in seconds.
    frame_s : float
        Length of a frame.
    """
    ahead = late_s[:_LOOK_AHEAD]
    return float(np.median(ahead[ahead < ahead.min() + frame_s]))


def _options(head: bytes) -> dict[str, str]:
    """Return what libav is told of a file by its first bytes."""
    options = {"format_whitelist": _FORMATS}
    if head[:4] in (b"RIFF", b"RF64"):  # else it looks at 5 MB of them each time
        options["probesize"] = "65536"
        options["max_size"] = "32768"  # bytes a packet: fewer are quicker
    return options


def _open(path: Path) -> tuple[Any, Any]:
    """Open with libav; the container and the stream of sound in it."""
    import av

    av.logging.set_level(None)  # what libav prints is not for the user
    name = path.name or str(path)
    try:
        if path.is_dir():
            raise BadInput(f"{name} is a folder: name a recording in it")
        if path.exists() and not path.is_file():
            raise BadInput(f"{name} is not a file: save the recording first, then name it")
        with path.open("rb") as file:
            head = file.read(12)
    except FileNotFoundError as error:
        raise BadInput(f"no such file: {path}") from error
    except PermissionError as error:
        raise BadInput(f"{name}: no permission to read it; change the file's rights") from error
    except (OSError, ValueError) as error:
        raise BadInput(f"{path}: cannot be read ({error})") from error
    if not head:
        raise BadInput(f"{name} is empty (0 bytes): record or copy it again")
    try:
        container = av.open(str(path.absolute()), options=_options(head))
    except (av.error.FFmpegError, UnicodeError, ValueError) as error:
        if head[4:8] == b"ftyp":
            raise BadInput(
                f"{name} was cut off before its index was written and cannot be decoded: "
                "copy it again, or repair it where it was recorded"
            ) from error
        raise BadInput(f"{name}: {_NOT_SOUND}") from error
    stream = container.streams.best("audio")
    if stream is None and container.streams.audio:
        stream = container.streams.audio[0]  # best() passes over what has no decoder
    try:
        if stream is None:
            if container.streams.video:
                raise BadInput(f"{name} is a video without a sound track: record it with sound")
            raise BadInput(f"{name}: {_NOT_SOUND}")
        if stream.codec_context is None:
            raise BadInput(
                f"{name}: no decoder here for the coding of its sound; save it as WAV or M4A"
            )
    except BadInput:
        container.close()
        raise
    for other in container.streams:
        if other.index != stream.index:
            other.discard = av.stream.Discard.all
    return container, stream


_NOT_SOUND = (
    "not a sound recording that can be read here (WAV, FLAC, OGG, Opus, MP3, M4A, AAC, AMR, 3GP, "
    "or the sound of an MP4, MOV or WebM video)"
)


def _is_picture(stream: Any) -> bool:
    """Whether a stream of video is only the picture on the cover."""
    import av

    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def _tells_delay(container: Any, stream: Any) -> bool:
    """Whether the file says how much an encoder put in front of the sound."""
    import av

    if stream.codec_context.delay or (stream.start_time and container.format.name != "mpegts"):
        return True
    try:
        first = next(container.demux(stream))
    except (av.error.FFmpegError, IndexError, StopIteration):
        return False
    return bool(first.has_sidedata("skip_samples")) or (first.pts or 0) < 0


def _wav_duration(path: Path) -> float | None:
    """Length of a plain WAV by its header, which libav corrects when the file is cut off."""
    with path.open("rb") as file:
        if file.read(12)[8:] != b"WAVE":
            return None
        bytes_a_second = 0
        while len(head := file.read(8)) == 8:
            name, size = head[:4], int.from_bytes(head[4:], "little")
            if name == b"data":
                known = bytes_a_second and size < 0xFFFFFF00  # that much stands for "not known"
                return size / bytes_a_second if known else None
            if name == b"fmt ":
                bytes_a_second = int.from_bytes(file.read(size)[8:12], "little")
            else:
                file.seek(size, os.SEEK_CUR)
            file.seek(size % 2, os.SEEK_CUR)
    return None


def _duration(container: Any, stream: Any, video: bool) -> float | None:
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if container.duration and not video:
        return float(container.duration) / 1e6
    return None


def _frames(path: Path, found: _Findings) -> Iterator[_Frame]:
    """Decode; damaged packets are counted and passed over."""
    import av

    container, stream = _open(path)
    rate, tick_s = int(stream.codec_context.sample_rate), float(stream.time_base)
    if stream.codec_context.name == "flac":  # it has checksums: use them
        stream.codec_context.options = {"err_detect": "crccheck+explode"}
    with container:
        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets, None)
            except (av.error.FFmpegError, IndexError):  # IndexError: a stream out of nowhere
                found.broken = True
                return
            if packet is None:
                return
            try:
                frames = packet.decode()
            except av.error.FFmpegError:
                if not found.damaged:
                    found.damaged_at_s = found.decoded / rate
                found.damaged += 1
                continue
            for frame in frames:
                if frame.samples and frame.sample_rate == rate:
                    found.decoded += frame.samples
                    time_s = math.nan if frame.pts is None else frame.pts * tick_s
                    yield _Frame(_samples(frame), time_s)


def _samples(frame: Any) -> Raw:
    """A frame's samples, shape (n, channels), without copying where they lie together."""
    name, count, channels = frame.format.name, frame.samples, len(frame.layout.channels)
    dtype = _DTYPES[name.removesuffix("p")]
    if channels == 1 or not frame.format.is_planar:
        flat = np.frombuffer(frame.planes[0], dtype, count * channels)
        return flat.reshape(count, channels)
    return np.stack([np.frombuffer(p, dtype, count) for p in frame.planes], axis=1)


def _chunks(
    frames: Iterator[_Frame], rate: int, duration_s: float | None
) -> Iterator[tuple[int, Raw]]:
    """Join frames to about `BLOCK_S`; with each chunk, the samples lost before it."""
    waiting: list[_Frame] = []
    count, late_s, position = 0, math.nan, 0
    for frame in frames:
        if waiting and frame.samples.shape[1] != waiting[-1].samples.shape[1]:
            frame = _Frame(_fit(frame.samples, waiting[-1].samples.shape[1]), frame.time_s)
        waiting.append(frame)
        count += len(frame.samples)
        if count >= BLOCK_S * rate and len(waiting) > _LOOK_AHEAD:
            count = 0
            settled = len(waiting) - _LOOK_AHEAD
            done, late_s, position = _join(waiting, settled, rate, late_s, position, duration_s)
            yield from done
            del waiting[:settled]
    if waiting:
        yield from _join(waiting, len(waiting), rate, late_s, position, duration_s)[0]


def _fit(raw: Raw, channels: int) -> Raw:
    """Samples with another number of channels: their first one in each."""
    return np.repeat(raw[:, :1], channels, axis=1)


def _join(
    frames: list[_Frame],
    settled: int,
    rate: int,
    late_s: float,
    position: int,
    duration_s: float | None,
) -> tuple[list[tuple[int, Raw]], float, int]:
    """Join the settled frames, split at gaps. Also how late the stamps are, and the position."""
    times = np.array([frame.time_s for frame in frames]) - position / rate
    lengths = np.array([len(frame.samples) for frame in frames])
    if math.isnan(late_s) and not np.any(np.isnan(times)):
        late_s = lateness(times - (np.cumsum(lengths) - lengths) / rate, lengths[0] / rate)
    lost = find_gaps(times, lengths, rate, late_s, settled)
    if duration_s is not None:  # a stamp past the end is a damaged stamp
        lost = {i: n for i, n in lost.items() if (position + n) / rate <= duration_s}
    edges = [0, *[i for i in lost if i > 0], settled]
    chunks = []
    for start, end in itertools.pairwise(edges):
        chunks.append((lost.get(start, 0), np.concatenate([f.samples for f in frames[start:end]])))
    steps = np.array([lost.get(i, 0) for i in range(settled)])
    counted = (np.cumsum(lengths) - lengths)[:settled] + np.cumsum(steps)
    late = times[:settled] - counted / rate
    if not np.all(np.isnan(late)):
        late_s = float(np.nanmedian(late))
    return chunks, late_s, position + int(lengths[:settled].sum() + steps.sum())


def _probe(path: Path, rate: int) -> tuple[_Frame, Mixdown, bool]:
    """The first frame, the mixdown to use, and whether nothing sounded as far as was looked."""
    found = _Findings()
    first: _Frame | None = None
    mixdown: Mixdown | None = None
    silent = False
    spans = _spans(_frames(path, found), rate)
    for span in spans:
        first = first or span[0]
        raw = np.concatenate([frame.samples for frame in span])
        channels = to_float(raw.T)
        channels[_no_number(channels)] = 0.0
        mixdown = choose(channels, rate)
        silent = len(channels) > 1 and bool(np.all(levels_dbfs(channels) < SILENT_DBFS))
        if not silent:
            break
    if first is None or mixdown is None or found.damaged > found.decoded / rate * 20 + 4:
        if found.damaged:
            raise BadInput(f"{path.name}: {_NOT_SOUND}")
        raise BadInput(f"{path.name} holds no sound (0 samples): record it again")
    return first, mixdown, silent


def _spans(frames: Iterator[_Frame], rate: int) -> Iterator[list[_Frame]]:
    """Stretches of up to `_PROBE_S`, as far as `_PROBE_FURTHEST_S`."""
    span: list[_Frame] = []
    count = seen = 0
    for frame in frames:
        if span and frame.samples.shape[1] != span[0].samples.shape[1]:
            continue
        span.append(frame)
        count += len(frame.samples)
        channels = frame.samples.shape[1]
        if (
            count >= (_PROBE_S if channels > 1 else 1.0) * rate
            or count * channels >= _PROBE_SAMPLES
        ):
            yield span
            seen += count
            span, count = [], 0
            if seen >= _PROBE_FURTHEST_S * rate:
                return
    if span:
        yield span


def _checked(samples: Samples, found: _Findings) -> Samples:
    """Count clipped samples, and put silence where there is no number of use."""
    found.samples += len(samples)
    low, high = samples.min(), samples.max()
    if not (low >= -_LOUDEST and high <= _LOUDEST):
        bad = _no_number(samples)
        found.not_finite += int(bad.sum())
        samples = np.where(bad, np.float32(0.0), samples)
    if not (low > -FULL_SCALE and high < FULL_SCALE):
        found.clipped += int(np.count_nonzero(np.abs(samples) >= FULL_SCALE))
    return samples


def _note_blanks(block: Block, found: _Findings) -> None:
    """Note from when to when a block is exactly silent, but for where the recording begins."""
    begins = found.samples == len(block.samples)
    for first, last in blanks(block.samples, round(GAP_S * block.rate_hz)):
        if begins and first == 0:
            continue
        begin_s, end_s = (block.start_s + n / block.rate_hz for n in (first, last))
        if found.blanks and begin_s - found.blanks[-1][1] < 0.5 / block.rate_hz:
            begin_s = found.blanks.pop()[0]
        found.blanks.append((begin_s, end_s))


def _lost_blocks(found: _Findings) -> list[tuple[float, float]]:
    """Return the silences that a recorder wrote where it lost sound: few and short."""
    inside = [(a, b) for a, b in found.blanks if b < found.end_s - GAP_S]
    longest_s = max((b - a for a, b in inside), default=0.0)
    share = sum(b - a for a, b in inside) / max(found.end_s, GAP_S)
    return inside if longest_s < _LONGEST_LOST_S and share < _MOST_LOST else []


def _no_number(samples: Samples) -> npt.NDArray[np.bool_]:
    return ~(np.abs(samples) <= _LOUDEST)


def _notes(found: _Findings, duration_s: float | None, stamped: bool) -> list[str]:
    """What a decoding met with, in plain words."""
    notes = []
    short_s = 0.0 if duration_s is None else duration_s - found.end_s
    short = short_s > _CUT_OFF_S
    within = found.damaged > 0 and found.end_s - found.damaged_at_s > BLOCK_S
    if within and (short or not stamped):
        missing = f"{short_s:.1f} s of sound" if short else "some sound"
        notes.append(
            f"damaged at {found.damaged_at_s:.1f} s: {missing} is missing from there on, "
            "and later times may be early by that"
        )
    elif found.gaps:
        lost_s = sum(length for _, length in found.gaps)
        notes.append(
            f"sound is missing in {_count(len(found.gaps), 'place')}, {lost_s:.3f} s in all, "
            f"first at {found.gaps[0][0]:.3f} s: times after it still hold"
        )
    elif found.damaged and not short:
        notes.append(f"damaged at {found.damaged_at_s:.1f} s: what could be decoded was used")
    if short and not within:
        notes.append(f"cut off at {found.end_s:.1f} s of {duration_s:.1f} s")
    elif found.broken:
        notes.append(f"cut off at {found.end_s:.1f} s: the rest cannot be read")
    blocks = _lost_blocks(found)
    if blocks:
        lost_s = sum(b - a for a, b in blocks)
        notes.append(
            f"exactly silent in {_count(len(blocks), 'place')}, {lost_s:.3f} s in all, first at "
            f"{blocks[0][0]:.3f} s: sound may be lost there; times after it still hold"
        )
    if found.not_finite:
        notes.append(f"{_count(found.not_finite, 'sample')} without a number taken as silence")
    fraction = found.clipped / max(found.samples, 1)
    if fraction >= _CLIPPED:
        notes.append(
            f"clipped: {100 * fraction:.1f} % of samples at full scale: "
            "turn the level down or move away"
        )
    return notes


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
