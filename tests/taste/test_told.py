"""What choices tell: the sentences, when there are too few, and what is never claimed."""

import pytest
import scipy.stats

from autochain.search.costs import COST_NAMES
from autochain.sheet.words import COSTS
from autochain.taste import told
from autochain.taste.told import _LET, LEAST_CHOICES, default_weights
from tests.taste.blind import choice, choices_of, version

GRIT, MOVEMENT = "added_distortion_nmr_db", "gain_movement_db"


def test_weights_that_differ_are_told_with_their_figures():
    found = told(choices_of({GRIT: 3.0, MOVEMENT: 0.5}, 150))
    assert found.enough
    assert found.count == 150
    assert set(found.costs) == {GRIT, MOVEMENT}
    assert found.sentences[0] == "You accept gain movement before you accept added distortion."
    own = found.intervals[GRIT]
    assert 1.0 < own.low < own.times < own.high
    assert found.sentences[1] == (
        f"Added distortion weighs {own.times:.1f} times what it does by default, {own.low:.1f} to {own.high:.1f}, "
        "from 150 choices."
    )
    assert found.weights.added_distortion_nmr_db == pytest.approx(own.times, abs=1e-3)


def test_the_fit_is_taken_as_a_whole_or_not_at_all():
    default = default_weights()
    found = told(choices_of({GRIT: 5.0}, 100))
    assert found.costs
    for name, own in found.intervals.items():
        expected = getattr(default, name) * (own.times if own.compared else 1.0)
        assert getattr(found.weights, name) == pytest.approx(expected, abs=1e-3), name
    assert any(remark.startswith("The weights of ") for remark in found.remarks)
    nothing = told(choices_of({}, 30))
    assert nothing.costs == ()
    assert nothing.weights == default
    assert any(own.times != 1.0 for own in nothing.intervals.values())


@pytest.mark.parametrize(("count", "words"), [(0, "There are no choices"), (1, "There is 1 choice"), (19, "are 19")])
def test_from_fewer_than_twenty_nothing_is_told(count, words):
    found = told(choices_of({GRIT: 50.0}, count))
    assert not found.enough
    assert found.count == count
    assert found.weights == default_weights()
    assert found.intervals == {}
    assert words in found.sentences[0]
    assert "From fewer than 20 nothing is told." in found.sentences[0]


def test_versions_that_hardly_differ_do_not_count():
    alike = [choice(version("a", crest_loss_db=0.1), version("b")) for _ in range(50)]  # 0.15 points
    found = told([*alike, *choices_of({}, LEAST_CHOICES - 1)])
    assert found.count == LEAST_CHOICES - 1
    assert not found.enough


def test_costs_in_which_versions_did_not_differ_keep_the_interval_of_the_prior():
    found = told(choices_of({GRIT: 4.0}, 80))
    for name in ("image_shift_db", "tilt_shift_db"):
        own = found.intervals[name]
        assert not own.compared
        assert not own.told
        # A factor of two for a standard deviation, 1.96 of them.
        assert (own.low, own.times, own.high) == pytest.approx((2.0**-1.96, 1.0, 2.0**1.96), rel=1e-3)
    assert "The versions differed too little in width moved and tilt moved to tell anything of it." in found.remarks


def test_choices_between_the_same_two_versions_count_as_one():
    made = choices_of({GRIT: 5.0}, 19)
    again = [choice(made[0].second, made[0].first, "second", made[0].mix_sha256[0])] * 5
    assert told([*made, *again]).count == 19
    assert not told([*made, *again]).enough
    on_another_mix = made[0].model_copy(update={"mix_sha256": "b" * 64})
    assert told([*made, on_another_mix]).count == 20


def test_versions_that_differ_in_one_cost_tell_nothing_of_it():
    found = told([choice(version("a", crest_loss_db=2.0 + 0.01 * k), version("b"), "second") for k in range(40)])
    assert found.enough
    assert found.costs == ()
    assert found.sentences == ("Nothing is told yet: 40 choices set no weight apart from its default.",)
    assert "crest lost" not in found.remarks[0]


def test_costs_without_a_price_stay_without_one():
    found = told(choices_of({GRIT: 5.0}, 60))
    assert "added_distortion_low_nmr_db" not in found.intervals
    assert found.weights.added_distortion_low_nmr_db == 0.0


@pytest.mark.parametrize("coin", [False, True], ids=["shares the defaults", "tosses a coin"])
def test_who_differs_in_nothing_is_seldom_told_anything(coin):
    said = [bool(told(choices_of({}, 40, seed, coin=coin)).costs) for seed in range(40)]
    # At 5 in 100, four or more of 40 come in 14 of 100 such tests, six or more in 1 of 100.
    assert scipy.stats.binom.sf(5, 40, 0.05) < 0.02
    assert sum(said) <= 5


def test_the_same_choices_in_another_order_tell_the_same():
    made = choices_of({GRIT: 4.0}, 60)
    one, two = told(made), told(made[::-1])
    assert one.weights.model_dump() == pytest.approx(two.weights.model_dump(), abs=2e-3)
    assert one.sentences == two.sentences
    assert told(made) == one


def test_every_cost_that_is_weighed_has_its_words():
    weighed = {name for name in COST_NAMES if getattr(default_weights(), name) > 0.0}
    assert set(_LET) == weighed
    assert weighed <= set(COSTS)
