"""Counts of gating blocks against the blocks themselves."""

import numpy as np
import pytest

from autochain.measure.loudness import gated_lufs, lufs_to_power
from autochain.measure.loudness_histogram import LoudnessHistogram, gating_block_levels


@pytest.mark.parametrize("seed", range(8))
def test_counts_read_as_the_blocks_do(seed: int) -> None:
    # BS.1770-5 Annex 1 on all blocks at once. A step of 0.001 LU moves a block by half of it; a block at the gate may
    # fall on the other side, one of 5000 that lie 10 LU under the mean.
    generator = np.random.default_rng(seed)
    songs = [10.0 ** (generator.normal(-generator.uniform(8.0, 30.0), 8.0, 5000) / 10.0) for _ in range(4)]
    pool = LoudnessHistogram()
    for song in songs:
        pool.push(gating_block_levels(song))
    assert pool.lufs() == pytest.approx(gated_lufs(np.concatenate(songs)), abs=0.001)


def test_the_order_changes_nothing() -> None:
    songs = [gating_block_levels(np.random.default_rng(seed).uniform(0.0, 0.1, 300)) for seed in range(3)]
    one, other = LoudnessHistogram(), LoudnessHistogram()
    for song in songs:
        one.push(song)
    for song in reversed(songs):
        other.push(song)
    assert one.lufs() == other.lufs()


def test_silence_has_no_loudness_and_what_is_not_above_the_first_gate_is_left_out() -> None:
    pool = LoudnessHistogram()
    pool.push(gating_block_levels(np.array([0.0, lufs_to_power(-70.5)])))
    assert pool.lufs() is None
    pool.push(gating_block_levels(np.array([lufs_to_power(-20.0)])))
    assert pool.lufs() == pytest.approx(-20.0, abs=0.0005)
