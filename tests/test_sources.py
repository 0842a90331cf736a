"""Decoding, against real encoders: times, levels, channels, gaps and bad files.

Outside references: libsndfile (by way of soundfile) for the samples of WAV and FLAC; the onset of
pips that were placed at known samples before encoding, for the clock. The encoders are libav's
own (by way of PyAV), and those of the ffmpeg program where there is one.
"""

import os
import shutil
import subprocess
import tracemalloc
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.signal import correlate

from analysis.channels import choose
from listen.errors import BadInput
from listen.sources import Recording, find_gaps, lateness, open_recording, sha256_of

FFMPEG = shutil.which("ffmpeg")


def pips(rate: int, length_s: float = 2.5, seed: int = 0) -> np.ndarray:
    """Tone pips of different pitch in faint noise: shifted, they match nowhere else."""
    t = np.arange(int(rate * length_s)) / rate
    x = 0.003 * np.random.default_rng(seed).standard_normal(len(t))
    for i, on in enumerate(np.arange(0.21, length_s - 0.3, 0.43)):
        u = t - on
        x += 0.4 * np.sin(2 * np.pi * (600 + 350 * i) * u) * np.clip(u / 0.002, 0, 1) * (u < 0.2)
    return x.astype(np.float32)


def encode(
    path: Path,
    codec: str,
    x: np.ndarray,
    rate: int,
    *,
    video: bool = False,
    offset_s: float = 0.0,
    drop: Iterable[int] = (),
    jitter_s: float = 0.0,
    container_options: dict[str, str] | None = None,
) -> None:
    """Encode channels x time; `drop` leaves packets out, `jitter_s` shakes the time stamps."""
    x = np.atleast_2d(x).astype(np.float32)
    layout = {1: "mono", 2: "stereo", 6: "5.1"}[len(x)]
    shake = np.random.default_rng(5)
    with av.open(str(path), "w", options=container_options or {}) as out:
        sound = out.add_stream(codec, rate=rate, layout=layout)
        pictures = None
        if video:
            picture_codec = "libvpx" if path.suffix == ".webm" else "mpeg4"
            pictures = out.add_stream(picture_codec, rate=10)
            pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
        if pictures:
            for i in range(int(10 * x.shape[1] / rate)):
                image = av.VideoFrame.from_ndarray(np.full((48, 64, 3), i, np.uint8))
                image.pts, image.time_base = i, Fraction(1, 10)
                out.mux(pictures.encode(image))
            out.mux(pictures.encode(None))
        frame = av.AudioFrame.from_ndarray(x, format="fltp", layout=layout)
        frame.sample_rate, frame.time_base = rate, Fraction(1, rate)
        frame.pts = round(offset_s * rate)
        sound.codec_context.open(strict=False)
        adapt = av.AudioResampler(
            sound.codec_context.format, layout, rate, sound.codec_context.frame_size or 1024
        )
        packets = [
            p for f in (*adapt.resample(frame), *adapt.resample(None)) for p in sound.encode(f)
        ]
        for i, packet in enumerate([*packets, *sound.encode(None)]):
            if jitter_s and i > 1:
                packet.pts += round(shake.uniform(0, jitter_s) / packet.time_base)
                packet.dts = packet.pts
            if i not in drop:
                out.mux(packet)


def decoded(recording: Recording) -> tuple[np.ndarray, float]:
    """All samples, silence where some were lost, and the time of the first."""
    parts, start_s = [], None
    for block in recording.blocks():
        assert block.samples.dtype == np.float32 and block.samples.flags.c_contiguous
        assert block.samples.ndim == 1 and block.rate_hz == recording.rate_hz
        if start_s is None:
            start_s = block.start_s
        parts += [np.zeros(block.lost, np.float32), block.samples]
        end_s = start_s + sum(map(len, parts)) / block.rate_hz
        assert block.end_s == pytest.approx(end_s, abs=2 / block.rate_hz)
    return np.concatenate(parts), start_s


