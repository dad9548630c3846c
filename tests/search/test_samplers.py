"""Every sampler keeps the one protocol, and those that model the score beat chance."""

import statistics

import numpy as np
import pytest

from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.config.coordinates import COORDINATES
from autochain.config.model import Coordinates
from autochain.search.descent import DescentSampler
from autochain.search.space import from_vector, removable, to_vector
from autochain.search.tpe import TpeSampler
from autochain.solve.decisions import Decisions

PLAN = read_config().search
RANGES = PLAN.ranges
SIZE = len(Coordinates.model_fields)
STARTUP = 16
ALL = ("tpe", "descent")


class Chance:
    """Even draws in the unit cube: what a sampler has to beat."""

    def __init__(self, seed):
        self._random = np.random.default_rng(seed)

    def ask(self, count):
        return [from_vector(spot, RANGES) for spot in self._random.random((count, SIZE))]

    def tell(self, scores):
        pass


def made(name, seed=1, startup=STARTUP):
    if name == "chance":
        return Chance(seed)
    return DescentSampler(RANGES, seed, Decisions()) if name == "descent" else TpeSampler(RANGES, seed, startup)


def place(point):
    return np.array(to_vector(point, RANGES))


def sphere(x):
    """First test function of De Jong (1975), its bottom 0 moved to 0.3 of every range."""
    return float(np.sum((x - 0.3) ** 2))


def rosenbrock(x):
    """Rosenbrock (1960), in the many-variable form of De Jong's second function; bottom 0 at 1 in every variable.

    The unit cube stands for [-2.048, 2.048], De Jong's range.
    """
    y = 4.096 * x - 2.048
    return float(np.sum(100.0 * (y[1:] - y[:-1] ** 2) ** 2 + (1.0 - y[:-1]) ** 2))


def walked(sampler, function, trials, batch=8):
    """Ask and tell until `trials` are spent; returns every point."""
    points = []
    while len(points) < trials:
        asked = sampler.ask(min(batch, trials - len(points)))
        points += asked
        sampler.tell([function(place(p)) for p in asked])
    return points


@pytest.mark.parametrize("name", ALL)
def test_points_lie_inside_the_ranges_and_as_many_as_asked_for_come(name):
    sampler = made(name)
    # A baseline outside the ranges is a point like any other.
    sampler.known(PLAN.trade_default.model_copy(update={"limiter_release_ms": 1000.0}), 2.0)
    for count in (1, 8, 3, 8, 8, 8, 5, 8, 8):
        asked = sampler.ask(count)
        assert len(asked) == count
        for point in asked:
            for coordinate in Coordinates.model_fields:
                low, high = getattr(RANGES, coordinate)
                assert low <= getattr(point, coordinate) <= high
        sampler.tell([sphere(place(p)) for p in asked])


def test_times_are_drawn_evenly_on_a_log_scale():
    """Before anything is known, half of the draws lie under the geometric mean of a range."""
    drawn = made("tpe", startup=1000).ask(240)
    for coordinate in (c.name for c in COORDINATES if c.scale == "log"):
        low, high = getattr(RANGES, coordinate)
        under = sum(getattr(p, coordinate) < (low * high) ** 0.5 for p in drawn) / len(drawn)
        assert abs(under - 0.5) < 0.13, coordinate  # four standard errors of a fair coin thrown 240 times


@pytest.mark.parametrize("name", ALL)
def test_the_same_seed_and_outcomes_give_the_same_points_and_another_seed_others(name):
    one, same, other = (walked(made(name, seed), sphere, 40) for seed in (3, 3, 4))
    assert one == same
    assert one != other


@pytest.mark.parametrize("name", ALL)
def test_a_sampler_rebuilt_by_replay_goes_on_as_if_nothing_had_happened(name):
    """A resumed run asks and tells again what its journal holds: 37 trials in batches of 8, the last one short."""
    first = made(name)
    told = []

    def follow(sampler, batches):
        sampler.known(PLAN.trade_default, 1.5)
        for batch in batches:
            sampler.ask(len(batch))
            sampler.tell(batch)

    first.known(PLAN.trade_default, 1.5)
    for count in (8, 8, 8, 8, 5):
        told.append([sphere(place(p)) for p in first.ask(count)])
        first.tell(told[-1])
    again = made(name)
    follow(again, told)
    for _ in range(3):
        asked = first.ask(8)
        assert again.ask(8) == asked
        for sampler in (first, again):
            sampler.tell([sphere(place(p)) for p in asked])


