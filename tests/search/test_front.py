"""The front and the two neighbours, against their definitions; how far trials moved a cost."""

from dataclasses import dataclass, fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from autochain.config import read_config
from autochain.search.costs import COST_NAMES, NO_COSTS, Costs, priced_db, score
from autochain.search.front import GROUPS, by_side, cost_spread, neighbours, non_dominated, objectives

WEIGHTS = read_config().weights


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A trial as far as neighbours are concerned."""

    costs: Costs

    @property
    def score(self) -> float:
        return score(self.costs, WEIGHTS)


def at(**costs):
    """A point with the costs of a plain chain, some of them moved."""
    plain = dict.fromkeys(COST_NAMES, 1.0) | {n: -10.0 for n in COST_NAMES if n.endswith("nmr_db")}
    return Placed(costs=Costs(**{**plain, **costs}))


CHOICE = at()
# A few values only, so that ties and equals are common.
coarse = st.builds(
    lambda values: Placed(costs=Costs(**dict(zip(COST_NAMES, values, strict=True)))),
    st.tuples(
        *(st.sampled_from([-30.0, -15.0, -5.0] if n.endswith("nmr_db") else [0.0, 0.5, 1.0]) for n in COST_NAMES)
    ),
)


@given(st.lists(coarse, max_size=12))
def test_the_front_is_what_nobody_dominates(points):
    """Brute force over the definition: dominated is who has another as good everywhere and better somewhere."""

    def dominates(a, b):
        pairs = list(zip(objectives(a.costs, WEIGHTS), objectives(b.costs, WEIGHTS), strict=True))
        return all(x <= y for x, y in pairs) and any(x < y for x, y in pairs)

    expected = [b for b in points if not any(dominates(a, b) for a in points)]
    assert non_dominated(points, WEIGHTS) == expected
    assert bool(expected) == bool(points)


def test_every_cost_counts_in_one_objective_and_the_objectives_add_up_to_the_score():
    named = [name for names in GROUPS.values() for name in names]
    assert sorted(named) == sorted(f.name for f in fields(Costs))
    assert len(GROUPS) <= 3  # DESIGN: at most three objectives tell neighbours apart
    assert sum(objectives(CHOICE.costs, WEIGHTS)) == pytest.approx(CHOICE.score)


def test_a_dominated_point_is_no_neighbour():
    better = at(onset_loss_db=0.4)
    worse = at(onset_loss_db=0.4, crest_loss_db=1.1)
    assert neighbours(CHOICE, [CHOICE, worse, better], WEIGHTS, 9.0) == {"more_open": better}
    # Nor one that the choice beats everywhere.
    assert neighbours(CHOICE, [CHOICE, at(onset_loss_db=1.6)], WEIGHTS, 9.0) == {}


@pytest.mark.parametrize(("moved_db", "found"), [(0.16, False), (0.17, True)])
def test_less_than_a_quarter_of_a_point_is_no_choice(moved_db, found):
    # 1.5 points a dB of crest, by the weights: a quarter of a point is a sixth of a dB.
    assert WEIGHTS.crest_loss_db == 1.5
    other = at(crest_loss_db=1.0 - moved_db, added_distortion_nmr_db=-9.0)
    assert ("more_open" in neighbours(CHOICE, [CHOICE, other], WEIGHTS, 9.0)) is found


def test_distortion_that_nobody_hears_is_no_choice():
    # From -40 to -55 dB of noise-to-mask: silent both before and after.
    choice, other = at(added_distortion_nmr_db=-40.0), at(added_distortion_nmr_db=-55.0, crest_loss_db=1.01)
    assert priced_db(choice.costs)["added_distortion_nmr_db"] < 0.25
    assert neighbours(choice, [choice, other], WEIGHTS, 9.0) == {}
    loud, less = at(added_distortion_nmr_db=-5.0), at(added_distortion_nmr_db=-8.0, crest_loss_db=1.01)
    assert neighbours(loud, [loud, less], WEIGHTS, 9.0) == {"cleaner": less}


def test_more_open_has_to_lose_less_openness_in_all():
    # 0.6 dB less onset loss, paid with more gain movement than that is worth.
    paid = at(onset_loss_db=0.4, gain_movement_db=1.6)
    assert neighbours(CHOICE, [CHOICE, paid], WEIGHTS, 9.0) == {}


def test_what_is_both_stands_on_both_sides():
    both = at(onset_loss_db=0.2, added_distortion_nmr_db=-12.0, image_shift_db=9.0)
    assert neighbours(CHOICE, [CHOICE, both], WEIGHTS, 9.0) == {"cleaner": both, "more_open": both}


@pytest.mark.parametrize(("within", "found"), [(0.3, False), (0.4, True)])
def test_a_neighbour_costs_no_more_than_stated(within, found):
    # 0.75 a dB of onsets against 1.5 a dB of crest is openness saved; shift costs 0.5 a dB: 0.35 more in all.
    other = at(onset_loss_db=0.4, image_shift_db=2.6)
    assert other.score - CHOICE.score == pytest.approx(0.35)
    assert bool(neighbours(CHOICE, [CHOICE, other], WEIGHTS, within)) is found


def test_the_cheapest_of_a_side_is_taken():
    near, far = at(onset_loss_db=0.4, image_shift_db=2.0), at(onset_loss_db=0.2, image_shift_db=3.0)
    assert neighbours(CHOICE, [CHOICE, far, near], WEIGHTS, 9.0) == {"more_open": near}
    assert by_side(CHOICE, [far, near], WEIGHTS, 9.0) == {"cleaner": [], "more_open": [near, far]}


def test_spread_leaves_out_the_twentieth_at_either_end():
    points = [at(onset_loss_db=k / 100.0) for k in range(101)]
    low, high = cost_spread(points)["onset_loss_db"]
    assert (low, high) == pytest.approx((0.05, 0.95))  # of an even ladder, closed form
    assert cost_spread(points)["crest_loss_db"] == (1.0, 1.0)
    assert cost_spread([]) == {}


def test_nothing_done_costs_nothing_in_the_decibels_that_count():
    # 10 log10(1 + 10**-7.9): the floor of -99 dB under the knee at -20 dB.
    assert max(priced_db(NO_COSTS).values()) == pytest.approx(10.0 * np.log10(1.0 + 10.0**-7.9), abs=1e-12)