def shift_s(recording: Recording, offset_s: float = 0.0, from_s: float = 0.0) -> float:
    """How late the pips from `from_s` on are on the recording's clock."""
    y, start_s = decoded(recording)
    x = pips(int(recording.rate_hz))
    x[: int(from_s * recording.rate_hz)] = 0.0
    match = correlate(y, x, method="fft")
    k = int(np.argmax(match))
    a, b, c = match[k - 1 : k + 2]
    k += 0.5 * (a - c) / (a - 2 * b + c)
    return start_s + (k - (len(x) - 1)) / recording.rate_hz - offset_s


LOSSLESS = [("a.wav", "pcm_s16le", 48000), ("a.flac", "flac", 44100), ("a.m4a", "alac", 48000)]
LOSSY = [
    ("a.m4a", "aac", 48000),
    ("a.mp4", "aac", 44100),
    ("a.mov", "aac", 48000),
    ("a.3gp", "aac", 16000),
    ("a.mkv", "aac", 48000),
    ("a.mp3", "libmp3lame", 44100),
    ("a.mp3", "libmp3lame", 16000),
    ("a.ogg", "libopus", 48000),
    ("a.opus", "libopus", 48000),
    ("a.webm", "libopus", 48000),
    ("a.amr", "libopencore_amrnb", 8000),
]


@pytest.mark.parametrize(("name", "codec", "rate"), LOSSLESS)
def test_lossless_times_are_exact(tmp_path, name, codec, rate):
    encode(tmp_path / name, codec, pips(rate), rate)
    recording = open_recording(tmp_path / name)
    assert abs(shift_s(recording)) < 0.1 / rate
    assert recording.notes == []
    assert recording.duration_s == pytest.approx(2.5, abs=0.001)


@pytest.mark.parametrize(("name", "codec", "rate"), LOSSY)
def test_encoder_delay_does_not_shift_the_times(tmp_path, name, codec, rate):
    encode(tmp_path / name, codec, pips(rate), rate)
    recording = open_recording(tmp_path / name)
    assert abs(shift_s(recording)) < 0.0002
    assert [n for n in recording.notes if "delay" not in n] == []


@pytest.mark.parametrize(
    ("name", "codec", "rate", "options"),
    [
        ("a.aac", "aac", 44100, {}),
        ("a.ts", "aac", 48000, {}),
        ("a.mp3", "libmp3lame", 44100, {"write_xing": "0"}),
        ("a.mp4", "aac", 48000, {"movflags": "frag_keyframe+empty_moov"}),
    ],
)
def test_usual_delay_is_taken_off_and_said_where_the_file_does_not_tell(
    tmp_path, name, codec, rate, options
):
    encode(tmp_path / name, codec, pips(rate), rate, container_options=options)
    recording = open_recording(tmp_path / name)
    assert abs(shift_s(recording)) < 0.0002
    assert any("does not tell its encoder's delay" in note for note in recording.notes)


def test_amr_in_3gp_follows_the_delay_its_encoder_states(tmp_path):
    # This encoder states 50 samples where its look-ahead is 40, so the times are 1.25 ms early.
    encode(tmp_path / "a.3gp", "libopencore_amrnb", pips(8000), 8000)
    assert abs(shift_s(open_recording(tmp_path / "a.3gp"))) < 0.0015


@pytest.mark.skipif(FFMPEG is None, reason="no ffmpeg program")
@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("a.m4a", ["-c:a", "aac"]),
        ("a.mp4", ["-c:a", "aac", "-movflags", "faststart"]),
        ("a.mp3", ["-c:a", "libmp3lame", "-q:a", "4"]),
        ("a.ogg", ["-c:a", "libvorbis"]),
        ("a.webm", ["-c:a", "libvorbis"]),
        ("b.webm", ["-c:a", "libopus"]),
        ("a.mkv", ["-c:a", "aac"]),
        ("a.aac", ["-c:a", "aac"]),
    ],
)
def test_files_of_the_ffmpeg_program(tmp_path, name, arguments):
    source = tmp_path / "source.wav"
    soundfile.write(source, pips(48000), 48000)
    command = [FFMPEG, "-v", "error", "-i", source, *arguments, tmp_path / name]
    made = subprocess.run(command, capture_output=True, text=True)
    if "Unknown encoder" in made.stderr:
        pytest.skip(made.stderr.strip())
    made.check_returncode()
    assert abs(shift_s(open_recording(tmp_path / name))) < 0.0002


