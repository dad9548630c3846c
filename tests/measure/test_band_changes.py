"""Runs of bands that moved alike."""

from autochain.measure.band_changes import BandChange, regions


def bands(changes, unheard=()):
    return tuple(
        BandChange(
            nominal_hz=100.0 * 2.0**k, mix_db=-20.0, mix_mid_db=-20.0, change_db=change, mid_change_db=change,
            side_change_db=None, heard=k not in unheard, width_change_db=None,
        )
        for k, change in enumerate(changes)
    )  # fmt: skip


def spans(changes, **more):
    found = regions(bands(changes, **more), lambda band: band.change_db, 0.5)
    return [(one.low_hz, one.high_hz, round(one.mean_db, 3)) for one in found]


def test_neighbours_of_one_sign_are_one_region_and_a_quiet_or_small_band_ends_it():
    assert spans([0.0, 1.0, 2.0, 0.1, -1.0, -0.6]) == [(200.0, 400.0, 1.5), (1600.0, 3200.0, -0.8)]
    assert spans([1.0, -1.0]) == [(100.0, 100.0, 1.0), (200.0, 200.0, -1.0)]
    assert spans([1.0, 1.0, 1.0], unheard=(1,)) == [(100.0, 100.0, 1.0), (400.0, 400.0, 1.0)]
    assert spans([None, 0.49]) == []
