"""Excerpts: where they lie, why they were chosen, and that no block hears across a splice."""

from itertools import pairwise

import numpy as np
import pyloudnorm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.audio.signals import noise, tones
from autochain.config import read_config
from autochain.config.model import Excerpts
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.movement import contrast_loss_lu
from autochain.search.evaluator import Aim, Evaluator
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import GRID_HOPS, Span, choose_spans
from autochain.solve.material import Material
from autochain.solve.solved import Guess
from tests.levels import at_loudness

RATE = 44100
HOP = RATE // 100
PLAN = Excerpts(count=4, length_s=5.2, preroll_s=2.0)


# Costs of one limiter less those of another: how far excerpts may differ from the song, in their units. Limits of our
# own; with parts that stand out in place of the excerpts, added distortion is beyond its one.
APART = {"added_distortion_nmr_db": 0.3, "contrast_loss_lu": 0.3, "gain_movement_db": 0.1, "crest_loss_db": 0.1}
NOTHING_ELSE = {"bus_work_db": 0.0, "peak_work_db": 0.0, "clip_share": 0.0, "onset_db": 0.0}


def spans_of(samples, plan=PLAN):
    hops = weighted_hops(samples, RATE)
    level = integrated_lufs(hops)
    assert level is not None
    return choose_spans(hops, level, plan)


def material_of(samples, spans):
    hops = weighted_hops(samples, RATE)
    return Material(samples, RATE, hops, integrated_lufs(hops), spans)


@settings(max_examples=30, deadline=None)
@given(
    levels=st.lists(st.floats(-40.0, -6.0), min_size=20, max_size=60),
    count=st.integers(1, 4),
    length=st.sampled_from([3.2, 4.0, 5.2]),
    preroll=st.sampled_from([0.0, 1.2, 2.0]),
)
def test_excerpts_lie_on_the_grid_apart_from_each_other_and_inside_the_song(levels, count, length, preroll):
    samples = np.repeat(10.0 ** (np.array(levels) / 20.0), RATE)[:, None] * noise(len(levels), RATE, 0.0)
    total = len(levels) * 100
    spans = spans_of(samples, Excerpts(count=count, length_s=length, preroll_s=preroll))
    hops = round(length * 100)
    if total < 1.25 * count * hops:
        assert spans == (Span(start_hop=0, stop_hop=total, preroll_hops=0, reason="whole song"),)
        return
    # 400 ms: the gating block of BS.1770-5 Annex 1
    assert GRID_HOPS == 40
    assert 1 <= len(spans) <= count
    for span in spans:
        assert span.start_hop % 40 == 0
        assert span.stop_hop - span.start_hop == hops
        assert span.preroll_hops <= span.start_hop
        assert span.preroll_hops == min(span.start_hop, round(preroll * 100))
        assert span.preroll_hops % 40 == 0
        assert span.stop_hop <= total
    for one, following in pairwise(spans):
        assert one.stop_hop <= following.start_hop
    assert len({s.reason for s in spans}) == len(spans)


def test_every_quarter_of_the_song_by_loudness_sends_its_middle_excerpt():
    """Four levels of noise of 12 s each in no order, and 8 s of near silence, which is no part of the song."""
    levels = (-24.0, -15.0, -27.0, -18.0)
    parts = [at_loudness(noise(12.0, RATE, seed=seed), lufs, RATE) for seed, lufs in enumerate(levels)]
    samples = np.concatenate([noise(8.0, RATE, -80.0), *parts])
    spans = spans_of(samples)
    meter = pyloudnorm.Meter(RATE)
    heard = {s.reason: meter.integrated_loudness(samples[s.start_hop * HOP : s.stop_hop * HOP]) for s in spans}
    for number, lufs in enumerate(sorted(levels), start=1):
        assert heard[f"{number} of 4 from quiet to loud"] == pytest.approx(lufs, abs=1.0)


def test_excerpts_tell_a_fast_limiter_from_a_slow_one_as_the_song_does():
    """A limiter's distortion is paid in the loud parts, its lost contrast between them and the quiet ones."""
    samples = make_demo("dense_rock", RATE, 60.0, 3)
    config = read_config(None, {})
    on_song = Span(start_hop=0, stop_hop=len(weighted_hops(samples, RATE)), preroll_hops=0, reason="whole song")
    apart = {}
    for name, spans in (("song", [on_song]), ("excerpts", spans_of(samples))):
        evaluator = Evaluator(material_of(samples, spans), config.weights, config.search.drive, config.chain_plan)
        fast, slow = (
            evaluator.trial(
                config.search.trade_default.model_copy(
                    update={**NOTHING_ELSE, "limiter_release_ms": release, "limiter_lookahead_ms": 1.5}
                ),
                Decisions(), -1.1, Aim(lufs=-9.0), Guess(),
            )
            for release in (5.0, 300.0)
        )  # fmt: skip
        assert fast.solution.met
        assert slow.solution.met
        apart[name] = {cost: fast.costs.as_dict()[cost] - slow.costs.as_dict()[cost] for cost in APART}
    for cost, within in APART.items():
        assert apart["excerpts"][cost] == pytest.approx(apart["song"][cost], abs=within), cost


