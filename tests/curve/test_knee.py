import numpy as np
import pytest

from autochain.curve.knee import chord_distance, find_knee, slopes_at


def test_the_point_furthest_from_the_chord_is_the_published_one_of_a_convex_front() -> None:
    # f2 = (1 - sqrt f1)^2: the distance at a right angle is (1 - f1 - f2)/sqrt 2 (Das 1999, from memory), which
    # is 2 (sqrt f1 - f1)/sqrt 2, greatest at f1 = f2 = 1/4, where it is 1/(2 sqrt 2). Closed form.
    f1 = np.linspace(0.0, 1.0, 101)
    f2 = (1.0 - np.sqrt(f1)) ** 2
    distance = chord_distance(f1, f2) / np.sqrt(2.0)
    assert f1[np.argmax(distance)] == pytest.approx(0.25)
    assert f2[np.argmax(distance)] == pytest.approx(0.25)
    assert distance.max() == pytest.approx(1.0 / (2.0 * np.sqrt(2.0)), abs=1e-12)


def test_the_point_furthest_from_the_chord_is_the_published_one_of_a_saturating_curve() -> None:
    # y = 5 - 1/(x + 0.1) on ten points of 0 .. 1: knee at x = 0.2222 with a difference of 0.5364, the example of
    # Satopaa, Albrecht, Irwin, Raghavan, "Finding a 'kneedle' in a haystack", ICDCSW 2011.
    x = np.linspace(0.0, 1.0, 10)
    distance = chord_distance(x, 5.0 - 1.0 / (x + 0.1))
    assert x[np.argmax(distance)] == pytest.approx(0.2222, abs=1e-4)
    assert distance.max() == pytest.approx(0.5364, abs=1e-4)


@pytest.mark.parametrize(("first", "last"), [(-14.0, -6.0), (-13.0, -6.0), (-14.0, -7.0), (-12.0, -4.0)])
def test_the_knee_of_two_lines_is_where_they_join_whatever_ends_are_shown(first: float, last: float) -> None:
    # Closed form: 0.4 per LU up to -9.1, 1.3 beyond.
    x = np.arange(first, last + 0.5)
    y = 0.4 * (x - first) + 0.9 * np.maximum(0.0, x + 9.1)
    knee = find_knee(x.tolist(), y.tolist())
    assert knee is not None
    assert knee.at == pytest.approx(-9.1, abs=0.011)
    assert (knee.below, knee.above) == pytest.approx((0.4, 1.3), abs=0.01)
    assert knee.high - knee.low < 0.02


def test_the_chord_moves_with_the_ends_shown_where_the_join_does_not() -> None:
    def both(last: float) -> tuple[float, float]:
        x = np.arange(-14.0, last + 0.5)
        knee = find_knee(x.tolist(), (0.2 * np.maximum(0.0, x + 9.0) ** 2).tolist())
        assert knee is not None
        return knee.at, knee.chord_at

    # Of a rise that goes on and on both move; the range that is told beside the join owns up to it.
    near, far = both(-6.0), both(-2.0)
    assert far[1] > near[1]
    assert far[0] > near[0]


def test_one_line_and_a_cost_that_gets_flatter_have_no_knee() -> None:
    x = np.arange(-14.0, -5.5)
    assert find_knee(x.tolist(), (0.5 * x).tolist()) is None
    assert find_knee(x.tolist(), np.sqrt(x + 14.0).tolist()) is None
    assert find_knee(x.tolist(), np.zeros(x.size).tolist()) is None


def test_fewer_than_five_points_have_no_knee() -> None:
    assert find_knee([-9.0, -8.0, -7.0, -6.0], [0.0, 0.0, 1.0, 2.0]) is None


def test_noise_on_two_lines_moves_the_knee_by_less_than_a_step() -> None:
    x = np.arange(-14.0, -5.5)
    y = 0.4 * (x + 14.0) + 0.9 * np.maximum(0.0, x + 9.1)
    noise = np.random.default_rng(1).normal(0.0, 0.05, (20, x.size))
    found = [find_knee(x.tolist(), (y + one).tolist()) for one in noise]
    assert all(knee is not None and abs(knee.at + 9.1) < 0.5 for knee in found)


def test_slopes_at_a_given_join_are_those_of_the_lines() -> None:
    x = np.arange(-14.0, -5.5)
    assert slopes_at(x.tolist(), (np.maximum(0.0, x + 9.0) * 2.0 + x).tolist(), -9.0) == pytest.approx((1.0, 3.0))


def bend(kind: str, x: np.ndarray) -> np.ndarray:
    """Costs that rise; names with a corner have it at -9.1."""
    at = x - x[0]
    return {
        "corner, 0.4 to 1.3 a LU": 0.4 * at + 0.9 * np.maximum(0.0, x + 9.1),
        "corner, 0.3 to 2.0 a LU": 0.3 * at + 1.7 * np.maximum(0.0, x + 9.1),
        "parabola": 0.15 * at**2,
        "exponential": 0.3 * np.exp(0.45 * at),
        "bend 4 LU wide": 0.3 * at + 2.4 * np.log1p(np.exp((x + 9.3) / 2.0)),
    }[kind]


@pytest.mark.parametrize(
    ("kind", "told", "most_wrong"),
    [
        ("corner, 0.4 to 1.3 a LU", True, 0.1),
        ("corner, 0.3 to 2.0 a LU", True, 0.05),
        ("parabola", False, 0.02),
        ("exponential", False, 0.02),
        ("bend 4 LU wide", False, 0.15),
    ],
)
@pytest.mark.parametrize("count", [9, 17])
def test_a_corner_is_told_from_a_gradual_bend(kind: str, told: bool, most_wrong: float, count: int) -> None:
    """Scores that scatter by 0.1, as far as a dent may go; shares of 200 draws. Shares: a limit of this project."""
    x = np.linspace(-13.0, -5.0, count)
    noise = np.random.default_rng(2).normal(0.0, 0.1, (200, count))
    found = [find_knee(x.tolist(), (bend(kind, x) + one).tolist()) for one in noise]
    wrong = np.mean([knee is None or knee.corner != told for knee in found])
    assert wrong <= most_wrong


@pytest.mark.parametrize("kind", ["corner, 0.4 to 1.3 a LU", "parabola", "exponential", "bend 4 LU wide"])
def test_without_scatter_it_is_right_every_time(kind: str) -> None:
    for count in (6, 9, 17):
        knee = find_knee((x := np.linspace(-13.0, -5.0, count)).tolist(), bend(kind, x).tolist())
        assert knee is not None
        assert knee.corner == kind.startswith("corner")
