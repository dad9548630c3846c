"""The numbers behind the pictures."""

from dataclasses import replace

import numpy as np
import pytest

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.band_changes import measure_band_changes
from autochain.measure.loudness import weighted_hops
from autochain.page.measured import balance_of, song_of
from autochain.page.pictures.song import song_picture
from autochain.prepare.references import Reference, profile
from autochain.search.request import SearchRequest
from autochain.search.run import suggest

RATE_HZ = 44100


def test_balance_is_that_of_the_references_when_mix_master_and_reference_are_one_song() -> None:
    samples = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, 10.0, 1), dtype=np.float32)
    own = Reference(file="a.wav", sha256="", profile=profile(0.3 * samples, RATE_HZ))
    bands, mix, master, beside = balance_of(measure_band_changes(samples, 0.5 * samples, RATE_HZ, -6.0), [own])
    assert len(bands) >= 25
    for row in (master, *beside):
        assert row == pytest.approx(mix, abs=1e-3)


def test_references_are_told_by_lowest_median_and_highest() -> None:
    samples = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, 10.0, 1), dtype=np.float32)
    first = Reference(file="a.wav", sha256="", profile=profile(samples, RATE_HZ))
    others = [
        replace(first, profile=replace(first.profile, mid_db=first.profile.mid_db + moved)) for moved in (1.0, -2.0)
    ]
    thirds = measure_band_changes(samples, samples, RATE_HZ, 0.0)
    _, mix, _, (lowest, median, highest) = balance_of(thirds, [first, *others])
    known = np.array(mix, dtype=float)
    assert lowest == pytest.approx(known - 2.0, abs=1e-6)
    assert median == pytest.approx(known, abs=1e-6)
    assert highest == pytest.approx(known + 1.0, abs=1e-6)
    missing = replace(first, profile=replace(first.profile, mid_db=np.full(30, np.nan)))
    assert balance_of(thirds, [missing])[3] == [[None] * len(mix)] * 3
    assert balance_of(thirds, [missing, first])[3][1] == pytest.approx(known, abs=1e-6)
    assert balance_of(thirds, [])[3] == []


@pytest.mark.parametrize("side", [1, -1])
def test_the_side_of_the_waveform_that_reaches_further_is_marked(side: int) -> None:
    """Half of every cycle of a 100 Hz tone is twice as high."""
    tone = np.sin(2.0 * np.pi * 100.0 * np.arange(6 * RATE_HZ) / RATE_HZ)
    one_sided = side * np.where(tone > 0.0, 0.3 * tone, 0.15 * tone)
    samples = np.stack([one_sided, one_sided], axis=1).astype(np.float32)
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file="tone.wav", sha256="", subtype="PCM_24")
    config = read_config(None, {"target": {"lufs": -24.0, "ceiling_dbtp": -1.0}})
    found = suggest(SearchRequest(mix=mix, config=config))  # a gain alone
    song = song_of(found, weighted_hops(samples, RATE_HZ), [])
    assert song.further == side
    drawn = song_picture("", song)
    assert f"its {'upper' if side == 1 else 'lower'} side reaches further" in drawn
    assert drawn.count('class="further"') == 1
