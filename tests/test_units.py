import pytest

from autochain.units import clock, db_to_linear, frequency_mark, linear_to_db, ms_to_samples, number, power_to_db


@pytest.mark.parametrize(("db", "ratio"), [(0.0, 1.0), (20.0, 10.0), (-6.020599913, 0.5)])  # closed form 20 log10
def test_decibels_and_ratios_are_inverse(db: float, ratio: float) -> None:
    assert db_to_linear(db) == pytest.approx(ratio, rel=1e-9)
    assert linear_to_db(ratio) == pytest.approx(db, abs=1e-8)


def test_silence_has_a_floor_and_no_infinity() -> None:
    assert linear_to_db(0.0) == -200.0
    assert power_to_db(0.0) == -200.0
    assert power_to_db(100.0) == pytest.approx(20.0)


def test_numbers_print_with_unit_and_without_minus_zero() -> None:
    assert number(-0.04, "dB") == "0.0 dB"
    assert number(-0.04, "dB", signed=True) == "+0.0 dB"
    assert number(1.25, "LU", 2, signed=True) == "+1.25 LU"
    assert number(None, "dB") == "–"


def test_a_frequency_along_an_axis_is_short() -> None:
    assert [frequency_mark(hz) for hz in (31.5, 63.0, 1000.0, 6300.0, 16_000.0)] == ["31.5", "63", "1k", "6.3k", "16k"]


def test_mix_time_reads_as_minutes_and_seconds() -> None:
    assert clock(133.44) == "2:13.4"
    assert clock(59.96) == "1:00.0"
    assert ms_to_samples(10.0, 44100) == 441