@pytest.mark.parametrize(
    ("name", "codec"),
    [("v.mp4", "aac"), ("v.mov", "aac"), ("v.mov", "pcm_s16le"), ("v.webm", "libopus")],
)
@pytest.mark.parametrize("offset_s", [0.0, 0.25])
def test_sound_of_a_video_keeps_its_place_on_the_videos_clock(tmp_path, name, codec, offset_s):
    encode(tmp_path / name, codec, pips(48000), 48000, video=True, offset_s=offset_s)
    recording = open_recording(tmp_path / name)
    # WebM and the edit list of MP4 tell times to a millisecond
    assert abs(shift_s(recording, offset_s)) < (0.0002 if offset_s == 0 else 0.001)


def test_two_sound_tracks_are_said(tmp_path):
    one, two = tmp_path / "one.m4a", tmp_path / "two.mov"
    encode(one, "alac", pips(48000), 48000)
    with av.open(str(two), "w") as out, av.open(str(one)) as a, av.open(str(one)) as b:
        tracks = [out.add_stream_from_template(c.streams.audio[0]) for c in (a, b)]
        for track, source in zip(tracks, (a, b), strict=True):
            for packet in source.demux(source.streams.audio[0]):
                if packet.dts is not None:
                    packet.stream = track
                    out.mux(packet)
    recording = open_recording(two)
    assert recording.notes == ["listening to sound track 1 of 2"]
    assert abs(shift_s(recording)) < 1e-5


# --- samples, rates, channels


@pytest.mark.parametrize("rate", [8000, 11025, 22050, 44100, 48000])
@pytest.mark.parametrize(
    ("subtype", "suffix"),
    [(s, "wav") for s in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW")]
    + [("PCM_16", "flac"), ("PCM_24", "flac"), ("PCM_16", "aiff")],
)
def test_samples_equal_those_of_libsndfile(tmp_path, rate, subtype, suffix):
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, pips(rate, 1.3), rate, subtype=subtype)
    expected, _ = soundfile.read(path, dtype="float32")
    recording = open_recording(path)
    samples, start_s = decoded(recording)
    assert start_s == 0.0
    assert recording.rate_hz == recording.file_rate_hz == rate
    np.testing.assert_allclose(samples, expected, atol=1e-7)


@pytest.mark.parametrize(
    ("rate", "thinned"), [(64000, 32000), (88200, 44100), (96000, 48000), (192000, 48000)]
)
def test_high_rates_come_down_without_shifting_the_times(tmp_path, rate, thinned):
    soundfile.write(tmp_path / "a.wav", pips(rate), rate, subtype="PCM_24")
    recording = open_recording(tmp_path / "a.wav")
    assert recording.rate_hz == thinned
    assert abs(shift_s(recording)) < 0.05 / thinned
    assert len(decoded(recording)[0]) == 2.5 * thinned


def two_channels(kind: str) -> tuple[np.ndarray, str]:
    x = pips(48000)
    noise = 0.05 * np.random.default_rng(1).standard_normal(len(x)).astype(np.float32)
    return {
        "alike": (np.stack([x, 0.8 * x]), "mix of 2 channels"),
        "silent": (np.stack([0 * x, x]), "channel 2 of 2: channel 1 is silent"),
        "offset only": (np.stack([0 * x + 0.3, x]), "channel 2 of 2: channel 1 is silent"),
        "inverted": (
            np.stack([x, 0.02 * noise - x]),
            "channel 1 of 2: the channels are out of phase",
        ),
        "noisy": (np.stack([x + 8 * noise, x]), "channel 2 of 2: the tone is clearest there"),
        "both silent": (np.stack([0 * x, 0 * x]), "mix of 2 channels: all of them are silent"),
    }[kind]


