"""What every stage of the chain promises, whatever it does."""

from itertools import pairwise

import hypothesis
import hypothesis.strategies as st
import numpy as np
import pytest

from autochain.audio.signals import pink_noise
from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.settings import NOTHING_SET, StageSettings
from autochain.chain.stage import TRACE_HZ
from autochain.errors import ParameterError

RATE = 44100
FRAMES = 30_011  # no multiple of any block
# Settings under which every stage has work to do on NOISE.
ACTIVE = {
    "rotation": {"angle_deg": 70.0},
    "equaliser": {"band1_freq_hz": 300.0, "band1_gain_db": -2.0, "band2_freq_hz": 4000.0, "band2_gain_db": 1.5},
    "dynamic_bell": {"band1_freq_hz": 1000.0, "band1_threshold_db": -40.0, "band1_range_db": -6.0},
    "bus_compressor": {"threshold_db": -25.0, "ratio": 3.0},
    "peak_compressor": {"threshold_db": -20.0},
    "tone": {"band1_freq_hz": 3000.0, "band1_gain_db": 1.0},
    "drive": {"gain_db": 3.0},
    "clipper": {"ceiling_dbfs": -9.0, "softness": 40.0},
    "transient": {"onset_db": 3.0, "body_db": -2.0},
    "limiter": {"ceiling_dbtp": -12.0},
    "output": {"trim_db": -0.5, "fade_in_ms": 40.0, "fade_out_ms": 60.0},
}
# Beside the numbers: every word of every choice, on top of the settings above.
VARIANTS = [(name, settings) for name, settings in ACTIVE.items() if name in STAGES] + [
    (stage.name, {**ACTIVE[stage.name], parameter.name: word})
    for stage in STAGES.values()
    for parameter in (*stage.parameters, *(stage.parameter(f"band1_{p.name}") for p in stage.band))
    for word in parameter.choices
    if word != parameter.default
]
IDS = [f"{name}-{'-'.join(f'{k}={v}' for k, v in settings.items())}" for name, settings in VARIANTS]


@pytest.fixture(scope="module")
def noise():
    """Pink noise with a few hits and a silence in it."""
    x = pink_noise(FRAMES / RATE, RATE, -18.0)
    for at in (4000, 15_000, 22_222):
        x[at : at + 400] *= np.linspace(4.0, 1.0, 400)[:, None]
    x[9000:12_000] = 0.0
    return x.astype(np.float32)


def cut(runner, x, edges):
    """Output of a runner whose input is cut at `edges`."""
    pieces = [runner.push(x[a:b].copy()) for a, b in pairwise(edges)]
    return np.concatenate([*pieces, runner.finish()])


def test_every_stage_is_listed_here():
    assert set(ACTIVE) == set(STAGES)


@pytest.mark.parametrize(("name", "settings"), VARIANTS, ids=IDS)
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_where_a_stream_is_cut_changes_no_bit(noise, name, settings, dtype):
    stage, x = STAGES[name], noise.astype(dtype)
    settings = stage.checked(settings)
    whole = stage.process(x, RATE, settings)
    assert whole.samples.shape == x.shape
    assert whole.samples.dtype == dtype
    assert not np.array_equal(whole.samples, x)
    plans = (
        [0, 0, 1, 2, 9, 9, 16, 4097, 12_345, FRAMES],
        [*range(0, FRAMES, 4096), FRAMES],
        [0, FRAMES, FRAMES],
        [*range(0, 700, 7), FRAMES - 1, FRAMES],
    )
    for edges in plans:
        runner = stage.start(RATE, 2, settings)
        assert np.array_equal(cut(runner, x, edges), whole.samples)
        if whole.trace is None:
            assert runner.trace is None
        else:
            np.testing.assert_array_equal(runner.trace.max_db, whole.trace.max_db)
            np.testing.assert_array_equal(runner.trace.mean_db, whole.trace.mean_db)


@pytest.mark.parametrize(("name", "settings"), VARIANTS, ids=IDS)
def test_nothing_is_known_earlier_than_the_stated_latency(noise, name, settings):
    stage = STAGES[name]
    settings = stage.checked(settings)
    latency = stage.latency_samples(RATE, settings)
    changed_at = 20_000
    other = noise.copy()
    other[changed_at:] = pink_noise((FRAMES - changed_at) / RATE, RATE, -6.0, seed=9)[: FRAMES - changed_at]
    first, second = (stage.process(x, RATE, settings).samples for x in (noise, other))
    # Filters by transform round to their block's largest value, so a last bit may move anywhere in a block.
    moved = np.flatnonzero(np.abs(first - second).max(axis=1) > 1e-6)
    assert moved[0] >= changed_at - latency


