"""The place that repeats: as the whole song has it, at the loudness wanted."""

import math
from dataclasses import replace

import numpy as np
import pytest

from autochain.audio.mix import Mix
from autochain.chain.chain import DEFAULT
from autochain.chain.settings import DRIVE, OUTPUT, ChainSettings
from autochain.desk.hand import HandState
from autochain.desk.place import PREROLL_S, PlayedPlace, Turned
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.solve.solved import Guess
from tests.desk.songs import CONFIG, SETTINGS, place_of, song, state

QUIET = Guess()


def as_set(settings: ChainSettings) -> HandState:
    """With its drive locked, so that it is rendered as it is set."""
    return state(settings, locks=frozenset({(DRIVE, "gain_db")}))


def apart_db(place: PlayedPlace, turned: Turned, mix: Mix, settings: ChainSettings) -> float:
    """How far the gain of the place is from the whole song's, at the loudest sample of each 10 ms."""
    whole = DEFAULT.render(mix.samples, mix.rate_hz, settings).samples[place.start_frame : place.stop_frame]
    hop = round(mix.rate_hz / 100)
    shape = len(whole) // hop, hop * mix.channels
    one, other = (np.abs(x[: shape[0] * hop].reshape(shape)) for x in (whole, turned.samples))
    at = one.argmax(axis=1)
    rows = np.arange(shape[0])
    gain = other[rows, at] / np.maximum(one[rows, at], 1e-9)
    return float(np.abs(20.0 * np.log10(gain[one[rows, at] > 1e-3])).max())


@pytest.mark.parametrize("start_s", [0.0, 1.3, 9.0, 18.0])
def test_with_times_that_the_pre_roll_outlasts_it_is_as_in_the_whole_song(start_s: float) -> None:
    mix = song()
    place = place_of(mix, start_s)
    turned = place.turned(as_set(SETTINGS), QUIET)
    assert turned.samples.dtype == np.float32
    assert len(turned.samples) == place.stop_frame - place.start_frame == 6 * mix.rate_hz
    assert place.start_s == start_s
    # The slowest of these settings lets go at 150 ms: exp(-2 s / 150 ms) of what it took is 1e-6 of some dB. Linear
    # stages and oversampling leave less than that.
    assert apart_db(place, turned, mix, SETTINGS) < 1e-3


def test_at_the_beginning_of_the_song_nothing_is_missing_in_front() -> None:
    mix, place = song(), place_of(song(), 0.0)
    turned = place.turned(as_set(SETTINGS), QUIET)
    whole = DEFAULT.render(mix.samples, mix.rate_hz, SETTINGS).samples[: place.stop_frame]
    assert np.abs(turned.samples - whole).max() < 1e-6  # where a transform begins rounds the last bit otherwise


