import math

import pytest

from autochain.curve.targets import loudness_name, targets_lufs
from autochain.errors import UsageError


def test_points_go_from_quiet_to_loud_and_end_where_a_step_lands() -> None:
    assert targets_lufs(-14.0, -6.0, 1.0) == tuple(float(v) for v in range(-14, -5))
    assert targets_lufs(-9.0, -8.0, 0.3) == (-9.0, -8.7, -8.4, -8.1)
    assert targets_lufs(-9.0, -9.0, 1.0) == (-9.0,)
    assert len(targets_lufs(-9.0, -8.0, 0.1)) == 11


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ((-6.0, -14.0, 1.0), "--from -6 is louder than --to -14"),
        ((-14.0, -6.0, 0.0), "--step 0 is not possible"),
        ((-14.0, -6.0, -1.0), "--step -1 is not possible"),
        ((-14.0, -6.0, math.nan), "--step nan is not possible"),
        ((-40.0, -6.0, 1.0), "makes 35 points; 30 is the most"),
        ((-50.0, -6.0, 1.0), "--from -50 is not possible"),
        ((-14.0, 3.0, 1.0), "--to 3 is not possible"),
    ],
)
def test_what_makes_no_curve_is_refused_with_its_value(asked: tuple[float, float, float], says: str) -> None:
    with pytest.raises(UsageError, match=says) as refused:
        targets_lufs(*asked)
    assert "\n" not in str(refused.value)
    assert refused.value.exit_code == 2


def test_names_keep_the_digits_that_tell_points_apart() -> None:
    assert [loudness_name(v) for v in (-9.0, -9.25, -10.5)] == ["-9.0", "-9.25", "-10.5"]
