"""The demo mixes, read by libebur128 and by plain numpy: are they what a mix engineer hands over?"""

from functools import cache
from itertools import pairwise

import numpy as np
import pyebur128
import pytest
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import welch

from autochain.demo import CHARACTERS, demo_song, make_demo, read_scenario
from autochain.errors import UsageError

RATE = 44100
SECONDS = 16.0


@cache
def mix(character, rate_hz=RATE, duration_s=SECONDS, seed=1):
    made = make_demo(character, rate_hz, duration_s, seed)
    made.flags.writeable = False
    return made


def libebur128(samples, rate_hz=RATE):
    """Integrated LUFS, dBTP and the largest and smallest short-term loudness while the song plays."""
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, mode.MODE_I | mode.MODE_S | mode.MODE_TRUE_PEAK)
    short_term = []
    step = rate_hz // 2
    for first in range(0, samples.shape[0], step):
        part = np.ascontiguousarray(samples[first : first + step], dtype=np.float64)
        state.add_frames(part.reshape(-1), part.shape[0])
        if first >= 3 * rate_hz and first < samples.shape[0] - 3 * rate_hz:
            short_term.append(pyebur128.get_loudness_shortterm(state))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
    return pyebur128.get_loudness_global(state), 20.0 * np.log10(peak), max(short_term), min(short_term)


