"""Every sampler keeps the one protocol, and those that model the score beat chance."""

import statistics

import numpy as np
import pytest
from autochain.search.samplers import make_sampler

from autochain.config import read_config
from autochain.config.model import SAMPLERS, Coordinates
from autochain.errors import ConfigError
from autochain.search.descent import DescentSampler
from autochain.search.optimiser import Outcome
from autochain.search.space import LOG_COORDINATES, from_vector, removable, to_vector
from autochain.search.with_cma import CmaOptimiser, mirrored
from autochain.search.with_nsga import NsgaOptimiser, crowding, ranks
from autochain.solve.decisions import Decisions

PLAN = read_config().search
RANGES = PLAN.ranges
SIZE = len(Coordinates.model_fields)
STARTUP = 16
# The local moves keep the same protocol.
ALL = (*SAMPLERS, "descent")
MODELS = ("tpe", "cma", "nsga", "descent")


def made(name, seed=1, startup=STARTUP):
    if name == "descent":
        return DescentSampler(RANGES, seed, Decisions())
    return make_sampler(name, RANGES, seed, startup)


def place(point):
    return np.array(to_vector(point, RANGES))


def outcome(score, objectives=None, met=True, pruned=False):
    return Outcome(score=score, objectives=objectives or (score,), met=met, pruned=pruned)


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
        sampler.tell([outcome(function(place(p))) for p in asked])
    return points


@pytest.mark.parametrize("name", ALL)
def test_points_lie_inside_the_ranges_and_as_many_as_asked_for_come(name):
    sampler = made(name)
    # A baseline outside the ranges is a point like any other.
    sampler.known(PLAN.trade_default.model_copy(update={"limiter_release_ms": 1000.0}), outcome(2.0))
    for count in (1, 8, 3, 8, 8, 8, 5, 8, 8):
        asked = sampler.ask(count)
        assert len(asked) == count
        for point in asked:
            for coordinate in Coordinates.model_fields:
                low, high = getattr(RANGES, coordinate)
                assert low <= getattr(point, coordinate) <= high
        sampler.tell([outcome(sphere(place(p))) for p in asked])


@pytest.mark.parametrize("name", SAMPLERS)
def test_times_are_drawn_evenly_on_a_log_scale(name):
    """Before anything is known, half of the draws lie under the geometric mean of a range."""
    drawn = made(name, startup=1000).ask(240)
    for coordinate in sorted(LOG_COORDINATES):
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
        sampler.known(PLAN.trade_default, outcome(1.5))
        for batch in batches:
            sampler.ask(len(batch))
            sampler.tell(batch)

    first.known(PLAN.trade_default, outcome(1.5))
    for count in (8, 8, 8, 8, 5):
        told.append([outcome(sphere(place(p))) for p in first.ask(count)])
        first.tell(told[-1])
    again = made(name)
    follow(again, told)
    for _ in range(3):
        asked = first.ask(8)
        assert again.ask(8) == asked
        for sampler in (first, again):
            sampler.tell([outcome(sphere(place(p))) for p in asked])


@pytest.mark.parametrize("name", ALL)
def test_the_order_in_which_a_batch_is_evaluated_does_not_matter(name):
    def run(order):
        sampler, points = made(name), []
        for _ in range(6):
            asked = sampler.ask(8)
            points += asked
            finished = {k: outcome(sphere(place(asked[k]))) for k in order}
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
            which.tell([outcome(sphere(place(p))) for p in batch])
    assert points == alone


@pytest.mark.parametrize("name", MODELS)
def test_known_points_draw_the_search_to_them(name):
    """With the bottom known beside 15 bad points, the first draws lie nearer to it than chance ones do."""
    bottom = np.full(SIZE, 0.3)
    random = np.random.default_rng(2)

    sampler = made(name)
    for spot in (bottom, *random.random((15, SIZE))):
        sampler.known(from_vector(spot, RANGES), outcome(sphere(spot)))
    drawn = statistics.mean(float(np.linalg.norm(place(p) - bottom)) for p in sampler.ask(40))
    chance = statistics.mean(np.linalg.norm(random.random((1000, SIZE)) - bottom, axis=1))
    assert drawn < 0.9 * chance


