import numpy as np
import pytest
from scipy import signal

from autochain.audio.centred_filter import CentredFilter, filter_centred, matrix_taps

RNG = np.random.default_rng(6)
NOISE = RNG.standard_normal((9001, 2))
TAPS = RNG.standard_normal(201) * np.hanning(201)


def centred(samples, taps):
    """scipy's direct form, which shares no code with the transform."""
    half = taps.size // 2
    padded = np.concatenate([samples, np.zeros((half, samples.shape[1]))])
    return signal.lfilter(taps, [1.0], padded, axis=0)[half:]


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [1, 100, 2400, 9001])
def test_equals_direct_convolution(channels, frames):
    samples = np.ascontiguousarray(NOISE[:frames, :channels])
    assert np.abs(filter_centred(samples, TAPS) - centred(samples, TAPS)).max() < 1e-12


def test_matrix_of_four_filters_equals_four_convolutions():
    four = [np.roll(TAPS, shift) * gain for shift, gain in ((0, 1.0), (3, 0.5), (-20, 2.0), (40, -1.0))]
    run = CentredFilter(*[matrix_taps(*four)[0], 2, matrix_taps(*four)[1]])
    found = np.concatenate([run.push(NOISE), run.finish()])
    left, right = NOISE[:, :1], NOISE[:, 1:]
    expected = np.hstack([
        centred(left, four[0]) + centred(right, four[1]), centred(left, four[2]) + centred(right, four[3])
    ])  # fmt: skip
    assert np.abs(found - expected).max() < 1e-11


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("channels", [1, 2])
def test_the_way_the_stream_is_cut_changes_no_bit(dtype, channels):
    samples = np.ascontiguousarray(NOISE[:, :channels]).astype(dtype)
    whole = filter_centred(samples, TAPS)
    assert whole.dtype == dtype
    for sizes in ([0, 1, 7], [700], [4096], [9001, 0]):
        run = CentredFilter(TAPS, channels)
        pieces, place, k = [], 0, 0
        while place < len(samples):
            size = sizes[k % len(sizes)]
            pieces.append(run.push(samples[place : place + size]))
            place, k = place + size, k + 1
        assert np.concatenate([*pieces, run.finish()]).tobytes() == whole.tobytes()


def test_nothing_in_nothing_out():
    assert CentredFilter(TAPS, 2).finish().shape == (0, 2)
    assert filter_centred(NOISE[:0], TAPS).shape == (0, 2)
