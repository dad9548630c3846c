"""Least squares over a few bounded numbers: steps of Levenberg and Marquardt, slopes by differences."""

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def least_squares(
    error: Callable[[Floats], Floats],
    start: Sequence[float] | Floats,
    bounds: Sequence[tuple[float, float]],
    steps: Sequence[float],
    rounds: int = 20,
    enough: float = 1e-3,
) -> tuple[Floats, Floats]:
    """Find the numbers whose errors have the least sum of squares near a start.

    Parameters
    ----------
    error
        Errors of a point, one array of a fixed size.
    start, bounds
        Where to begin, and lowest and highest of every number.
    steps
        Differences that slopes are taken over, one a number.
    rounds, enough
        Ends after so many rounds, or when the sum of squares fell by less than this share in one.

    Returns
    -------
    The point and its errors.
    """
    low, high = np.array(bounds, dtype=np.float64).T
    h = np.array(steps)
    x = np.clip(np.array(start, dtype=np.float64), low, high)
    e = error(x)
    damping = 1e-2
    for _ in range(rounds):
        slopes = np.empty((e.size, x.size))
        for k in range(x.size):
            moved = x.copy()
            moved[k] += h[k] if x[k] + h[k] <= high[k] else -h[k]
            slopes[:, k] = (error(moved) - e) / (moved[k] - x[k])
        before = float(e @ e)
        for _ in range(6):
            # In units of the steps, so that numbers of every size are damped alike.
            scaled = slopes * h
            normal = scaled.T @ scaled
            normal[np.diag_indices(x.size)] *= 1.0 + damping
            normal[np.diag_indices(x.size)] += 1e-12
            tried = np.clip(x - h * np.linalg.solve(normal, scaled.T @ e), low, high)
            errors = error(tried)
            if errors @ errors < before:
                x, e, damping = tried, errors, 0.2 * damping
                break
            damping *= 6.0
        else:
            return x, e
        if before - float(e @ e) < enough * before:
            return x, e
    return x, e