@pytest.mark.parametrize("function", [sphere, rosenbrock])
@pytest.mark.parametrize("name", MODELS)
def test_a_sampler_that_models_the_score_beats_chance(name, function):
    """Median of five seeds, 120 points each; uniform draws get 0.43 (sphere) and 1060 (Rosenbrock) there."""

    def best(which):
        found = [min(function(place(p)) for p in walked(made(which, seed), function, 120)) for seed in range(5)]
        return statistics.median(found)

    assert best(name) < 0.5 * best("random")


@pytest.mark.parametrize("name", MODELS)
def test_a_point_out_of_reach_is_avoided(name):
    """Half of the space misses the target, at a penalty; the samplers leave it."""

    def drawn(which):
        sampler, misses = made(which), []
        for _ in range(15):
            asked = sampler.ask(8)
            missed = [place(p)[0] > 0.5 for p in asked]
            misses += missed
            sampler.tell(
                [
                    outcome(sphere(place(p)) + 100.0 * m, objectives=(sphere(place(p)), -place(p)[0]), met=not m)
                    for p, m in zip(asked, missed, strict=True)
                ]
            )
        return sum(misses[-40:])

    assert drawn(name) <= 10 < drawn("random")


@pytest.mark.parametrize("name", SAMPLERS)
def test_an_estimate_counts_as_what_it_says(name):
    def run(pruned):
        sampler, points = made(name), []
        for _ in range(5):
            asked = sampler.ask(8)
            points += asked
            sampler.tell([outcome(sphere(place(p)), pruned=pruned) for p in asked])
        return points

    assert run(pruned=True) == run(pruned=False)


def test_an_unknown_sampler_is_refused_with_the_nearest_name(tmp_path):
    with pytest.raises(ConfigError, match=r"search\.sampler is 'cmaa', which is no sampler\. Did you mean cma\?"):
        make_sampler("cmaa", RANGES, 1, 1)
    plan = tmp_path / "mine.toml"
    for given, said in (("nsgaa", "Did you mean nsga?"), ("best", "must be one of tpe, cma, nsga, random.")):
        plan.write_text(f'[search]\nsampler = "{given}"\n', encoding="utf-8")
        with pytest.raises(ConfigError) as refused:
            read_config(plan)
        assert f"mine.toml: search.sampler is '{given}'" in str(refused.value)
        assert str(refused.value).endswith(said)


# CMA-ES.


def test_walls_are_mirrors():
    places = np.array([0.2, -0.2, 1.3, 2.1, -1.9, 0.0, 1.0])
    np.testing.assert_allclose(mirrored(places), [0.2, 0.2, 0.7, 0.1, 0.1, 0.0, 1.0], atol=1e-12)


def test_a_bottom_on_walls_is_found_by_cma():
    """Half of the variables have their bottom on a wall: closed form, 0 there."""
    corner = np.where(np.arange(SIZE) % 2 == 0, 0.0, 0.4)

    def bowl(x):
        return float(np.sum((x - corner) ** 2))

    best = min(bowl(place(p)) for p in walked(made("cma"), bowl, 400))
    assert best < 0.01


def test_cma_starts_anew_elsewhere_once_it_has_stalled():
    sampler = CmaOptimiser(RANGES, 1, spread=0.05)
    points = np.array([place(p) for p in walked(sampler, sphere, 800)])
    away = np.linalg.norm(points - 0.3, axis=1)
    there = int(np.argmin(away))
    assert away[there] < 0.01
    assert away[there:].max() > 0.5


# NSGA-II.


def hypervolume(points, reference):
    """Area between a front of two objectives and a reference point."""
    inside = sorted(p for p in points if p[0] < reference[0] and p[1] < reference[1])
    area, low = 0.0, reference[1]
    for first, second in inside:
        if second < low:
            area += (reference[0] - first) * (low - second)
            low = second
    return area


