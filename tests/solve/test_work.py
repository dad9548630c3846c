import numpy as np
import pytest

from autochain.solve.work import WORK_TOLERANCE_DB, solve_threshold, work_db


def test_work_is_the_95th_percentile_over_the_loud_blocks_alone() -> None:
    reduction = np.arange(100.0)
    loud = np.ones(100, dtype=bool)
    # closed form: linear-interpolated percentile of 0..99 at 95 % is 94.05
    assert work_db([reduction], [loud]) == pytest.approx(94.05)
    loud[50:] = False
    assert work_db([reduction], [loud]) == pytest.approx(46.55)
    assert work_db([reduction], [np.zeros(100, dtype=bool)]) == 0.0


@pytest.mark.parametrize("wanted", [0.3, 1.0, 2.5])
def test_threshold_for_a_static_compressor_has_its_closed_form(wanted: float) -> None:
    # A 2:1 compressor without knee on a level of -10 dB reduces by (level - threshold) / 2.
    def work(threshold_db: float) -> float:
        return max(0.0, (-10.0 - threshold_db) / 2.0)

    found = solve_threshold(work, wanted, start_db=-30.0, low_db=-60.0, high_db=0.0)
    assert abs(work(found) - wanted) <= WORK_TOLERANCE_DB


def test_unreachable_work_ends_at_the_end_of_the_range() -> None:
    found = solve_threshold(lambda t: 0.1, 2.0, start_db=-20.0, low_db=-60.0, high_db=0.0)
    assert found == pytest.approx(-60.0, abs=0.1)


@pytest.mark.parametrize("off_db", [-0.3, 0.04, 0.5])
def test_a_rough_look_is_made_up_for_where_it_ends(off_db: float) -> None:
    exact: list[float] = []

    def work(threshold_db: float) -> float:
        exact.append(threshold_db)
        return max(0.0, (-10.0 - threshold_db) / 2.0)

    found = solve_threshold(
        work, 2.0, start_db=-30.0, low_db=-60.0, high_db=0.0, roughly=lambda t: max(0.0, (-10.0 - t) / 2.0 + off_db)
    )
    assert abs((-10.0 - found) / 2.0 - 2.0) <= WORK_TOLERANCE_DB
    assert len(exact) <= 2
