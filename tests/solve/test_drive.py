"""The drive solve on curves whose roots are known in closed form."""

import math

import pytest

from autochain.config import read_config
from autochain.solve.drive import solve_drive

PLAN = read_config().search.drive


def soft_knee(ceiling_lufs: float, sharp: float):
    """Loudness that rises with slope 1 and flattens towards a ceiling; inverse in closed form."""

    def loudness(drive_db: float) -> float:
        return ceiling_lufs - sharp * math.log1p(math.exp((ceiling_lufs - (-15.0 + drive_db)) / sharp)) + 0.0

    def inverse(lufs: float) -> float:
        return 15.0 + ceiling_lufs - sharp * math.log(math.expm1((ceiling_lufs - lufs) / sharp))

    return loudness, inverse


@pytest.mark.parametrize("target", [-14.0, -11.0, -9.0, -8.0])
def test_finds_the_closed_form_root_within_the_tolerance_and_six_renders(target: float) -> None:
    loudness, inverse = soft_knee(-6.5, 1.5)
    found = solve_drive(loudness, target, start_db=target + 15.0 + 1.0, slope=0.75, plan=PLAN)
    assert found.met
    assert abs(loudness(found.drive_db) - target) <= PLAN.tolerance_lu
    assert found.drive_db == pytest.approx(inverse(target), abs=0.1)
    assert found.renders <= PLAN.max_renders


def test_says_out_of_reach_when_the_curve_is_flat_below_the_target() -> None:
    loudness, _ = soft_knee(-8.0, 0.8)
    found = solve_drive(loudness, -6.0, start_db=10.0, slope=0.75, plan=PLAN)
    assert not found.met
    assert found.reached_lufs < -7.9
    assert found.drive_db <= PLAN.max_db


def test_a_flat_curve_within_a_step_of_the_target_is_met_as_the_sheet_will_say() -> None:
    # 0.06 LU short and flatter than the slope called saturated: the sheet calls 0.1 LU reached.
    found = solve_drive(lambda d: -9.06 + 0.01 * (d - 10.0), -9.0, start_db=10.0, slope=0.75, plan=PLAN, step_db=0.1)
    assert abs(found.reached_lufs - -9.0) <= 0.1
    assert found.met


def test_takes_the_smaller_of_two_roots() -> None:
    # Rises to -8 at 10 dB of drive, then falls: -9 is met at 8 dB and again at 12 dB.
    def tent(drive_db: float) -> float:
        return -8.0 - 0.5 * abs(drive_db - 10.0)

    found = solve_drive(tent, -9.0, start_db=6.5, slope=0.75, plan=PLAN)
    assert found.met
    assert found.drive_db == pytest.approx(8.0, abs=0.05)


def test_keeps_to_settable_steps_and_takes_the_nearest_one() -> None:
    loudness, inverse = soft_knee(-6.0, 1.0)
    found = solve_drive(loudness, -9.0, start_db=7.0, slope=0.75, plan=PLAN, step_db=0.1)
    assert found.met
    assert round(found.drive_db, 1) == found.drive_db
    assert abs(found.drive_db - inverse(-9.0)) <= 0.051


def test_never_leaves_the_range() -> None:
    asked: list[float] = []

    def slow(drive_db: float) -> float:
        asked.append(drive_db)
        return -30.0 + 0.2 * drive_db

    found = solve_drive(slow, -9.0, start_db=6.0, slope=0.75, plan=PLAN)
    assert not found.met
    assert max(asked) <= PLAN.max_db
