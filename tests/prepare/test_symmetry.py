import numpy as np
import pytest

from autochain.chain.rotation import rotate
from autochain.measure.asymmetry import mean_reduction_db
from autochain.prepare._symmetry_kernels import window_peaks
from autochain.prepare.symmetry import choose_rotation

RATE_HZ = 48000


def two_harmonics(angle_deg: float, seconds: float = 4.0) -> np.ndarray:
    t = 2 * np.pi * 200.0 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    turn = np.deg2rad(angle_deg)
    return (np.cos(t + turn) + 0.5 * np.cos(2 * t + turn))[:, None]


def loud_inside(seconds: float = 4.0) -> np.ndarray:
    """All hops loud but the first and last half second, where the filter sees the signal's ends."""
    loud = np.ones(round(seconds * 100), dtype=bool)
    loud[:50] = loud[-50:] = False
    return loud


@pytest.mark.parametrize("start_deg", [0, 30, 65, -50])
def test_two_harmonics_are_turned_until_they_are_symmetric(start_deg):
    found = choose_rotation(two_harmonics(start_deg), RATE_HZ, loud_inside(), 0.5)
    # Closed form: cos t + 0.5 cos 2t has its smallest peak, 1.2990, at 90 degrees and at -90.
    assert (found.angle_deg + start_deg) % 180.0 == 90.0
    assert found.used


def test_saving_is_that_of_the_closed_form():
    found = choose_rotation(two_harmonics(0), RATE_HZ, loud_inside(), 0.5)
    # Closed form: peaks 1.5 at 0 degrees and 1.2990 at 90; 0.05 dB of filter ripple.
    assert found.saving_db == pytest.approx(20 * np.log10(1.5 / 1.2990), abs=0.05)


def test_saving_is_what_the_rotation_stage_then_saves():
    rng = np.random.default_rng(11)
    frames = 4 * RATE_HZ
    mix = 0.2 * np.hstack([two_harmonics(20), two_harmonics(40)]) + 0.05 * rng.standard_normal((frames, 2))
    mix = mix.astype(np.float32)
    found = choose_rotation(mix, RATE_HZ, loud_inside(), 0.15)
    before = mean_reduction_db(mix, RATE_HZ, 0.15, loud_inside())
    after = mean_reduction_db(rotate(mix, RATE_HZ, found.angle_deg), RATE_HZ, 0.15, loud_inside())
    assert found.used
    assert before - after == pytest.approx(found.saving_db, abs=1e-3)  # float32 rounding


def test_symmetric_sound_is_left_alone():
    noise = 0.1 * np.random.default_rng(12).standard_normal((20 * RATE_HZ, 2)).astype(np.float32)
    found = choose_rotation(noise, RATE_HZ, loud_inside(20.0), 0.25)
    assert not found.used
    assert found.angle_deg == 0.0
    assert 0.0 <= found.saving_db < 0.2


def test_nothing_above_the_threshold_leaves_nothing_to_save():
    found = choose_rotation(0.1 * two_harmonics(0), RATE_HZ, loud_inside(), 0.5)
    assert (found.angle_deg, found.saving_db, found.used) == (0.0, 0.0, False)


def test_silence_is_left_alone():
    silence = np.zeros((RATE_HZ, 2), dtype=np.float32)
    for loud in (np.ones(100, dtype=bool), np.zeros(100, dtype=bool)):
        assert not choose_rotation(silence, RATE_HZ, loud, 0.5).used


def test_compiled_loop_equals_python():
    rng = np.random.default_rng(13)
    plain, transformed = rng.standard_normal((2, 60, 2))
    angles = np.deg2rad([0.0, -45.0, 80.0])
    arguments = (plain, transformed, np.array([0, 2]), 20, 1.0, np.cos(angles), np.sin(angles), np.empty(3))
    compiled, interpreted = np.empty((2, 3)), np.empty((2, 3))
    window_peaks(*arguments, compiled)
    window_peaks.py_func(*arguments, interpreted)
    assert np.array_equal(compiled, interpreted)
