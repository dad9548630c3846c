"""What the page plays, before it is a page."""

import base64
import io
import itertools
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.page.listening import excerpts_of
from autochain.page.places import WINDOW_S, excerpts, places
from autochain.page.words16 import BUDGET_BYTES
from autochain.search.request import SearchRequest
from autochain.search.run import suggest


def test_a_mix_over_full_scale_is_not_cut_off_and_stays_as_loud_as_the_rest() -> None:
    samples = np.ascontiguousarray(4.0 * make_demo("dense_rock", 44100, 10.0, 1), dtype=np.float32)
    assert np.abs(samples).max() > 2.0
    mix = Mix(samples=samples, rate_hz=44100, file="hot.wav", sha256="", subtype="FLOAT")
    config = read_config(None, {"target": {"lufs": -16.0, "ceiling_dbtp": -1.0}})
    found = suggest(SearchRequest(mix=mix, config=config))  # a gain alone
    quiet = replace(found, samples=samples * np.float32(0.9))
    page = excerpts_of(quiet, {"mix": "mix", "suggestion": "suggestion"}, 0.0, [])
    heard = [soundfile.read(io.BytesIO(base64.b64decode(flac)), dtype="float64")[0] for flac in page.block(0)]
    assert max(np.abs(sound).max() for sound in heard) == pytest.approx(10.0 ** (-0.5 / 20.0), rel=1e-3)
    assert np.sqrt(np.mean(heard[0] ** 2)) == pytest.approx(np.sqrt(np.mean(heard[1] ** 2)), rel=1e-3)
    assert page.sounds[1].gain_db - page.sounds[0].gain_db == pytest.approx(20.0 * np.log10(1 / 0.9), abs=0.01)


def test_noise_takes_no_more_than_the_page_has_room_for() -> None:
    """White noise is what FLAC can do least about: no mix takes more."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((45 * 48000, 2))
    mix = Mix(samples=noise.astype(np.float32), rate_hz=48000, file="noise.wav", sha256="", subtype="PCM_24")
    config = read_config(None, {"target": {"lufs": -24.0, "ceiling_dbtp": -1.0}})
    found = suggest(SearchRequest(mix=mix, config=config))  # a gain alone
    names = {"mix": "mix", "suggestion": "suggestion"}
    page = excerpts_of(found, names, 3.0, [4.0 * k for k in range(11)])
    size = sum(map(len, page.block(0)))
    assert 0.6 * BUDGET_BYTES < size < 1.15 * BUDGET_BYTES


def test_places_hold_the_loudest_part_and_do_not_overlap() -> None:
    cues = [3.0, 4.0, 99.0, 150.0, 151.0, 230.0]
    windows = excerpts(240.0, 100.0, cues, 21.0)
    assert sum(w.stop_s - w.start_s for w in windows) <= 21.0
    assert any(w.start_s <= 100.0 and w.stop_s >= 103.0 for w in windows)
    assert all(a.stop_s <= b.start_s for a, b in itertools.pairwise(windows))
    assert all(any(w.start_s <= cue <= w.stop_s for w in windows) for cue in (3.0, 4.0, 150.0, 151.0, 230.0))
    assert [w.at_s for w in windows] == pytest.approx([WINDOW_S * k for k in range(len(windows))])


def test_places_to_repeat_in_a_whole_song_hold_every_time_to_listen_at() -> None:
    cues = [0.5 * k for k in range(3, 470, 31)]
    windows = places(240.0, 100.0, cues)
    assert all(a.stop_s <= b.start_s for a, b in itertools.pairwise(windows))
    assert all(w.at_s == w.start_s for w in windows)
    assert [c for c in cues if not any(w.start_s <= c <= w.stop_s for w in windows)] == []
    assert all(w.stop_s <= 3.2 for w in places(3.2, 0.0, [1.0, 3.0]))