def test_a_song_hardly_longer_than_its_excerpts_is_taken_whole():
    # 4 x 5.2 s = 20.8 s; a quarter more is 26 s
    assert [s.reason for s in spans_of(noise(25.9, RATE))] == ["whole song"]
    assert "whole song" not in [s.reason for s in spans_of(noise(26.1, RATE))]


def test_the_whole_song_keeps_its_last_incomplete_hop():
    samples = noise(4.0, RATE)[: 4 * RATE - 100]
    (span,) = spans_of(samples)
    (segment,) = material_of(samples, [span]).segments
    assert segment.samples.shape == samples.shape


def two_levels(first_dbfs, second_dbfs):
    """Thirty seconds of a 1 kHz tone, and two spans of 5.2 s, one in each level."""
    samples = tones([(15.0, first_dbfs), (15.0, second_dbfs)], RATE)
    spans = [
        Span(start_hop=400, stop_hop=920, preroll_hops=200, reason="a"),
        Span(start_hop=2000, stop_hop=2520, preroll_hops=200, reason="b"),
    ]
    return samples, spans


def test_no_gating_block_straddles_a_splice():
    # EBU Tech 3341 v4, case 1: a stereo 1 kHz sine at -23 dBFS reads -23 LUFS. The part 20 dB lower falls under
    # the relative gate; blocks of both together would pass it and read 0.13 LU lower.
    samples, spans = two_levels(-23.0, -43.0)
    material = material_of(samples, spans)
    assert material.input_lufs == pytest.approx(-23.0, abs=0.05)


def test_pooled_loudness_is_that_of_both_excerpts_measured_apart():
    samples, spans = two_levels(-20.0, -26.0)
    material = material_of(samples, spans)
    # Every block passes the gate and both have as many: the mean of two powers, read by another library.
    meter = pyloudnorm.Meter(RATE)
    apart = [meter.integrated_loudness(samples[s.start_hop * HOP : s.stop_hop * HOP]) for s in spans]
    expected = 10.0 * np.log10(np.mean(10.0 ** (np.array(apart) / 10.0)))
    assert material.input_lufs == pytest.approx(expected, abs=0.05)


def test_a_pre_roll_is_rendered_and_never_scored():
    samples = tones([(3.0, -40.0), (1.0, -3.0), (10.0, -40.0)], RATE)
    span = Span(start_hop=480, stop_hop=1000, preroll_hops=200, reason="after the loud part")
    material = material_of(samples, [span])
    (segment,) = material.segments
    assert segment.samples.shape[0] == 720 * HOP  # 2 s before, 5.2 s scored
    assert np.abs(segment.samples).max() == pytest.approx(10.0 ** (-3.0 / 20.0), abs=1e-3)
    assert np.abs(material.inputs).max() == pytest.approx(0.01, abs=1e-4)
    # EBU Tech 3341 v4, case 1, at another level: what is read is the quiet tone alone
    assert material.input_lufs == pytest.approx(-40.0, abs=0.05)


def test_short_term_windows_do_not_straddle_a_splice():
    samples, spans = two_levels(-20.0, -40.0)
    short_term = material_of(samples, spans).input_short_term
    # Windows of 3 s at 100 ms steps: 23 in 5.2 s, and none between the two levels.
    assert short_term.size == 46
    assert set(np.round(short_term).astype(int)) == {-20, -40}


def test_lost_contrast_is_that_of_the_song_and_not_of_its_loud_excerpts():
    # EBU Tech 3342 v4, cases 1 and 2: levels 10 and 5 dB apart have loudness ranges of 10 and 5 LU.
    samples, _ = two_levels(-20.0, -30.0)
    # Two seconds of each: no window of 3 s shows either.
    spans = [Span(start_hop=at, stop_hop=at + 200, preroll_hops=0, reason=f"{at}") for at in (1000, 1800)]
    material = material_of(samples, spans)
    loud, quiet = material.input_hops

    def lost(gain):
        before, after = material.contrast([gain * loud, quiet])
        return contrast_loss_lu([before], [after])

    assert lost(10.0**-0.5) == pytest.approx(5.0, abs=0.1)
    assert lost(1.0) == 0.0