@pytest.mark.parametrize("name", ALL)
def test_the_order_in_which_a_batch_is_evaluated_does_not_matter(name):
    def run(order):
        sampler, points = made(name), []
        for _ in range(6):
            asked = sampler.ask(8)
            points += asked
            finished = {k: sphere(place(asked[k])) for k in order}
            sampler.tell([finished[k] for k in range(8)])
        return points

    assert run(range(8)) == run(range(7, -1, -1)) == run((3, 0, 7, 1, 6, 2, 5, 4))


@pytest.mark.parametrize("name", ALL)
def test_samplers_share_no_state(name):
    """Two that take turns give what each gives alone."""
    alone = walked(made(name, 5), sphere, 48)
    sampler, beside, points = made(name, 5), made(name, 6), []
    for _ in range(6):
        asked = sampler.ask(8)
        points += asked
        for which, batch in ((beside, beside.ask(8)), (sampler, asked)):
            which.tell([sphere(place(p)) for p in batch])
    assert points == alone


@pytest.mark.parametrize("name", ALL)
def test_known_points_draw_the_search_to_them(name):
    """With the bottom known beside 15 bad points, the first draws lie nearer to it than chance ones do."""
    bottom = np.full(SIZE, 0.3)
    random = np.random.default_rng(2)

    sampler = made(name)
    for spot in (bottom, *random.random((15, SIZE))):
        sampler.known(from_vector(spot, RANGES), sphere(spot))
    drawn = statistics.mean(float(np.linalg.norm(place(p) - bottom)) for p in sampler.ask(40))
    chance = statistics.mean(np.linalg.norm(random.random((1000, SIZE)) - bottom, axis=1))
    assert drawn < 0.9 * chance


@pytest.mark.parametrize("function", [sphere, rosenbrock])
@pytest.mark.parametrize("name", ALL)
def test_a_sampler_that_models_the_score_beats_chance(name, function):
    """Median of five seeds, 120 points each; uniform draws get 0.43 (sphere) and 1060 (Rosenbrock) there."""

    def best(which):
        found = [min(function(place(p)) for p in walked(made(which, seed), function, 120)) for seed in range(5)]
        return statistics.median(found)

    assert best(name) < 0.5 * best("chance")


@pytest.mark.parametrize("name", ALL)
def test_a_point_out_of_reach_is_avoided(name):
    """Half of the space misses the target, at a penalty; the samplers leave it."""

    def drawn(which):
        sampler, misses = made(which), []
        for _ in range(15):
            asked = sampler.ask(8)
            missed = [place(p)[0] > 0.5 for p in asked]
            misses += missed
            sampler.tell(
                [sphere(place(p)) + 100.0 * m for p, m in zip(asked, missed, strict=True)]
            )
        return sum(misses[-40:])

    assert drawn(name) <= 10 < drawn("chance")


# Local moves.


def test_the_descent_finds_the_bottom_and_drops_what_does_not_help():
    """A bowl in two coordinates whose bottom (closed form) has no transient shaper."""

    def bowl(point):
        return (point.clip_share - 0.3) ** 2 + ((point.bus_work_db - 1.0) / 3.0) ** 2 + 0.1 * (point.onset_db > 0.0)

    start = PLAN.trade_default
    descent = DescentSampler(RANGES, 1, Decisions())
    descent.known(start, bowl(start))
    for _ in range(25):
        descent.tell([bowl(point) for point in descent.ask(8)])
    assert descent.score < 0.01 < bowl(start)
    assert descent.best.onset_db == 0.0


def test_the_descent_never_switches_off_a_locked_stage():
    decisions = Decisions(locks=ChainSettings({"transient": {"window_ms": 40.0}}))
    assert "onset_db" not in removable(PLAN.trade_default, decisions)
    assert "onset_db" in removable(PLAN.trade_default, Decisions())
    descent = DescentSampler(RANGES, 1, decisions)
    descent.known(PLAN.trade_default, 1.0)
    for _ in range(10):
        assert descent.ask(8)[0].onset_db > 0.0  # the first of a batch is the one with a stage switched off
        descent.tell([2.0] * 8)
