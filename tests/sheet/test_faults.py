"""Rows of faults follow the limits of the check."""

from autochain.config import read_config
from autochain.sheet.faults import shown_faults

CLEAN = {"channel_imbalance_db": -0.4, "dc_left_dbfs": None, "dc_right_dbfs": -80.0, "subsonic_db": -45.0}


def names(limits, **worse):
    return [name for name, *_ in shown_faults((CLEAN, {**CLEAN, **worse}), limits)]


def test_a_figure_is_shown_when_one_side_passes_the_limit_of_the_check():
    limits = read_config().check.model_dump()
    assert names(limits) == []
    assert names(limits, channel_imbalance_db=-limits["imbalance_db"] - 0.1) == ["channel_imbalance_db"]
    assert names(limits, dc_right_dbfs=limits["dc_dbfs"] + 1.0) == ["dc_right_dbfs"]
    assert names(limits, subsonic_db=limits["subsonic_db"] + 1.0) == ["subsonic_db"]
    assert names({**limits, "imbalance_db": 3.0}, channel_imbalance_db=-2.0) == []
