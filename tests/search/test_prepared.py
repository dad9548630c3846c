"""What is decided before the search reaches the chain as settings with reasons, and never over what was set by hand."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.audio.mix import Mix
from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.measurement import measure
from autochain.note import Note
from autochain.prepare.resonances import Resonance
from autochain.search.prepared import Prepared, prepare
from autochain.solve.decisions import Decisions

RATE_HZ = 44100


def as_mix(samples):
    return Mix(samples=samples.astype(np.float32), rate_hz=RATE_HZ, file="x.wav", sha256="", subtype="FLOAT")


@cache
def resonant():
    # W3C Group Note "Audio EQ Cookbook" (2021), peakingEQ: 8 dB at 4 kHz, q 4
    x = make_demo("bass_heavy_electronic", RATE_HZ, 32.0, 34)
    a, w0 = 10 ** (8.0 / 40), 2 * np.pi * 4000.0 / RATE_HZ
    alpha = np.sin(w0) / 8.0
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a])
    d = np.array([1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a])
    return as_mix(lfilter(b / d[0], d / d[0], x, axis=0))


def prepared(mix, **decided):
    return prepare(mix, measure(mix.samples, RATE_HZ), read_config(None, {}), Decisions(**decided))


def test_a_resonance_becomes_a_small_cut_and_a_note_with_its_size_and_reason():
    found = prepared(resonant())
    eq = found.settings["equaliser"]
    assert eq["band1_freq_hz"] == pytest.approx(4000.0, rel=0.06)
    assert -1.0 <= eq["band1_gain_db"] <= -0.5
    assert [note.code for note in found.notes if note.code != "fades"] == ["resonance"]
    assert "of the song's own smoothed spectrum" in found.notes[0].text
    assert "Measured on the mix" in found.notes[0].text
    assert "dB there" in found.notes[0].suggestion


def test_a_cut_that_moves_nothing_is_not_made():
    # A place at which there is no hump: q 12 beside the one that is there. Its excess hardly falls there.
    mix = resonant()
    claim = Resonance(
        freq_hz=4000.0, q=4.0, excess_db=8.0, channel="side", passing=False, share=1.0, times_s=(), usual_db=3.0
    )
    silent = replace(mix, samples=np.repeat(mix.samples.mean(axis=1, keepdims=True), 2, axis=1))
    plan = read_config(None, {})
    found = prepare(silent, measure(silent.samples, RATE_HZ), plan, Decisions(), resonances=(claim,))
    assert "equaliser" not in found.settings
    assert "not cut here: a trial cut" in found.notes[0].text


def test_a_clean_mix_is_left_alone():
    found = prepared(as_mix(make_demo("bass_heavy_electronic", RATE_HZ, 32.0, 34)))
    assert not {"equaliser", "dynamic_bell", "tone"} & set(found.settings)


def test_what_was_set_or_left_out_by_hand_is_not_touched():
    own = ChainSettings({"equaliser": {"band1_freq_hz": 250.0}})
    assert prepared(resonant(), locks=own).added_to(Decisions(locks=own)).locks["equaliser"] == own["equaliser"]
    out = Decisions(without=frozenset({"equaliser"}))
    assert "equaliser" not in prepared(resonant(), without=out.without).added_to(out).locks


def test_suggested_fades_stand_beside_a_locked_one():
    fades = ChainSettings({"output": {"fade_in_ms": 12.0, "fade_out_ms": 300.0}})
    suggested = Prepared(settings=fades, notes=(), ends=None)
    decided = suggested.added_to(Decisions(locks=ChainSettings({"output": {"fade_out_ms": 0.0}})))
    assert decided.locks.plain() == {"output": {"fade_in_ms": 12.0, "fade_out_ms": 0.0}}


def test_where_only_a_gain_is_applied_no_note_speaks_of_a_band():
    codes = ("resonance_in_mix", "low_cut", "tone", "references", "fades")
    notes = tuple(Note(code=code, text="", suggestion="") for code in codes)
    settings = ChainSettings({"equaliser": {"band1_gain_db": -1.0}, "output": {"fade_in_ms": 20.0}})
    ends = Prepared(settings=settings, notes=notes, ends=None).ends_only()
    assert set(ends.settings) == {"output"}
    assert [note.code for note in ends.notes] == ["references", "fades"]
