"""Levels over the mask in closed forms of BS.1387: offsets of 3 to 6 dB, and the ear's own threshold."""

import numpy as np
import pytest

from autochain.audio.signals import noise
from autochain.measure.audible import ShortMask
from autochain.measure.ear_model import make_bands, outer_middle_ear_db

RATE_HZ = 48000
SIZE = 3200
SINE_DB_SPL = 97.0


def click(level_db: float) -> np.ndarray:
    sound = np.zeros(SIZE)
    sound[SIZE // 2] = 10.0 ** (level_db / 20.0)
    return sound


@pytest.mark.parametrize("level_db", [-40.0, -10.0])
def test_a_click_in_white_noise_stands_by_their_energies_and_the_offset(level_db: float) -> None:
    mask = ShortMask(RATE_HZ, SINE_DB_SPL)
    over = [
        mask.over_mask_db(click(level_db), noise(SIZE / RATE_HZ, RATE_HZ, -20.0, 1, seed=seed)[:, 0])
        for seed in range(20)
    ]
    # closed form: 256 samples under a Hann window hold 256 x 3/8 of the noise's power; a noise is masked 3 dB (low
    # bands) to 6 dB (high ones) under the masker (BS.1387-1, annex 2, 3.2), and the band where it is highest is where
    # the noise happens to be weak: 3 dB more or so.
    closed_db = level_db + 20.0 - 10.0 * np.log10(256 * 3.0 / 8.0)
    assert closed_db + 3.0 < np.median(over) < closed_db + 10.0


def test_a_click_in_silence_stands_over_the_threshold_of_hearing() -> None:
    mask = ShortMask(RATE_HZ, SINE_DB_SPL)
    # closed form: one sample of 1.0 under a window of 256 has power 1 in every bin; a full-scale sine peaks at
    # (2 / (0.75 pi))^2 x (255 / 4)^2 for `SINE_DB_SPL` (Kabal 2002). Bands hold their width in bins of 187.5 Hz.
    bands = make_bands()
    power_db = SINE_DB_SPL - 20.0 * np.log10(2.0 / (0.75 * np.pi) * 255 / 4.0) + outer_middle_ear_db(bands.centre_hz)
    width_db = 10.0 * np.log10((bands.upper_hz - bands.lower_hz) / 187.5)
    over_noise_db = (power_db + width_db - bands.internal_noise_db + bands.mask_offset_db)[bands.centre_hz > 1000.0]
    # Spreading raises the mask of the ear's own noise a little where it changes along the bands.
    assert mask.over_mask_db(click(0.0), np.zeros(SIZE)) == pytest.approx(over_noise_db.max(), abs=3.0)
    assert mask.over_mask_db(click(-60.0), np.zeros(SIZE)) == pytest.approx(over_noise_db.max() - 60.0, abs=3.0)


def test_what_came_before_masks_and_what_comes_long_after_does_not() -> None:
    mask, loud = ShortMask(RATE_HZ, SINE_DB_SPL), noise(SIZE / RATE_HZ, RATE_HZ, -20.0, 1)[:, 0]
    before, after = loud.copy(), loud.copy()
    before[SIZE // 2 - 240 :] = 0.0  # 5 ms before the click
    after[: SIZE // 2 + 240] = 0.0
    in_silence = mask.over_mask_db(click(-40.0), np.zeros(SIZE))
    assert mask.over_mask_db(click(-40.0), after) == pytest.approx(in_silence, abs=0.1)
    assert mask.over_mask_db(click(-40.0), before) < in_silence - 20.0


def test_silence_stands_over_nothing() -> None:
    assert ShortMask(RATE_HZ, SINE_DB_SPL).over_mask_db(np.zeros(SIZE), np.zeros(SIZE)) == -300.0
