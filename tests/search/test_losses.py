"""A solve starts where solved trials let expect its drive."""

import numpy as np
import pytest

from autochain.config import read_config
from autochain.search.losses import Losses
from autochain.search.space import from_vector, to_vector
from autochain.solve.drive import Solution
from autochain.solve.solved import Guess

PLAN = read_config().search
SIZE = len(to_vector(PLAN.trade_default, PLAN.ranges))


def solution(*, met=True, slope=0.6):
    return Solution(drive_db=5.0, reached_lufs=-9.0, met=met, slope=slope, renders=1)


def lost_db(point):
    """A plane in two coordinates (closed form)."""
    place = to_vector(point, PLAN.ranges)
    return 1.0 + 2.0 * place[10] - 0.5 * place[9]


def points(count, seed):
    return [from_vector(place, PLAN.ranges) for place in np.random.default_rng(seed).random((count, SIZE))]


def errors_db(losses, asked):
    guesses = losses.guesses(asked)
    return [abs(guess.loss_db - lost_db(point)) for guess, point in zip(guesses, asked, strict=True)]


def test_nothing_solved_is_the_usual_guess_and_a_miss_says_nothing():
    losses = Losses(PLAN.ranges)
    assert losses.guesses(points(2, 1)) == [Guess(), Guess()]
    losses.add(PLAN.trade_default, solution(met=False), 20.0)
    assert losses.guesses(points(2, 1)) == [Guess(), Guess()]
    assert losses.learned() is None


def test_one_solve_is_the_guess_everywhere():
    losses = Losses(PLAN.ranges)
    losses.add(PLAN.trade_default, solution(slope=0.4), 3.0)
    assert losses.guesses(points(1, 1)) == [Guess(loss_db=3.0, slope=0.4)]


def test_forty_solves_tell_the_next_ones_within_a_tenth():
    losses = Losses(PLAN.ranges)
    for start in range(0, 40, 8):  # as a search asks: the model learns from batch to batch
        batch = points(8, start)
        losses.guesses(batch)
        for point in batch:
            losses.add(point, solution(), lost_db(point))
    assert max(errors_db(losses, points(20, 99))) < 0.1


def test_what_an_earlier_search_learned_holds_but_for_what_differs():
    earlier = Losses(PLAN.ranges)
    for point in points(40, 2):
        earlier.add(point, solution(), lost_db(point) - 1.5)
    later = Losses(PLAN.ranges, earlier.learned())
    alone = Losses(PLAN.ranges)
    for point in points(2, 3):
        for losses in (later, alone):
            losses.add(point, solution(), lost_db(point))
    asked = points(20, 99)
    assert max(errors_db(later, asked)) < 0.2 < 0.5 * max(errors_db(alone, asked))
    assert np.median(errors_db(later, asked)) == pytest.approx(0.0, abs=0.1)
