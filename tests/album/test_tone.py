"""Balance by ranges, and what masters moved in common."""

import math
from pathlib import Path

import pytest

from autochain.album.figures import drift, gaps_s
from autochain.album.job import Failure, Outcome
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.album.tone import balance_db, change_db, tilt_db
from autochain.album.tracks import Song, Track
from autochain.measure.band_changes import BandChange
from autochain.measure.third_octaves import NOMINAL_HZ


def thirds(change_of: dict[float, float]) -> list[BandChange]:
    """Bands of equal power in the mix, changed by so much."""
    return [
        BandChange(
            nominal_hz=hz, mix_db=-20.0, mix_mid_db=-20.0, change_db=change_of.get(hz, 0.0), mid_change_db=0.0,
            side_change_db=0.0, heard=hz < 20000.0, width_change_db=None,
        )
        for hz in NOMINAL_HZ
    ]  # fmt: skip


def test_equal_bands_share_the_power_by_their_number() -> None:
    # Closed form: a range of n of 30 equal bands has 10 log10(n / 30) dB of the whole.
    found = balance_db(thirds({}))
    bands = {"bass": 8, "low mids": 6, "mids": 6, "presence": 4, "top": 5}
    assert found == pytest.approx({name: 10.0 * math.log10(n / 30.0) for name, n in bands.items()})
    # Two ranges on each side: mean of 5 and 4 bands over the mean of 8 and 6.
    assert tilt_db(found) == pytest.approx(5.0 * math.log10(5 * 4 / (8 * 6)))
    assert tilt_db({"bass": 0.0}) is None


def test_a_change_is_told_for_its_range_alone() -> None:
    moved = change_db(thirds({2500.0: 2.0, 3150.0: 2.0, 4000.0: 0.0, 5000.0: 0.0}))
    assert moved == pytest.approx({"bass": 0.0, "low mids": 0.0, "mids": 0.0, "presence": 1.0, "top": 0.0})


def album(changes: list[float | None]) -> Album:
    tracks: list[tuple[Track, Outcome]] = []
    for place, change in enumerate(changes):
        track = Track(songs=(Song(path=Path("a.wav"), title=str(place), stem=str(place)),))
        if change is None:
            tracks.append((track, Failure(file="a.wav", reason="cannot be read")))
            continue
        record = Record(
            request="", title=track.title, file="", target_lufs=-9.0, mix_lufs=-15.0, ready="ready", met=True,
            figures={}, score=1.0, files={}, earlier=[], levels=[], balance_db={}, change_db={"top": change},
            head_s=0.1 * place, tail_s=1.0,
        )  # fmt: skip
        tracks.append((track, record))
    return Album(policy="same", target_lufs=-9.0, ceiling_dbtp=-1.0, tracks=tuple(tracks), lufs=-9.0, redone=0)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ([0.6, 0.7, 0.8, 0.9, -0.1], ["the top up 0.7 dB (4 of 5 tracks)"]),
        ([-0.6, -0.7, -0.8, -0.9, -0.5], ["the top down 0.7 dB (5 of 5 tracks)"]),
        ([0.6, 0.7, 0.8, -0.9, -0.1], []),  # three of five
        ([0.4, 0.4, 0.4, 0.4, 0.4], []),  # too little
        ([0.6, 0.7, 0.8, 0.9], []),  # too few
    ],
)
def test_a_drift_is_told_where_four_of_five_moved_the_same_way(changes: list[float | None], told: list[str]) -> None:
    assert drift(album(changes)) == told


def test_a_gap_is_the_silence_of_both_ends_and_unknown_beside_a_track_that_failed() -> None:
    assert gaps_s(album([0.0, 0.0, None, 0.0, 0.0])) == [pytest.approx(1.1), None, None, pytest.approx(1.4)]
