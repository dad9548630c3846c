"""No sound and no settings bring a master over its ceiling."""

from random import Random

import hypothesis
import hypothesis.strategies as st

from tests.hostile.ceilings import held, hostile_master
from tests.hostile.outcomes import REFUSED, RIGHT


@hypothesis.settings(max_examples=80, deadline=None, database=None, derandomize=True)
@hypothesis.given(st.randoms(use_true_random=False))
def test_the_ceiling_is_held_under_attack(chance: Random) -> None:
    assert held(*hostile_master(chance)) in (RIGHT, REFUSED)
