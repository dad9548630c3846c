"""What a linear prediction is learned from, against the sums that define it."""

import numpy as np
import pytest

from autochain.measure.prediction import gram


@pytest.mark.parametrize(("frames", "order"), [(200, 32), (34, 32), (2, 1)])
def test_products_are_those_of_the_sound_with_itself_at_every_pair_of_delays(frames: int, order: int) -> None:
    sound = np.random.default_rng(3).standard_normal(frames)
    delayed = [sound[order - i : frames - i] for i in range(order + 1)]
    expected = [[float(a @ b) for b in delayed] for a in delayed]
    # Sums in another order: rounding of double precision.
    assert gram(sound, order) == pytest.approx(np.array(expected), abs=1e-12 * frames)
