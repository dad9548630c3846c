"""No sound and no settings bring a master over its ceiling."""

from random import Random

import hypothesis
import hypothesis.strategies as st

from tests.hostile.ceilings import held, hostile_master
from tests.hostile.outcomes import REFUSED, RIGHT


@hypothesis.settings(max_examples=80, deadline=None, database=None, derandomize=True)
@hypothesis.given(st.integers(0, 2**64 - 1))
def test_the_ceiling_is_held_under_attack(seed: int) -> None:
    assert held(*hostile_master(Random(seed))) in (RIGHT, REFUSED)
