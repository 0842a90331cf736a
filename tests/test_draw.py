"""The picture of a hearing: made, readable back, and refused in plain words."""

import numpy as np
import pytest
import soundfile

from listen.draw import _open_spans, _spectrogram, draw_hearing
from listen.errors import BadInput
from listen.hearing import hear_recording

RATE = 16_000


@pytest.fixture(scope="module")
def hearing(tmp_path_factory):
    path = tmp_path_factory.mktemp("draw") / "tone.wav"
    t = np.arange(4 * RATE) / RATE
    on = (t > 1) & (t < 2) | (t > 3)
    hiss = 0.003 * np.random.default_rng(1).normal(size=len(t))
    soundfile.write(path, 0.3 * on * np.sin(2 * np.pi * 3000 * t) + hiss, RATE)
    return hear_recording(path, "open")


def test_picture_is_written_in_the_format_asked_for(hearing, tmp_path):
    import matplotlib.image

    draw_hearing(hearing, tmp_path / "tone.png")
    height, width, _ = matplotlib.image.imread(tmp_path / "tone.png").shape
    assert width > 1200 and height > 600
    draw_hearing(hearing, tmp_path / "tone.svg")
    assert (tmp_path / "tone.svg").read_text(encoding="utf-8").lstrip().startswith("<?xml")


@pytest.mark.parametrize("name", ["tone.wav", "nowhere/tone.png"])
def test_what_cannot_be_written_is_told(hearing, tmp_path, name):
    with pytest.raises(BadInput, match="cannot be written"):
        draw_hearing(hearing, tmp_path / name)


def test_spectrogram_and_open_spans_lie_where_the_tone_is(hearing):
    power, hop_s, bin_hz = _spectrogram(hearing)
    loud = power[round(3000 / bin_hz)] > 0.1 * power.max()
    middle_s = 0.5 / bin_hz + hop_s * np.flatnonzero(loud)
    assert middle_s.min() == pytest.approx(1.0, abs=0.03)
    assert middle_s.max() == pytest.approx(4.0, abs=0.03)
    (start, stop), (last, end) = _open_spans(hearing)
    assert (start, stop, last, end) == pytest.approx((1.0, 2.0, 3.0, 4.0), abs=0.002)
