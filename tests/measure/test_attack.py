"""Loss of a hit's step in energy."""

import numpy as np
import pytest

from autochain.audio.signals import noise
from autochain.measure.attack import AttackReference

RATE_HZ = 48000
PERIOD, HITS, LENGTH = RATE_HZ // 2, 7, 4 * RATE_HZ  # a hit every half second
LOUD = np.ones(400, dtype=bool)


def hits(early_share=0.0, late_ms=0.0):
    """Bursts of 150 ms at 1 kHz over noise 30 dB lower; a share of the energy of 10 ms comes before each."""
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    burst = np.sin(2.0 * np.pi * 1000.0 * t)
    early = np.sqrt(early_share) * burst[: RATE_HZ // 100]
    samples = np.zeros(LENGTH)
    for k in range(1, HITS + 1):
        start = k * PERIOD
        late = round(late_ms * 1e-3 * RATE_HZ)
        samples[start + late : start + late + burst.size] += burst
        samples[start - early.size : start] += early
    return (samples[:, None] + noise(4.0, RATE_HZ, -33.0, seed=5, channels=1)).astype(np.float32)


def test_every_hit_is_found_and_loses_nothing_against_itself():
    reference = AttackReference(hits(), RATE_HZ, LOUD)
    assert reference.onsets == HITS
    assert reference.loss_db(hits()) == 0.0
    assert reference.loss_db(-hits()) == 0.0


def test_energy_that_comes_early_is_what_the_step_loses():
    # Closed form: before 0.001 of the burst's mean square (30 dB under it), then 0.001 + 0.01; the floor of 40 dB
    # under the mean, 0.5 * 0.15 / 0.5 s, is 2e-5 of a burst's 0.5.
    reference = AttackReference(hits(), RATE_HZ, LOUD)
    expected = 10.0 * np.log10((0.001 + 0.01) / 0.001)
    assert reference.loss_db(hits(early_share=0.01)) == pytest.approx(expected, abs=0.3)  # noise of 10 ms


def test_what_comes_late_is_missing_after_the_hit():
    # Closed form: of the 10 ms after it a hit that is 5 ms late fills half.
    reference = AttackReference(hits(), RATE_HZ, LOUD)
    assert reference.loss_db(hits(late_ms=5.0)) == pytest.approx(10.0 * np.log10(2.0), abs=0.1)


def test_only_loud_hops_count():
    quiet = LOUD.copy()
    quiet[120:] = False
    assert AttackReference(hits(), RATE_HZ, quiet).onsets == 2
    assert AttackReference(hits(), RATE_HZ, np.zeros(400, dtype=bool)).loss_db(hits(late_ms=5.0)) == 0.0
    assert AttackReference(np.zeros((RATE_HZ, 2), dtype=np.float32), RATE_HZ, LOUD).onsets == 0
