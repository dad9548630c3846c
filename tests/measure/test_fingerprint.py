"""A revised mix is known by its fingerprint; another song is not taken for it."""

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from autochain.demo import make_demo
from autochain.measure.fingerprint import (
    BANDS_HZ,
    SAME_SONG,
    band_powers,
    fingerprint_of,
    fingerprint_text,
    read_fingerprint,
    similarity,
)

RATE = 44100
SECONDS = 40.0


@pytest.fixture(scope="module")
def song():
    return make_demo("dense_rock", RATE, SECONDS, 1)


@pytest.fixture(scope="module")
def fingerprint(song):
    return fingerprint_of(band_powers(song, RATE))


def tilted(x, db):
    """Louder by `db` at 10 kHz and softer at 100 Hz, straight over log frequency between them."""
    at = np.maximum(np.fft.rfftfreq(len(x), 1.0 / RATE), 1.0)
    gain = 10.0 ** (db * np.clip(np.log10(at / 1000.0), -1.0, 1.0) / 20.0)
    return np.fft.irfft(np.fft.rfft(x, axis=0) * gain[:, None], len(x), axis=0)


def compressed(x):
    """By 2 to 1 above the median of a 100 ms level, without an attack."""
    level = np.sqrt(uniform_filter1d((x**2).sum(axis=1), 4410) + 1e-12)
    return x * np.minimum(1.0, np.sqrt(np.median(level) / level))[:, None]


REVISIONS = {
    "6 dB softer": lambda x: 0.5 * x,
    "brighter": lambda x: tilted(x, 2.0),
    "darker": lambda x: tilted(x, -2.0),
    "compressed": compressed,
    "2 s less at the head": lambda x: x[2 * RATE :],
    "2.37 s less": lambda x: x[round(2.37 * RATE) :],
    "3.2 s more": lambda x: np.concatenate([np.zeros((round(3.2 * RATE), 2)), x]),
    "side up by 3 dB": lambda x: x + 0.2 * (x - x[:, ::-1]),
}


@pytest.mark.parametrize("revision", REVISIONS)
def test_a_revised_mix_is_the_same_song(song, fingerprint, revision):
    # The limit is one of this project, chosen on recordings.
    assert similarity(fingerprint, band_powers(REVISIONS[revision](song), RATE)) >= SAME_SONG


# Another seed of one character plays the same arrangement: that passes, as another take of a song does.
@pytest.mark.parametrize("character", ["bass_heavy_electronic", "sparse_acoustic", "vocal_with_piano"])
def test_another_song_is_not(fingerprint, character):
    assert similarity(fingerprint, band_powers(make_demo(character, RATE, SECONDS, 1), RATE)) < SAME_SONG


def test_a_tone_lies_in_its_band_with_its_power():
    # A sine of amplitude 0.5 in two channels: what is in its band of a Parseval sum is a quarter of the power each,
    # since half of the spectrum is summed (|X|^2 of one line is (N a / 2)^2).
    t = np.arange(4 * RATE) / RATE
    for k, (low, high) in enumerate(BANDS_HZ):
        hz = round(np.sqrt(low * high) / 10.0) * 10.0  # whole periods in 0.1 s
        cells = band_powers(np.tile(0.5 * np.sin(2.0 * np.pi * hz * t)[:, None], (1, 2)), RATE)
        assert cells[:, k] == pytest.approx(2.0 * 0.25**2, rel=1e-6)
        assert np.delete(cells, k, axis=1).max() < 1e-12


def test_text_holds_the_fingerprint_to_its_tenths(fingerprint):
    assert np.array_equal(read_fingerprint(fingerprint_text(fingerprint)), fingerprint)
    assert fingerprint.shape == (40, 3)


@pytest.mark.parametrize("text", [{}, {"40_250_hz": "1 2", "250_2000_hz": "1", "2000_10000_hz": "1 2"}])
def test_what_is_no_fingerprint_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        read_fingerprint(text)


def test_silence_is_like_nothing(fingerprint):
    assert similarity(fingerprint, band_powers(np.zeros((round(SECONDS) * RATE, 2)), RATE)) <= 0.0
    assert similarity(fingerprint, np.empty((0, 3))) == -1.0
