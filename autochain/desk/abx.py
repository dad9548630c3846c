"""Whether two versions can be told apart: X is one of them, the listener says which, and chance says as much at times.

How likely it is that somebody who guesses gets as many right, or more, is the upper tail of the binomial distribution
with one half: ``sum over k from r to n of C(n, k) / 2^n``. Stopping as soon as that looks good misleads; the number of
rounds is chosen before.
"""

import math

from autochain.errors import UsageError
from autochain.units import number

PLANNED = (10, 16, 20)  # how long a run may be; a limit of this project


def by_chance(right: int, of: int) -> float:
    """Probability, 0 to 1, that a guess gets at least as many of them right."""
    return float(sum(math.comb(of, k) for k in range(right, of + 1))) / 2.0**of


def said(right: int, of: int, planned: int) -> str:
    """What a run that has ended says, in words.

    Raises
    ------
    UsageError
        Counts that no run can have.
    """
    if planned not in PLANNED or not 0 <= right <= of <= planned or of == 0:
        raise UsageError(f"a run of {planned} rounds with {right} of {of} right cannot be. Load the page again.")
    told = f"{right} of {of} right: by chance {number(100.0 * by_chance(right, of), '%')}."
    if of < planned:
        told += f" It was ended before its {planned} rounds, which tells less."
    return told