@pytest.mark.parametrize(
    "kind", ["alike", "silent", "offset only", "inverted", "noisy", "both silent"]
)
def test_choice_of_channel(tmp_path, kind):
    x, note = two_channels(kind)
    assert choose(x, 48000.0).note == note
    soundfile.write(tmp_path / "a.wav", x.T, 48000)
    recording = open_recording(tmp_path / "a.wav")
    assert (recording.channels, recording.channel_note) == (2, note)
    if kind != "both silent":
        assert abs(shift_s(recording)) < 1e-5
        assert np.abs(decoded(recording)[0]).max() > 0.3


def test_six_channels_and_a_late_start(tmp_path):
    x = np.zeros((6, 33 * 8000), np.float32)
    x[[1, 2], 31 * 8000 :] = pips(8000, 2.0)
    encode(tmp_path / "a.flac", "flac", x, 8000)
    note = open_recording(tmp_path / "a.flac").channel_note
    assert note == "mix of channels 2, 3 of 6: channels 1, 4, 5, 6 are silent"


def test_blocks_start_afresh_each_time(tmp_path):
    encode(tmp_path / "a.mp3", "libmp3lame", pips(44100), 44100)
    recording = open_recording(tmp_path / "a.mp3")
    np.testing.assert_array_equal(decoded(recording)[0], decoded(recording)[0])


# --- gaps


@pytest.mark.parametrize(
    ("name", "codec", "rate", "packets"),
    [
        ("g.mp4", "aac", 48000, 1024),
        ("g.webm", "libopus", 48000, 960),
        ("g.mkv", "flac", 96000, 8192),
        ("g.mkv", "pcm_s16le", 44100, 1024),
    ],
)
def test_lost_packets_are_said_and_times_do_not_slip(tmp_path, name, codec, rate, packets):
    drop = [30, 31, 32, 40] if packets < 4000 else [10, 11, 12, 20]
    encode(tmp_path / name, codec, pips(rate), rate, drop=drop)
    recording = open_recording(tmp_path / name)
    lost = [b.lost for b in recording.blocks() if b.lost]
    thin = rate / recording.rate_hz
    slack = 0.0011 * rate  # the stamps of Matroska are in milliseconds
    assert lost == pytest.approx([3 * packets / thin, packets / thin], abs=slack)
    assert abs(shift_s(recording, from_s=1.5)) < 0.0005
    assert any("sound is missing in 2 places" in note for note in recording.notes)


@pytest.mark.parametrize(("name", "codec"), [("j.webm", "libopus"), ("j.mp4", "aac")])
def test_jitter_of_time_stamps_is_no_gap(tmp_path, name, codec):
    encode(tmp_path / name, codec, pips(48000), 48000, jitter_s=0.015)
    recording = open_recording(tmp_path / name)
    assert all(b.lost == 0 for b in recording.blocks())
    assert abs(shift_s(recording)) < 0.0002


@given(
    lengths=st.lists(st.integers(100, 2000), min_size=20, max_size=60),
    where=st.integers(1, 11),
    lost=st.integers(400, 100_000),
    late_s=st.floats(-1.0, 1.0),
)
def test_a_gap_is_found_where_it_is(lengths, where, lost, late_s):
    rate, lengths = 48000.0, np.array(lengths)
    times = (np.cumsum(lengths) - lengths) / rate + late_s
    times[where:] += lost / rate
    times = np.round(times, 3)  # as WebM does
    late_s = lateness(times[:where] - (np.cumsum(lengths) - lengths)[:where] / rate, 1.0)
    found = find_gaps(times, lengths, rate, late_s, len(lengths) - 8)
    assert list(found) == [where]
    assert abs(found[where] - lost) <= 0.0011 * rate


# --- what is wrong with a file


def test_silence_of_lost_blocks_is_said_and_that_of_a_keyed_tone_is_not(tmp_path):
    sound = 0.1 * np.random.default_rng(0).normal(size=480000)
    sound[:2000] = sound[47000:50000] = sound[60000:62000] = 0.0
    soundfile.write(tmp_path / "a.wav", sound, 48000)
    recording = open_recording(tmp_path / "a.wav")
    list(recording.blocks())
    assert "silent in 2 places, 0.104 s in all, first at 0.979 s" in recording.notes[-1]
    sound.reshape(40, 12000)[::2] = 0.0
    soundfile.write(tmp_path / "b.wav", sound, 48000)
    recording = open_recording(tmp_path / "b.wav")
    list(recording.blocks())
    assert not recording.notes


