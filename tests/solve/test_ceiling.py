"""The ceiling is a promise: whatever the sound and the settings, no reading of the written file passes it."""

import numpy as np
import pyebur128
import pytest
import soundfile

from autochain.audio.files import write_wav
from autochain.audio.signals import noise
from autochain.chain.output import with_silence
from autochain.chain.settings import StageSettings
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.evaluator import Evaluator
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

RATE = 44100
CEILING_DBTP = -1.0
CONFIG = read_config()
CHAIN = CONFIG.chain_plan


def alternating(seconds):
    """Full-scale samples of changing sign with a turn in every 31st: the interpolant grows without bound."""
    n = np.arange(round(seconds * RATE))
    sign = np.where((n + n // 31) % 2 == 0, 1.0, -1.0)
    envelope = 0.5 + 0.5 * np.sin(2.0 * np.pi * 3.0 * n / RATE) ** 2
    return np.stack([sign * envelope, -0.7 * sign * envelope], axis=1)


def squares(seconds):
    t = np.arange(round(seconds * RATE)) / RATE
    return np.stack([np.sign(np.sin(2 * np.pi * 997.0 * t)), np.sign(np.sin(2 * np.pi * 1501.0 * t + 1.0))], axis=1)


SOUNDS = {
    "white noise": lambda: noise(4.0, RATE, channels=2, seed=3),
    "clipped white noise": lambda: np.clip(6.0 * noise(4.0, RATE, channels=2, seed=4), -0.9, 0.9),
    "alternating full scale": lambda: alternating(4.0),
    "squares": lambda: squares(4.0),
    "dense rock": lambda: make_demo("dense_rock", RATE, 10.0, 2)[-6 * RATE :],
}


def somewhere(parameter, share):
    if parameter.choices:
        return parameter.choices[round(share * (len(parameter.choices) - 1))]
    return parameter.low + share * (parameter.high - parameter.low)


def random_settings(seed):
    """Peak stages anywhere in their ranges."""
    generator = np.random.default_rng(seed)
    settings = {"drive": {}, "output": {}}
    for name in ("clipper", "transient", "limiter"):
        stage = CHAIN.stages[name]
        at = {p.name: somewhere(p, generator.random()) for p in stage.parameters}
        settings[name] = dict(stage.rounded(StageSettings(at)).items())
    for end in ("band_low_hz", "band_high_hz"):  # not any two frequencies make a band
        settings["transient"][end] = 0.0
    settings["clipper"]["ceiling_dbfs"] = CEILING_DBTP + round(6.0 * generator.random(), 1)
    settings["limiter"]["ceiling_dbtp"] = CEILING_DBTP
    return CHAIN.checked(settings)


# Loud enough that the limiter has work to do.
LUFS = {"squares": 2.0}


def held(x, settings, lufs, decisions):
    hops = weighted_hops(x, RATE)
    whole = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
    material = Material(x, RATE, hops, integrated_lufs(hops), [whole])
    evaluator = Evaluator(material, CONFIG.weights, CONFIG.search.drive, CHAIN)
    return evaluator.solve(only_drive_left(settings, decisions), lufs, Guess(), step_db=0.1, hold_dbtp=CEILING_DBTP)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("locked", [False, True])
@pytest.mark.parametrize(("seed", "sound"), list(enumerate(SOUNDS)))
def test_no_file_and_no_setting_passes_the_ceiling(tmp_path, sound, seed, locked, bits):
    x = SOUNDS[sound]().astype(np.float32)
    # A locked limiter ceiling may not be lowered: the trim alone has to do it.
    decisions = parse_decisions([f"limiter.ceiling_dbtp={CEILING_DBTP}"], []) if locked else Decisions()
    solved = held(x, random_settings(10 * seed + bits), LUFS.get(sound, -7.0), decisions)
    assert solved.traces[0]["limiter"].max_db.max() > 0.1
    if locked:
        assert solved.settings["limiter"]["ceiling_dbtp"] == CEILING_DBTP
    heard = with_silence(solved.rendered[0], RATE, solved.settings["output"])
    write_wav(tmp_path / "out.wav", heard, RATE, 1, bits=bits)
    written, _ = soundfile.read(tmp_path / "out.wav", dtype="float64", always_2d=True)
    state = pyebur128.R128State(2, RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(written).reshape(-1), len(written))
    outside = 20.0 * np.log10(max(pyebur128.get_true_peak(state, c) for c in range(2)))
    own = read_true_peak(written, RATE)
    for reading in (outside, own.annex2_dbtp, own.x16_dbtp):
        assert reading <= CEILING_DBTP + 0.02


def test_one_channel_at_96_khz_keeps_it_too():
    x = np.clip(6.0 * noise(3.2, 96000, channels=1, seed=6), -0.9, 0.9).astype(np.float32)
    hops = weighted_hops(x, 96000)
    whole = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
    material = Material(x, 96000, hops, integrated_lufs(hops), [whole])
    evaluator = Evaluator(material, CONFIG.weights, CONFIG.search.drive, CHAIN)
    decisions = parse_decisions([f"limiter.ceiling_dbtp={CEILING_DBTP}", "drive.gain_db=3"], [])
    solved = evaluator.solve(only_drive_left(random_settings(96), decisions), -7.0, Guess(), hold_dbtp=CEILING_DBTP)
    assert solved.traces[0]["limiter"].max_db.max() > 0.1
    assert read_true_peak(solved.rendered[0], 96000).highest_dbtp <= CEILING_DBTP


def test_a_peak_that_the_limiter_misses_is_taken_by_the_trim():
    # Driven 6 dB into a limiter that may not be lowered, full-band noise reads over its ceiling.
    decisions = parse_decisions([f"limiter.ceiling_dbtp={CEILING_DBTP}", "drive.gain_db=6"], [])
    limiter = {"ceiling_dbtp": CEILING_DBTP, "lookahead_ms": 0.5}
    settings = CHAIN.checked({"drive": {}, "limiter": limiter, "output": {}})
    x = SOUNDS["clipped white noise"]().astype(np.float32)
    solved = held(x, settings, -7.0, decisions)
    assert solved.settings["output"]["trim_db"] < 0.0
    heard = integrated_lufs(weighted_hops(solved.rendered[0], RATE))
    assert solved.solution.reached_lufs == pytest.approx(heard, abs=1e-3)
    # What is printed is what is heard.
    again = CHAIN.render(x, RATE, solved.settings).samples
    np.testing.assert_allclose(again, solved.rendered[0], atol=1e-7)
