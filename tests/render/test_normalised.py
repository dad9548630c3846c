"""Normalisation at published levels, against worked examples."""

import pytest

from autochain.render.normalised import normalise


def test_a_loud_master_loses_its_level() -> None:
    """-9 LUFS at -1 dBTP, normalised to -14 LUFS (AES77-2023 as reported): -5 dB, peaks at -6 dBTP."""
    album = normalise(-9.0, -1.0)[-1]
    assert (album.level_lufs, album.gain_db, album.true_peak_dbtp, album.short_lu) == (-14.0, -5.0, -6.0, 0.0)


def test_a_quiet_master_is_held_by_its_peak() -> None:
    """-18 LUFS at -1 dBTP to -14 LUFS (AES77-2023 as reported): +4 dB would peak at +3 dBTP, all of it over -1 dBTP."""
    album = normalise(-18.0, -1.0)[-1]
    assert (album.gain_db, album.true_peak_dbtp, album.short_lu) == (4.0, 3.0, 4.0)
    assert normalise(-18.0, -3.0)[-1].short_lu == pytest.approx(2.0)


def test_broadcast_is_at_the_level_of_ebu_r_128() -> None:
    """EBU R 128 version 5.0 (November 2023): -23.0 LUFS."""
    assert normalise(-23.0, -6.0)[0].gain_db == 0.0