def test_not_numbers_and_clipping_are_said(tmp_path):
    x = pips(48000)
    x[1000:1010], x[2000], x[3000] = np.nan, np.inf, 1e30
    x[12000:18000] = 1.0
    soundfile.write(tmp_path / "a.wav", x, 48000, subtype="FLOAT")
    recording = open_recording(tmp_path / "a.wav")
    samples, _ = decoded(recording)
    assert np.all(np.isfinite(samples)) and samples[2000] == samples[3000] == 0.0
    assert recording.notes == [
        "12 samples without a number taken as silence",
        "clipped: 5.0 % of samples at full scale: turn the level down or move away",
    ]


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("a.wav", "pcm_s16le", {}),
        ("a.flac", "flac", {}),
        ("a.mp3", "libmp3lame", {}),
        ("a.m4a", "aac", {"movflags": "faststart"}),
        ("a.webm", "libopus", {}),
    ],
)
def test_cut_off_is_said_and_the_rest_decoded(tmp_path, name, codec, options):
    encode(tmp_path / name, codec, pips(48000), 48000, container_options=options)
    whole = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(whole[: int(0.7 * len(whole))])
    recording = open_recording(tmp_path / name)
    *_, last = recording.blocks()
    assert 1.2 < last.end_s < 2.0
    assert [n for n in recording.notes if n.startswith("cut off at 1.") and "of 2.5 s" in n]


def test_damage_inside_leaves_the_times_alone(tmp_path):
    encode(tmp_path / "a.flac", "flac", pips(48000), 48000)
    data = bytearray((tmp_path / "a.flac").read_bytes())
    data[len(data) // 2] ^= 0xFF
    (tmp_path / "a.flac").write_bytes(data)
    recording = open_recording(tmp_path / "a.flac")
    assert abs(shift_s(recording)) < 1e-5
    assert any(note.startswith("sound is missing in 1 place") for note in recording.notes)


def test_fifty_milliseconds(tmp_path):
    for name, codec in (("a.wav", "pcm_s16le"), ("a.m4a", "aac"), ("a.mp3", "libmp3lame")):
        encode(tmp_path / name, codec, pips(48000)[:2400], 48000)
        assert len(decoded(open_recording(tmp_path / name))[0]) >= 2400


def test_memory_does_not_grow_with_length(tmp_path):
    path = tmp_path / "long.wav"
    with soundfile.SoundFile(path, "w", 48000, 1, "PCM_16") as file:
        for seed in range(120):
            file.write(pips(48000, seed=seed))
    recording = open_recording(path)
    tracemalloc.start()
    length = sum(len(block.samples) for block in recording.blocks())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert length == 300 * 48000
    assert peak < 3e6


PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154"
    "08d763f8cfc000000301010018dd8db00000000049454e44ae426082"
)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.txt", b"these are words\n" * 500, "not a sound recording"),
        ("a.mp3", b"these are words\n" * 500, "not a sound recording"),
        ("a.png", PNG, "not a sound recording"),
        ("a.wav", b"\x07\xf3\x91" * 3000, "not a sound recording"),
        ("a.m3u8", b"#EXTM3U\n#EXTINF:1,\nother.wav\n", "not a sound recording"),
        ("a.wav", b"ffconcat version 1.0\nfile other.wav\n", "not a sound recording"),
        ("a.m4a", b"\0\0\0\x18ftypM4A \0\0\0\0" + b"\1" * 900, "cut off before its index"),
        ("a.wav", b"", "is empty"),
    ],
)
def test_what_is_not_sound(tmp_path, name, content, message, capfd):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(BadInput, match=message) as error:
        open_recording(tmp_path / name)
    assert name in str(error.value) and "\n" not in str(error.value)
    assert capfd.readouterr() == ("", "")


