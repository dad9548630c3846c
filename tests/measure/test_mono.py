"""What is lost in mono, from the definition."""

import numpy as np
import pytest

from autochain.audio.signals import noise
from autochain.measure.head_and_tail import measure_head_and_tail
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.mono import fold_to_mono
from autochain.measure.noise import steady_floor_dbfs
from autochain.measure.peaks import peak_density

RATE_HZ = 48000


# closed form: 10 log10((1 + 2 sum(LR) / sum(L^2 + R^2)) / 2)
@pytest.mark.parametrize(("sign", "loss_db", "correlation"), [(1.0, 0.0, 1.0), (-1.0, -200.0, -1.0)])
def test_equal_and_turned_over_channels(sign: float, loss_db: float, correlation: float) -> None:
    one = noise(8.0, RATE_HZ, -20.0, 1)
    fold = fold_to_mono(measure_hop_sums(np.hstack([one, sign * one]), RATE_HZ))
    assert fold is not None
    assert fold.loss_db == pytest.approx(loss_db, abs=1e-9)
    assert fold.correlation == pytest.approx(correlation)
    assert fold.balance_db == pytest.approx(0.0)
    assert fold.at_s == pytest.approx([1.5, 2.5, 3.5, 4.5, 5.5, 6.5])


def test_unrelated_channels_lose_three_decibels_and_a_silent_one_too() -> None:
    both = np.hstack([noise(8.0, RATE_HZ, -20.0, 1), np.roll(noise(8.0, RATE_HZ, -20.0, 1), 10_000, axis=0)])
    for sound in (both, both * [1.0, 0.0]):
        fold = fold_to_mono(measure_hop_sums(sound, RATE_HZ))
        assert fold is not None
        assert fold.loss_db == pytest.approx(-3.01, abs=0.05)


def test_one_channel_has_no_fold() -> None:
    assert fold_to_mono(measure_hop_sums(noise(4.0, RATE_HZ, -20.0, 1), RATE_HZ)) is None


def test_clipping_makes_the_peak_dense() -> None:
    sound = noise(10.0, RATE_HZ, -20.0)
    assert peak_density(measure_hop_sums(sound, RATE_HZ)) < 0.1  # type: ignore[operator]
    # closed form: each 50 ms of 2 x 2400 Gaussian samples exceeds 1.5 sigma
    clipped = np.clip(sound, -0.15, 0.15)
    assert peak_density(measure_hop_sums(clipped, RATE_HZ)) == 1.0
    assert peak_density(measure_hop_sums(np.zeros((RATE_HZ, 2)), RATE_HZ)) is None


def test_the_ends_of_a_file_are_told() -> None:
    sound = np.concatenate([np.zeros((24_000, 2)), noise(3.0, RATE_HZ, -20.0), np.zeros((96_000, 2))])
    ends = measure_head_and_tail(measure_hop_sums(sound, RATE_HZ))
    assert (ends.head_s, ends.tail_s) == (0.5, 2.0)
    assert (ends.first_dbfs, ends.last_dbfs) == (-200.0, -200.0)
    cut = measure_head_and_tail(measure_hop_sums(noise(3.0, RATE_HZ, -20.0), RATE_HZ))
    assert (cut.head_s, cut.tail_s) == (0.0, 0.0)
    assert min(cut.first_dbfs, cut.last_dbfs) > -25.0


def test_a_steady_floor_is_read_in_a_pause_and_a_fade_is_none() -> None:
    hiss = noise(6.0, RATE_HZ, -55.0)
    song = noise(6.0, RATE_HZ, -20.0)
    song[2 * RATE_HZ : 3 * RATE_HZ] = 0.0
    assert steady_floor_dbfs(measure_hop_sums(song + hiss, RATE_HZ)) == pytest.approx(-55.0, abs=0.5)
    fading = noise(1.0, RATE_HZ, -20.0) * 10.0 ** (-4.0 * np.linspace(0.0, 1.0, RATE_HZ))[:, None]
    assert steady_floor_dbfs(measure_hop_sums(fading, RATE_HZ)) is None
    assert steady_floor_dbfs(measure_hop_sums(np.zeros((RATE_HZ, 1)), RATE_HZ)) is None