# Stage, its settings, the slowest time constant that it lets go with, and the least share of the bound that is seen.
SLOW = {
    "a bus compressor let go at 1 s": ("bus_compressor", {"release_ms": 1000.0, "threshold_db": -20.0}, 1.0, 0.5),
    "a limiter let go at 1 s": ("limiter", {"release_ms": 1000.0}, 1.0, 0.3),
    "a limiter of two stages, the slow one at 10 s": (
        "limiter", {"release_ms": 1000.0, "release_behaviour": "two_stage"}, 10.0, 0.05,
    ),
    "a limiter up to six times slower where it was busy": (
        "limiter", {"release_ms": 500.0, "release_behaviour": "by_work"}, 3.0, 0.0,
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", SLOW)
@pytest.mark.parametrize("start_s", [9.0, 17.9])
def test_a_long_release_is_off_by_no_more_than_what_it_still_would_remember(what: str, start_s: float) -> None:
    """What a stage took ahead of the pre-roll it lets go at tau: exp(-2 s / tau) of it is left at the beginning.

    The worst there is: a song that is loud until then and 40 dB quieter from then on, so that nothing in the pre-roll
    says again what was said before. A gain reduction d that falls to x d is at most x times as many dB.
    """
    stage, slow, tau_s, seen = SLOW[what]
    settings = DEFAULT.checked(SETTINGS.with_(stage, slow).without("transient", "dynamic_bell", "rotation"))
    settings = settings.with_(DRIVE, gain_db=14.0)
    own = song().samples.copy()
    own[round((start_s - PREROLL_S - 0.1) * 44100) :] *= 0.01
    mix = replace(song(), samples=own)
    place = place_of(mix, start_s)
    traces = DEFAULT.render(mix.samples, mix.rate_hz, settings).traces
    taken_db = float(traces[stage].max_db[: round(100.0 * start_s)].max())
    left_db = taken_db * math.exp(-PREROLL_S / tau_s)
    off_db = apart_db(place, place.turned(as_set(settings), QUIET), mix, settings)
    # 0.02 dB for what filters ring and an oversampled clipper rounds.
    assert seen * left_db <= off_db <= left_db + 0.02


@pytest.mark.parametrize(
    ("stage", "values"),
    [
        ("bus_compressor", {"threshold_db": -20.0}),
        ("peak_compressor", {"attack_ms": 5.0}),
        ("clipper", {"ceiling_dbfs": -2.0}),
        ("transient", {"onset_db": 3.0}),
        ("limiter", {"release_ms": 10.0}),
        ("limiter", {"ceiling_dbtp": -3.0}),
        ("tone", {"band1_gain_db": 3.0}),
        ("equaliser", {"band1_freq_hz": 120.0}),
    ],
)
def test_the_drive_is_solved_to_a_twentieth_of_a_lu(stage, values) -> None:
    """Loudness read by libebur128 (through pyebur128) off the very samples that are heard."""
    mix = song()
    place = place_of(mix, 9.0)
    place.stand_on(SETTINGS, -9.0)
    wanted = place.wanted_lufs(-9.0)
    turned = place.turned(state(DEFAULT.checked(SETTINGS.with_(stage, values))), QUIET)
    assert turned.met
    assert turned.wanted_lufs == wanted
    # The place is solved with the tenth of a second behind it, so that the last block of the meter is another one.
    assert outside_lufs(turned, mix) == pytest.approx(wanted, abs=0.05)
    assert turned.levels.integrated_lufs == pytest.approx(outside_lufs(turned, mix), abs=0.01)


def outside_lufs(turned: Turned, mix: Mix) -> float:
    import pyebur128

    meter = pyebur128.R128State(mix.channels, mix.rate_hz, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(turned.samples, dtype=np.float64).reshape(-1), len(turned.samples))
    return float(pyebur128.get_loudness_global(meter))


def test_as_loud_as_the_version_it_stands_on_and_as_much_louder_as_the_target_is() -> None:
    mix = song()
    place = place_of(mix, 9.0)
    place.stand_on(SETTINGS, -8.4)  # so loud the whole song is said to be with them
    same = place.turned(state(), QUIET)
    whole = DEFAULT.render(mix.samples, mix.rate_hz, SETTINGS).samples[place.start_frame : place.stop_frame]
    here = integrated_lufs(weighted_hops(whole, mix.rate_hz))
    assert here is not None
    assert same.levels.integrated_lufs == pytest.approx(here - 0.6, abs=0.05)  # wanted are -9
    assert same.settings[DRIVE]["gain_db"] < SETTINGS[DRIVE]["gain_db"]


def test_before_anything_was_verified_it_is_as_far_over_the_mix_as_the_song_is_to_be() -> None:
    mix = song()
    place = place_of(mix, 9.0)
    own = integrated_lufs(weighted_hops(mix.samples[place.start_frame : place.stop_frame], mix.rate_hz))
    lufs = integrated_lufs(weighted_hops(mix.samples, mix.rate_hz))
    assert own is not None
    assert lufs is not None
    turned = place.turned(state(), QUIET)
    assert turned.levels.integrated_lufs == pytest.approx(own + (-9.0 - lufs), abs=0.05)


def test_a_locked_drive_is_left_alone() -> None:
    turned = place_of(song(), 9.0).turned(as_set(SETTINGS.with_(DRIVE, gain_db=3.3)), QUIET)
    assert turned.settings[DRIVE]["gain_db"] == 3.3
    assert turned.wanted_lufs is None
    assert turned.met


@pytest.mark.parametrize(
    "off",
    [
        {"limiter"},
        {"clipper", "limiter"},
        {"clipper", "limiter", "transient", "bus_compressor", "peak_compressor", "dynamic_bell"},
        set(SETTINGS) - {DRIVE, OUTPUT},
    ],
    ids=lambda off: f"{len(off)} off",
)
def test_stages_may_be_off_and_costs_are_told_all_the_same(off) -> None:
    place = place_of(song(), 9.0)
    turned = place.turned(state(off=frozenset(off)), QUIET)
    assert not off & set(turned.settings)
    costs = place.costs(turned)
    assert all(math.isfinite(value) for value in costs.as_dict().values())
    assert turned.missing_lu == pytest.approx(0.0, abs=0.05)
    if len(off) > 6:  # a gain alone costs nothing
        assert costs.crest_loss_db == pytest.approx(0.0, abs=1e-3)
        assert costs.gain_movement_db == 0.0
        assert costs.asymmetry_reduction_db == 0.0


def test_the_same_state_gives_the_same_bytes_whatever_was_turned_before() -> None:
    one, other = place_of(song(), 9.0), place_of(song(), 9.0)
    other.turned(state(SETTINGS.with_("equaliser", {"band1_freq_hz": 60.0})), QUIET)
    other.turned(state(SETTINGS.with_("limiter", release_ms=9.0)), QUIET)
    first, second = one.turned(state(), QUIET), other.turned(state(), QUIET)
    assert np.array_equal(first.samples, second.samples)
    assert one.costs(first) == other.costs(second)


def test_what_a_stage_takes_is_what_a_sheet_would_say_of_it() -> None:
    mix = song()
    mix = replace(mix, samples=mix.samples[: 6 * mix.rate_hz])  # a place that is the whole song
    place = place_of(mix, 0.0)
    turned = place.turned(as_set(SETTINGS), QUIET)
    traces = DEFAULT.render(mix.samples, mix.rate_hz, SETTINGS).traces
    assert list(turned.taken) == [name for name in DEFAULT.stages if name in traces]
    for name, taken in turned.taken.items():
        values = traces[name].max_db
        assert taken.max == pytest.approx(float(values[np.abs(values).argmax()]), abs=1e-4)


def test_a_linear_stage_alone_makes_the_slice_anew() -> None:
    place = place_of(song(), 9.0)
    place.turned(state(), QUIET)
    made = place._evaluator(SETTINGS)
    place.turned(state(SETTINGS.with_("limiter", release_ms=9.0)), QUIET)
    assert place._evaluator(SETTINGS.with_("limiter", release_ms=9.0)) is made
    assert place._evaluator(SETTINGS.with_("tone", {"band1_gain_db": 2.0})) is not made
    assert place._evaluator(SETTINGS) is made  # undo comes back to it


@pytest.mark.parametrize(("rate_hz", "channels"), [(48000, 2), (96000, 2), (44100, 1)])
def test_other_rates_and_one_channel(rate_hz: int, channels: int) -> None:
    mix = song(10.0, rate_hz, channels)
    place = place_of(mix, 2.57)
    turned = place.turned(state(), QUIET)
    assert turned.samples.shape == (6 * rate_hz, channels)
    assert abs(turned.missing_lu) < 0.05
    assert apart_db(place, place.turned(as_set(SETTINGS), QUIET), mix, SETTINGS) < 1e-3


def test_a_silent_place_is_played_with_the_drive_there_is() -> None:
    mix = song()
    quiet = mix.samples.copy()
    quiet[8 * mix.rate_hz : 17 * mix.rate_hz] = 0.0
    silent = Mix(samples=quiet, rate_hz=mix.rate_hz, file="s.wav", sha256="0" * 64, subtype="FLOAT")
    place = PlayedPlace(
        silent, 10.0, -15.0, chain=CONFIG.chain_plan, drive=CONFIG.search.drive, weights=CONFIG.weights
    )
    turned = place.turned(state(), QUIET)
    assert not turned.samples.any()
    assert turned.settings[DRIVE]["gain_db"] == SETTINGS[DRIVE]["gain_db"]
    assert all(math.isfinite(value) for value in place.costs(turned).as_dict().values())