def test_places_without_a_recording(tmp_path):
    with pytest.raises(BadInput, match="no such file"):
        open_recording(tmp_path / "missing.wav")
    with pytest.raises(BadInput, match="is a folder"):
        open_recording(tmp_path)
    with pytest.raises(BadInput, match="no such file"):
        open_recording("http://localhost/a.wav")
    with pytest.raises(BadInput, match="cannot be read"):
        open_recording("a\0b.wav")
    with pytest.raises(BadInput, match="cannot be read"):
        sha256_of(tmp_path / "missing.wav")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(BadInput, match="not a file"):
        open_recording(tmp_path / "pipe.wav")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads anything")
def test_no_permission(tmp_path):
    path = tmp_path / "a.wav"
    soundfile.write(path, pips(8000), 8000)
    path.chmod(0)
    with pytest.raises(BadInput, match="permission"):
        open_recording(path)


def test_no_samples(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(0), 48000)
    with pytest.raises(BadInput, match="holds no sound"):
        open_recording(tmp_path / "a.wav")


def test_too_few_samples_a_second(tmp_path):
    soundfile.write(tmp_path / "slow.wav", np.zeros(7000), 7000)
    with pytest.raises(BadInput, match="too few"):
        open_recording(tmp_path / "slow.wav")


def test_video_without_sound(tmp_path):
    with av.open(str(tmp_path / "v.mp4"), "w") as out:
        pictures = out.add_stream("mpeg4", rate=10)
        pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
        for _ in range(5):
            out.mux(pictures.encode(av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8))))
        out.mux(pictures.encode(None))
    with pytest.raises(BadInput, match="without a sound track"):
        open_recording(tmp_path / "v.mp4")


def test_no_decoder(tmp_path):
    encode(tmp_path / "a.m4a", "alac", pips(48000), 48000)
    data = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "a.m4a").write_bytes(data.replace(b"alac", b"zzzz"))
    with pytest.raises(BadInput, match="no decoder"):
        open_recording(tmp_path / "a.m4a")


def test_sha256(tmp_path):
    (tmp_path / "a").write_bytes(b"abc")
    # FIPS 180-4, the published example for "abc"
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(tmp_path / "a") == expected


MAGIC = [b"", b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0", b"OggS\0\x02", b"ID3\x03\0", b"fLaC\0\0\0\x22"]
MAGIC += [b"\xff\xfb\x90", b"\xff\xf1P\x80", b"\0\0\0\x18ftypM4A ", b"\x1aE\xdf\xa3", b"#!AMR\n"]


def read_or_refuse(path: Path) -> None:
    try:
        recording = open_recording(path)
        for block in recording.blocks():
            assert np.all(np.isfinite(block.samples))
        assert all("\n" not in note for note in recording.notes)
    except BadInput as error:
        assert "\n" not in str(error)


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(magic=st.sampled_from(MAGIC), tail=st.binary(min_size=0, max_size=4000))
def test_random_bytes_are_read_or_refused(tmp_path, magic, tail):
    (tmp_path / "random").write_bytes(magic + tail)
    read_or_refuse(tmp_path / "random")


@pytest.fixture(scope="module")
def small_files(tmp_path_factory) -> list[bytes]:
    folder = tmp_path_factory.mktemp("small")
    kinds = [("a.wav", "pcm_s16le"), ("a.flac", "flac"), ("a.mp3", "libmp3lame"), ("a.m4a", "aac")]
    kinds += [("a.ogg", "libopus"), ("a.webm", "libopus"), ("a.aac", "aac")]
    for name, codec in kinds:
        encode(folder / name, codec, pips(48000)[:24000], 48000)
    return [(folder / name).read_bytes() for name, _ in kinds]


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_spoilt_recordings_are_read_or_refused(tmp_path, small_files, data):
    spoilt = bytearray(data.draw(st.sampled_from(small_files)))
    for _ in range(data.draw(st.integers(1, 20))):
        spoilt[data.draw(st.integers(0, len(spoilt) - 1))] = data.draw(st.integers(0, 255))
    (tmp_path / "spoilt").write_bytes(spoilt[: data.draw(st.integers(1, len(spoilt)))])
    read_or_refuse(tmp_path / "spoilt")
