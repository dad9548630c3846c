"""Sound around instants, however it is cut into blocks."""

import numpy as np
import pytest

from autochain.measure.around import sound_around


@pytest.mark.parametrize("parts", [1, 7, 100])
def test_the_sound_around_is_itself_and_silence_beyond_the_ends(parts: int) -> None:
    sound = np.arange(1.0, 401.0).reshape(200, 2)
    found = sound_around(np.array_split(sound, parts), [3, 100, 198], 10)
    assert np.array_equal(found[1], sound[90:110])
    assert np.array_equal(found[0], np.concatenate([np.zeros((7, 2)), sound[:13]]))
    assert np.array_equal(found[2], np.concatenate([sound[188:], np.zeros((8, 2))]))