@pytest.mark.parametrize(("name", "settings"), VARIANTS, ids=IDS)
def test_silence_stays_silence_and_the_input_is_left_alone(noise, name, settings):
    stage = STAGES[name]
    settings = stage.checked(settings)
    quiet = np.zeros((5000, 2), np.float32)
    done = stage.process(quiet, RATE, settings)
    assert not done.samples.any()
    if done.trace is not None:
        assert not done.trace.max_db.any()
        assert len(done.trace.max_db) == len(done.trace.mean_db) == -(-5000 // (RATE // TRACE_HZ))
    before = noise.copy()
    stage.process(noise, RATE, settings)
    assert np.array_equal(noise, before)


@pytest.mark.parametrize(("name", "settings"), VARIANTS, ids=IDS)
def test_channels_are_treated_alike(noise, name, settings):
    stage = STAGES[name]
    settings = stage.checked(settings)
    if any(v in ("left", "right") for _, v in settings.items()):
        pytest.skip("set for one side")
    there = stage.process(noise, RATE, settings).samples
    swapped = stage.process(np.ascontiguousarray(noise[:, ::-1]), RATE, settings).samples[:, ::-1]
    np.testing.assert_allclose(swapped, there, atol=5e-7)  # float32 transforms: two roundings


@pytest.mark.parametrize("name", STAGES)
def test_neutral_is_the_identity_bit_for_bit(noise, name):
    stage = STAGES[name]
    settings = stage.checked(stage.neutral)
    assert np.array_equal(stage.process(0.5 * noise, RATE, settings).samples, 0.5 * noise)
    one = np.ascontiguousarray(0.5 * noise[:, :1])
    assert np.array_equal(stage.process(one, RATE, settings).samples, one)


@pytest.mark.parametrize("name", STAGES)
def test_no_setting_inside_its_range_gives_nan(noise, name):
    stage = STAGES[name]
    base = stage.checked(ACTIVE[name])
    loud = noise[:9000] * np.float32(8.0)
    for parameter in stage.of(base):
        for value in parameter.choices or (parameter.low, parameter.high):
            done = stage.process(loud, RATE, base.with_({parameter.name: value}))
            assert np.isfinite(done.samples).all(), (parameter.name, value)
            if done.trace is not None:
                assert np.isfinite(done.trace.max_db).all()
                assert np.isfinite(done.trace.mean_db).all()


@pytest.mark.parametrize("name", STAGES)
@hypothesis.settings(max_examples=12, derandomize=True, deadline=None)
@hypothesis.given(data=st.data())
def test_any_setting_and_any_cut_give_finite_samples_and_the_same_bits(noise, name, data):
    stage, x = STAGES[name], noise[:9000]
    base = stage.checked(ACTIVE[name])
    values = {p.name: st.sampled_from(p.choices) if p.choices else st.floats(p.low, p.high) for p in stage.of(base)}
    at = stage.rounded(StageSettings({name: data.draw(own, label=name) for name, own in values.items()}))
    try:
        whole = stage.process(x, RATE, at).samples
    except ParameterError:  # two values that exclude each other, told in a line
        hypothesis.reject()
    assert np.isfinite(whole).all()
    edges = sorted(data.draw(st.lists(st.integers(0, len(x)), max_size=5), label="cuts"))
    assert np.array_equal(cut(stage.start(RATE, 2, at), x, [0, *edges, len(x)]), whole)


def test_the_whole_chain_in_blocks_is_the_whole_chain(noise):
    settings = DEFAULT.checked({name: ACTIVE[name] for name in STAGES})
    whole = DEFAULT.render(noise, RATE, settings)
    runner = DEFAULT.stream(RATE, 2, settings)
    blocks = [noise[a:b] for a, b in pairwise([0, 5, 5000, 5001, 17_000, FRAMES])]
    assert np.array_equal(np.concatenate(list(runner.run(blocks))), whole.samples)
    assert set(runner.traces) == set(whole.traces)
    for name, trace in runner.traces.items():
        np.testing.assert_array_equal(trace.max_db, whole.traces[name].max_db)


def test_a_chain_without_a_stage_passes_blocks_through(noise):
    runner = DEFAULT.stream(RATE, 2, NOTHING_SET)
    assert np.array_equal(np.concatenate(list(runner.run([noise[:10], noise[10:]]))), noise)
