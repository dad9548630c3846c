"""References beside a mix: what is said and what is moved."""

from functools import cache

import numpy as np
from scipy.signal import lfilter

from autochain.audio.files import write_wav
from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.measurement import measure
from autochain.search.prepared import prepare
from autochain.search.request import request_of
from autochain.search.toward_references import read_references, tone_moves
from autochain.solve.decisions import Decisions

RATE_HZ = 44100


@cache
def song():
    return make_demo("dense_rock", RATE_HZ, 12.0, 31)


def as_mix(samples):
    return Mix(samples=samples, rate_hz=RATE_HZ, file="x.wav", sha256="a", subtype="FLOAT")


def dull():
    # first-order low-pass, 3 dB down at 4 kHz (bilinear transform): a tilt that no one would miss
    k = np.tan(np.pi * 4000.0 / RATE_HZ)
    return lfilter(np.array([k, k]) / (1 + k), [1.0, (k - 1) / (1 + k)], song(), axis=0).astype(np.float32)


def references(tmp_path, *sounds):
    paths = [tmp_path / f"reference {n}.wav" for n in range(len(sounds))]
    for path, samples in zip(paths, sounds, strict=True):
        write_wav(path, samples, RATE_HZ, 1, False, [])
    return read_references(paths)


def test_without_references_nothing_is_moved_or_said():
    mix = as_mix(dull())
    assert tone_moves(mix, measure(mix.samples, RATE_HZ), (), 1.5) == ((), ())


def test_its_own_reference_moves_nothing_and_implies_its_own_loudness(tmp_path):
    mix = as_mix(song())
    before = measure(mix.samples, RATE_HZ)
    moves, (note, why) = tone_moves(mix, before, references(tmp_path, song()), 1.5)
    assert moves == ()
    assert why.code == "tone_left"
    assert "No broad difference reaches 1 dB; the largest is 0.0 dB." in why.text
    assert note.suggestion.endswith(f"--lufs {before.integrated_lufs:.1f}.")
    assert "reference 0.wav" in note.text


def test_a_dull_mix_is_brightened_by_the_tone_stage_with_its_reason(tmp_path):
    mix, decided = as_mix(dull()), Decisions()
    beside = references(tmp_path, song())
    plan = read_config(None, {})
    found = prepare(mix, measure(mix.samples, RATE_HZ), plan, decided, beside)
    tone = found.settings["tone"]
    gains = [value for name, value in tone.items() if name.endswith("gain_db")]
    assert 0.0 < max(gains) <= plan.prepare.most_tone_alike_db  # the same song, only duller
    why = next(note for note in found.notes if note.code == "tone")
    # The low-pass is 12 dB down at 16 kHz (first order, two octaves over its corner): more than a master makes good.
    assert "All moves together may reach 3.0 dB at most;" in why.text
    assert "What is left is better done in the mix." in why.suggestion
    plan.chain_plan.stages["tone"].checked(tone)
    out = Decisions(without=frozenset({"tone"}))
    assert "tone" not in found.added_to(out).locks


def test_where_other_songs_leave_it_open_the_note_says_so(tmp_path):
    mix = as_mix(song())
    others = [make_demo(name, RATE_HZ, 12.0, 33) for name in ("sparse_acoustic", "vocal_with_piano")]
    moves, (_, why) = tone_moves(mix, measure(mix.samples, RATE_HZ), references(tmp_path, *others), 1.5, 3.0)
    assert "as between different songs" in why.text
    assert why.code == ("tone" if moves else "tone_left")


def test_references_belong_to_the_request(tmp_path):
    plan, mix = read_config(None, {}), as_mix(song())
    one, other = (request_of(mix.sha256, plan, Decisions(), None, hashes) for hashes in ((), ("b",)))
    assert one["references"] == []
    assert other["references"] == ["b"]
