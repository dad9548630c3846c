"""One pass over a mix, on several threads, gives what every meter gives alone."""

from importlib import import_module

import numpy as np

from autochain.audio.files import write_wav
from autochain.demo import make_demo
from autochain.measure.clicks import find_clicks
from autochain.measure.hum import find_hum
from autochain.measure.inspection import inspect, inspect_file
from autochain.measure.jumps import JumpMeter, find_jumps
from autochain.measure.measurement import measure
from autochain.measure.resonance import measure_resonance
from autochain.measure.spikes import measure_spikes

RATE_HZ = 44100
module = import_module("autochain.measure.inspection")  # `autochain.measure` itself is a function


def test_threads_and_blocks_change_no_bit(tmp_path):
    mix = make_demo("dense_rock", RATE_HZ, 14.0, 3)  # more than one block of 6 s
    mix[5 * RATE_HZ] += np.float32(0.1)
    write_wav(tmp_path / "mix.wav", mix, RATE_HZ, 1)
    seen = inspect(mix, RATE_HZ)
    assert seen.measured.figures == measure(mix, RATE_HZ)
    spikes = find_clicks(measure_spikes(mix, RATE_HZ))
    assert [click.at_s for click in seen.clicks] == [spike.at_s for spike in spikes] != []
    assert seen.hum == find_hum(mix, RATE_HZ)
    jumps = JumpMeter(RATE_HZ, mix.shape[1])
    jumps.push(mix)
    assert seen.jumps == find_jumps(jumps.result())
    assert np.array_equal(seen.resonance.floor_db, measure_resonance(mix, RATE_HZ).floor_db)
    assert seen.duration_s == 14.0
    read = inspect_file(tmp_path / "mix.wav")
    assert [click.at_s for click in read.clicks] == [click.at_s for click in seen.clicks]


def test_hours_are_put_together_one_meter_after_the_other_and_give_the_same(monkeypatch):
    mix = make_demo("dense_rock", RATE_HZ, 10.0, 3)
    at_once, given_back = inspect(mix, RATE_HZ), []
    monkeypatch.setattr(module, "_AT_ONCE_S", 1.0)
    monkeypatch.setattr(module, "give_back", lambda: given_back.append(1))
    seen = inspect(mix, RATE_HZ)
    assert len(given_back) == 6  # behind every meter, and behind all
    assert (seen.measured.figures, seen.clicks, seen.hum) == (at_once.measured.figures, at_once.clicks, at_once.hum)
    assert (seen.dropouts, seen.jumps) == (at_once.dropouts, at_once.jumps)
    assert np.array_equal(seen.resonance.floor_db, at_once.resonance.floor_db)