def loud_windows(samples):
    """50 ms windows of the louder two fifths, shape (windows, frames, 2)."""
    length = RATE // 20
    windows = samples[: samples.shape[0] // length * length].reshape(-1, length, 2).astype(np.float64)
    power = np.mean(windows**2, axis=(1, 2))
    return windows[power >= np.quantile(power, 0.6)]


def asymmetry_db(samples):
    windows = loud_windows(samples)
    return float(np.median(20.0 * np.log10(windows.max(axis=(1, 2)) / -windows.min(axis=(1, 2)))))


def test_there_are_five_characters_in_fixed_order_with_their_targets():
    assert CHARACTERS == (
        "dense_rock",
        "bass_heavy_electronic",
        "brass_led_asymmetric",
        "vocal_with_piano",
        "sparse_acoustic",
    )
    assert tuple(read_scenario().songs) == CHARACTERS
    # common practice, no source: dense pop, rock and electronic reach -8 to -10, acoustic stays lower
    assert [demo_song(name).target_lufs for name in CHARACTERS] == [-8.0, -8.0, -9.0, -11.0, -12.0]
    assert {demo_song(name).ceiling_dbtp for name in CHARACTERS} == {-1.0}
    assert len({demo_song(name).title for name in CHARACTERS}) == 5


@pytest.mark.parametrize("character", CHARACTERS)
@pytest.mark.parametrize(("seed", "duration_s"), [(1, SECONDS), (2, 10.0)])
def test_level_is_that_of_a_finished_mix(character, seed, duration_s):
    lufs, dbtp, _, _ = libebur128(mix(character, RATE, duration_s, seed))
    # common practice, no source: mixes come in at about -15 LUFS, 0.3 LU of room between meters
    assert lufs == pytest.approx(-15.0, abs=0.3)
    # common practice, no source: true peak of an incoming mix -6 to -1 dBTP
    assert -6.0 <= dbtp <= -1.0


@pytest.mark.parametrize("character", CHARACTERS)
def test_loudness_follows_a_song_form(character):
    _, _, loudest, quietest = libebur128(mix(character))
    # a limit of this project: a chorus is heard as louder than a verse
    assert loudest - quietest >= 2.5


@pytest.mark.parametrize("character", CHARACTERS)
def test_local_crest_is_that_of_unlimited_music(character):
    windows = loud_windows(mix(character))
    rms = np.sqrt(np.mean(windows**2, axis=(1, 2)))
    crest_db = 20.0 * np.log10(np.abs(windows).max(axis=(1, 2)) / rms)
    # a limit of this project; a sine has 3.0 dB, heavily limited music little more
    assert 6.0 <= np.median(crest_db) <= 14.0


@pytest.mark.parametrize("character", CHARACTERS)
def test_nothing_is_clipped_or_limited(character):
    levels = np.abs(mix(character))
    # A clipped or limited bus leaves many samples at one highest value; music leaves a handful near it. Both figures
    # are limits of this project.
    assert np.count_nonzero(levels > 0.98 * levels.max()) < 60


@pytest.mark.parametrize("character", CHARACTERS)
def test_channels_are_related_but_not_equal(character):
    left, right = mix(character).T.astype(np.float64)
    # common practice, no source: neither unrelated nor mono; the figures are limits of this project
    assert 0.2 <= np.corrcoef(left, right)[0, 1] <= 0.98


@pytest.mark.parametrize("character", CHARACTERS)
def test_bass_is_in_the_middle(character):
    left, right = mix(character).T.astype(np.float64)
    f, side = welch(left - right, RATE, nperseg=8192)
    _, middle = welch(left + right, RATE, nperseg=8192)
    low = (f > 30.0) & (f < 90.0)
    # common practice, no source: bass in the middle; the tenth is a limit of this project
    assert side[low].sum() < 0.1 * middle[low].sum()


def test_only_the_brass_stands_taller_on_one_side_by_two_decibels_or_so():
    # common practice, no source: brass and voice reach further on one side, by some dB; limits of this project
    assert 1.0 <= asymmetry_db(mix("brass_led_asymmetric")) <= 4.0
    assert abs(asymmetry_db(mix("sparse_acoustic"))) < 0.6
    assert abs(asymmetry_db(mix("vocal_with_piano"))) < 0.6


@pytest.mark.parametrize("character", CHARACTERS)
def test_spectrum_falls_as_that_of_music_does_and_ends_below_18_khz(character):
    f, power = welch(mix(character).mean(axis=1).astype(np.float64), RATE, nperseg=8192)
    edges = 200.0 * 2.0 ** (np.arange(17) / 3.0)
    bands = [power[(f >= low) & (f < high)].mean() for low, high in pairwise(edges)]
    slope_db_per_octave = np.polyfit(np.arange(16) / 3.0, 10.0 * np.log10(bands), 1)[0]
    # common practice, no source: pink noise falls by 3 dB an octave, music by 4 to 6
    assert -7.0 <= slope_db_per_octave <= -3.5
    assert 10.0 * np.log10(power[f > 18000.0].sum() / power.sum()) < -90.0


def test_electronic_mix_is_the_heaviest_in_the_bass():
    share = {}
    for character in CHARACTERS:
        f, power = welch(mix(character).mean(axis=1).astype(np.float64), RATE, nperseg=8192)
        share[character] = power[f < 120.0].sum() / power.sum()
    assert max(share, key=share.get) == "bass_heavy_electronic"


@pytest.mark.parametrize("character", CHARACTERS)
def test_no_offset_and_no_click_at_either_end(character):
    samples = mix(character)
    assert np.all(np.abs(samples.mean(axis=0, dtype=np.float64)) < 1e-5)
    assert np.abs(samples[:100]).max() < 1e-3
    assert np.abs(samples[-100:]).max() < 1e-3


@pytest.mark.parametrize("character", CHARACTERS)
def test_end_dies_away(character):
    samples = mix(character).astype(np.float64)
    half = RATE // 2
    levels = [np.mean(samples[samples.shape[0] - (n + 1) * half :][:half] ** 2) for n in range(4)]
    assert levels[0] < levels[1] < levels[2] < levels[3]
    # The fade covers the last 1.5 s: 20 dB down over the last half second, 60 dB over the last twentieth.
    assert levels[0] < 1e-2 * np.mean(samples**2)
    assert np.mean(samples[-RATE // 20 :] ** 2) < 1e-6 * np.mean(samples**2)


def test_same_arguments_give_the_same_bytes_and_another_seed_another_take():
    first = make_demo("sparse_acoustic", RATE, 10.0, 7)
    assert first.tobytes() == make_demo("sparse_acoustic", RATE, 10.0, 7).tobytes()
    assert not np.array_equal(first, make_demo("sparse_acoustic", RATE, 10.0, 8))


@pytest.mark.parametrize("rate_hz", [48000, 96000])
def test_other_rates_give_the_same_mix(rate_hz):
    samples = mix("brass_led_asymmetric", rate_hz, 10.0)
    assert samples.shape == (10 * rate_hz, 2)
    assert samples.dtype == np.float32
    lufs, dbtp, _, _ = libebur128(samples, rate_hz)
    assert lufs == pytest.approx(-15.0, abs=0.3)
    assert -6.0 <= dbtp <= -1.0
    f, here = welch(samples.mean(axis=1), rate_hz, nperseg=rate_hz // 10)
    g, there = welch(mix("brass_led_asymmetric", RATE, 10.0).mean(axis=1), RATE, nperseg=RATE // 10)
    for low in (60.0, 250.0, 1000.0, 4000.0):
        octave = [p[(x >= low) & (x < 2.0 * low)].sum() for x, p in ((f, here), (g, there))]
        # Noises are drawn anew at another rate; notes and balance are not.
        assert 10.0 * np.log10(octave[0] / octave[1]) == pytest.approx(0.0, abs=1.5)


def test_any_length_from_ten_seconds():
    assert mix("dense_rock", RATE, 13.37).shape == (round(13.37 * RATE), 2)


@pytest.mark.parametrize("character", CHARACTERS)
def test_target_is_within_reach_of_a_plain_limiter(character):
    samples = mix(character)[4 * RATE :].astype(np.float64)
    ceiling = 10.0 ** ((demo_song(character).ceiling_dbtp - 0.5) / 20.0)
    driven = samples * 10.0 ** (20.0 / 20.0)
    gain = np.minimum(1.0, ceiling / np.maximum(np.abs(driven).max(axis=1), 1e-9))
    gain = uniform_filter1d(minimum_filter1d(gain, 265), 133)
    assert libebur128(driven * gain[:, None])[0] >= demo_song(character).target_lufs


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("polka", RATE, 20.0, 1), "no character 'polka'"),
        (("dense_rock", 22050, 20.0, 1), "rate_hz is 22050"),
        (("dense_rock", RATE, 9.0, 1), "duration_s is 9.0"),
        (("dense_rock", RATE, float("nan"), 1), "duration_s is nan"),
        (("dense_rock", RATE, 20.0, -1), "seed is -1"),
    ],
)
def test_wrong_argument_is_named(arguments, message):
    with pytest.raises(UsageError, match=message):
        make_demo(*arguments)
