"""Whether two versions can be told apart: counts, and what a guess gets."""

import pytest
from scipy.stats import binom

from autochain.desk.abx import PLANNED, by_chance, said
from autochain.errors import UsageError

# Least number of right answers at a risk of 5 %, one-sided: ISO 5495 (paired comparison), its table of minimum numbers
# of correct responses; from memory.
LEAST_AT_5_PERCENT = {10: 9, 16: 12, 20: 15}


@pytest.mark.parametrize("of", [1, 7, *PLANNED])
def test_chance_is_the_upper_tail_of_the_binomial_distribution(of: int) -> None:
    for right in range(of + 1):
        assert by_chance(right, of) == pytest.approx(binom.sf(right - 1, of, 0.5), rel=1e-12)


@pytest.mark.parametrize("of", PLANNED)
def test_least_counts_are_those_of_the_published_table(of: int) -> None:
    least = next(right for right in range(of + 1) if by_chance(right, of) <= 0.05)
    assert least == LEAST_AT_5_PERCENT[of]


def test_twelve_of_sixteen_are_told_with_what_chance_gets() -> None:
    # 2517 of 65536: the sum of 1820, 560, 120, 16 and 1 ways.
    assert said(12, 16, 16) == "12 of 16 right: by chance 3.8 %."
    assert "before its 16 rounds" in said(6, 7, 16)


@pytest.mark.parametrize(("right", "of", "planned"), [(3, 2, 10), (0, 0, 10), (-1, 3, 10), (11, 11, 10), (3, 5, 7)])
def test_counts_that_no_run_has_are_refused(right: int, of: int, planned: int) -> None:
    with pytest.raises(UsageError, match="cannot be"):
        said(right, of, planned)