def test_hypervolume_of_three_points():
    # Public documentation of the general-purpose library Optuna and a sum by hand: 3 + 2 + 1.
    assert hypervolume([(1.0, 3.0), (2.0, 2.0), (3.0, 1.0)], (4.0, 4.0)) == 6.0


def zdt1(x):
    """Zitzler, Deb, Thiele, Evolutionary Computation 8(2), 2000, eq. 7: front f2 = 1 - sqrt(f1) where x2.. are 0."""
    spread = 1.0 + 9.0 * float(np.mean(x[1:]))
    return float(x[0]), spread * (1.0 - float(np.sqrt(x[0] / spread)))


def test_nsga_comes_near_a_known_front_and_chance_does_not():
    # Under the front of ZDT1 lies 1/3 of the unit square (closed form), so the whole front has 2/3 up to (1, 1);
    # up to (1, 4), which a front still far away reaches too, 3 + 2/3.
    def reached(name):
        areas = []
        for seed in range(5):
            sampler, front = made(name, seed), []
            for _ in range(60):
                asked = sampler.ask(8)
                values = [zdt1(place(p)) for p in asked]
                front += values
                sampler.tell([outcome(sum(v), objectives=v) for v in values])
            areas.append(hypervolume(front, (1.0, 4.0)))
        return statistics.median(areas)

    assert reached("nsga") > 3.2
    assert reached("random") < 2.2


def test_fronts_are_the_ones_that_counting_gives():
    random = np.random.default_rng(1)
    values = random.integers(0, 6, (60, 3)).astype(float)
    missed = np.where(random.random(60) < 0.3, random.integers(100, 110, 60), -np.inf)
    rank = ranks(values, missed)

    def beats(i, j):
        if missed[i] != missed[j]:
            return missed[i] < missed[j]
        return all(values[i] <= values[j]) and any(values[i] < values[j])

    for j in range(60):
        above = [rank[i] for i in range(60) if beats(i, j)]
        assert rank[j] == (max(above) + 1 if above else 0)


def test_crowding_is_the_sum_of_the_gaps_between_the_neighbours():
    # Eq. of section III-B of the paper by hand: inner points (2/4 + 2/4) and (3/4 + 3/4).
    front = np.array([(0.0, 4.0), (1.0, 3.0), (2.0, 2.0), (4.0, 0.0)])
    np.testing.assert_allclose(crowding(front), [np.inf, 1.0, 1.5, np.inf])


def test_nsga_takes_no_objective_that_stands_still():
    sampler = NsgaOptimiser(RANGES, 1, 4)
    for _ in range(4):
        sampler.tell([outcome(1.0, objectives=(1.0, 0.0, 2.0)) for _ in sampler.ask(8)])
    assert len(sampler.ask(8)) == 8


# Local moves.


def test_the_descent_finds_the_bottom_and_drops_what_does_not_help():
    """A bowl in two coordinates whose bottom (closed form) has no transient shaper."""

    def bowl(point):
        return (point.clip_share - 0.3) ** 2 + ((point.bus_work_db - 1.0) / 3.0) ** 2 + 0.1 * (point.onset_db > 0.0)

    start = PLAN.trade_default
    descent = DescentSampler(RANGES, 1, Decisions())
    descent.known(start, outcome(bowl(start)))
    for _ in range(25):
        descent.tell([outcome(bowl(point)) for point in descent.ask(8)])
    assert descent.score < 0.01 < bowl(start)
    assert descent.best.onset_db == 0.0


def test_the_descent_never_switches_off_a_locked_stage():
    decisions = Decisions(locks={"transient": {"window_ms": 40.0}})
    assert "onset_db" not in removable(PLAN.trade_default, decisions)
    assert "onset_db" in removable(PLAN.trade_default, Decisions())
    descent = DescentSampler(RANGES, 1, decisions)
    descent.known(PLAN.trade_default, outcome(1.0))
    for _ in range(10):
        assert descent.ask(8)[0].onset_db > 0.0  # the first of a batch is the one with a stage switched off
        descent.tell([outcome(2.0)] * 8)
