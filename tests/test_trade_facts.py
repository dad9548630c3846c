"""What mastering engineers hold true of these stages, asked of the whole chain on five demo mixes.

Where no source is named, the fact is marked; orders are asserted and no sizes, unless a size is what was claimed.
"""

from functools import cache

import numpy as np
import pytest
import scipy.signal

from autochain.audio.signals import pink_noise, sine, struck
from autochain.chain.chain import DEFAULT
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.distortion import DistortionReference
from autochain.measure.loudness import integrated_lufs, loud_hops, weighted_hops
from autochain.measure.measurement import measure
from autochain.prepare.symmetry import choose_rotation
from autochain.resources import read_table

RATE_HZ = 44100
SECONDS = 12.0


def process(samples, **stages):
    return DEFAULT.render(samples, RATE_HZ, DEFAULT.checked(stages))


def lufs(samples):
    return integrated_lufs(weighted_hops(samples, RATE_HZ))


def at_full_scale(samples):
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    return samples / np.abs(samples).max()


@cache
def mix(character):
    return at_full_scale(make_demo(character, RATE_HZ, duration_s=SECONDS))


@cache
def tone_and_noise():
    return at_full_scale(sine(220.0, 6.0, RATE_HZ, -12.0) + struck(pink_noise(6.0, RATE_HZ, -24.0), RATE_HZ))


@cache
def distortion_of(character):
    return DistortionReference(mix(character), RATE_HZ, lufs(mix(character)))


def signal_to_distortion_db(x, y):
    """Explained over unexplained power under the best single gain: rho^2 / (1 - rho^2)."""
    x, y = x.astype(np.float64), y.astype(np.float64)
    explained = np.sum(x * y) ** 2 / (np.sum(x * x) * np.sum(y * y))
    return 10.0 * np.log10(explained / (1.0 - explained))


def clipped(character, drive_db, softness):
    return process(
        mix(character), drive={"gain_db": drive_db}, clipper={"ceiling_dbfs": 0.0, "softness": softness}
    ).samples


@cache
def as_loud_as_hard(character, peak_reduction_db, softness):
    """Noise-to-mask ratio and signal-to-distortion ratio of a curve at the hard clip's ceiling and loudness.

    The drive of the hard clip is its peak reduction, as the mix peaks at 0 dBFS; that of the others is solved.
    """
    wanted = lufs(clipped(character, peak_reduction_db, 0.0))
    drive_db, slope, before = peak_reduction_db, 0.8, None
    for _ in range(10):
        y = clipped(character, drive_db, softness)
        error = lufs(y) - wanted
        if abs(error) < 0.001:
            return distortion_of(character).compare(y).nmr_db, signal_to_distortion_db(mix(character), y)
        if before is not None:
            slope = max(0.1, (error - before[1]) / (drive_db - before[0]))
        before = drive_db, error
        drive_db -= error / slope
    raise AssertionError(f"no drive makes softness {softness} as loud as the hard clip")


def nmr_db(character, peak_reduction_db, softness):
    return as_loud_as_hard(character, peak_reduction_db, softness)[0]


# The order of clip curves by noise-to-mask ratio: no published source. Measured on 16 s of all five demo mixes at
# equal loudness and ceiling, hard minus softness 25 / 50 / 100 % (positive: the softer one adds less), from the
# lowest to the highest of the five mixes:
#   1 dB of peak reduction  -2.0..1.2   -8.5..-2.2   -20.7..-11.0
#   3 dB                     0.2..2.1   -1.7..1.7    -7.9..-2.3
#   4.5 dB                   0.4..2.1   -0.2..2.9    -3.7..1.0
#   6 dB                     0.4..2.1    0.4..3.1    -1.4..2.5
#   9 dB                     0.3..2.6    0.5..3.6     0.2..4.0
@pytest.mark.parametrize("softness", [25.0, 50.0])
@pytest.mark.parametrize("peak_reduction_db", [4.5, 9.0])
def test_a_curve_with_room_below_its_knee_adds_no_more_than_hard_when_much_is_clipped(peak_reduction_db, softness):
    no_worse = [
        c for c in CHARACTERS if nmr_db(c, peak_reduction_db, softness) <= nmr_db(c, peak_reduction_db, 0.0)
    ]
    assert len(no_worse) >= 3


def test_hard_adds_less_than_a_soft_curve_when_little_is_clipped():
    # no published source: see the table above
    assert sum(nmr_db(c, 1.0, 0.0) < nmr_db(c, 1.0, 50.0) - 1.0 for c in CHARACTERS) >= 3


@pytest.mark.parametrize("peak_reduction_db", [3.0, 6.0])
@pytest.mark.parametrize("character", CHARACTERS)
def test_hard_clip_has_the_smallest_residual_at_equal_loudness(character, peak_reduction_db):
    # Clipping is the least-squares projection onto the ceiling (closed form). That holds at one drive; at one
    # loudness the softer curves need more of it, and their residual can only grow.
    ratios = [as_loud_as_hard(character, peak_reduction_db, s)[1] for s in (0.0, 25.0, 50.0, 100.0)]
    assert ratios == sorted(ratios, reverse=True)


@pytest.mark.parametrize("character", CHARACTERS)
def test_hard_clip_has_the_smallest_residual_at_equal_drive(character):
    # closed form: the projection onto the set of waveforms under the ceiling
    driven = mix(character).astype(np.float64) * 2.0
    changes = [np.sum((clipped(character, 20.0 * np.log10(2.0), s) - driven) ** 2) for s in (0.0, 25.0, 50.0, 100.0)]
    assert changes == sorted(changes)


def harmonics_dbc(drive_db, softness, count):
    """Odd harmonics 1, 3, 5 .. of a clipped 50 Hz sine, dB of the first."""
    x = sine(50.0, 2.0, RATE_HZ, drive_db, channels=1)
    y = process(x, clipper={"ceiling_dbfs": 0.0, "softness": softness}).samples[RATE_HZ // 2 :][:RATE_HZ, 0]
    amplitudes = np.abs(np.fft.rfft(y))[50 * np.arange(1, count + 1, 2)]
    return 20.0 * np.log10(amplitudes / amplitudes[0])


# The fifth and seventh harmonic at low drive; further up the softer curve is as flat as the hard one at the top.
@pytest.mark.parametrize("row", read_table("clipper.toml")["hard_harmonics"][:3], ids=lambda r: str(r["drive_db"]))
def test_harmonics_of_softer_curves_fall_faster_than_the_closed_form_of_the_hard_clip(row):
    # closed form of the hard clip: shared/clipper.toml
    hard_fall_db = row["h3_dbc"] - row["h5_dbc"]
    falls_db = [h[1] - h[2] for h in (harmonics_dbc(row["drive_db"], s, 5) for s in (0.0, 50.0, 100.0))]
    assert falls_db[0] == pytest.approx(hard_fall_db, abs=0.03)
    assert hard_fall_db + 0.3 < falls_db[1] < falls_db[2]


@pytest.mark.parametrize(("softness", "db_per_octave"), [(0.0, 12.0), (50.0, 18.0), (100.0, 18.0)])
def test_harmonics_fall_by_12_db_per_octave_when_hard_and_by_18_when_soft(softness, db_per_octave):
    # Closed form: coefficients of a function whose k-th derivative jumps fall as n^-(k+1), and the slope of the
    # hard curve jumps, the slope of the others bends (k = 1 and 2). Power over whole octaves and nine drives,
    # because the jumps of a period interfere.
    order = np.arange(1, 256, 2)
    drives_db = np.arange(2.0, 6.1, 0.5)
    power = np.mean([10.0 ** (harmonics_dbc(drive_db, softness, 255) / 10.0) for drive_db in drives_db], axis=0)
    low, high = (power[(order >= first) & (order < 2 * first)].mean() for first in (16, 128))
    # 1.5 dB: interference leaves up to 0.9 (a tone that just grazes the end of a bend falls more slowly for a
    # while); the two laws are 6 dB apart, so it tells them apart with room to spare.
    assert 10.0 * np.log10(low / high) / 3.0 == pytest.approx(db_per_octave, abs=1.5)


def limited(samples, peak_reduction_db, release_ms):
    return process(samples, limiter={"ceiling_dbtp": -peak_reduction_db, "release_ms": release_ms}).samples


# common practice, no source. Measured limits of it: at 2 dB of peak reduction the clipper touches so few samples
# that it adds less on some material (tone and noise -45 dB, limiter -41; the bass-heavy mix -45.3 and -44.8), all
# far from audible; and below 200 Hz the limiter adds more than the clipper up to about 6 dB.
@pytest.mark.parametrize("release_ms", [60.0, 200.0])
@pytest.mark.parametrize("peak_reduction_db", [4.5, 6.0])
@pytest.mark.parametrize("material", ["tone and noise", *CHARACTERS])
def test_a_limiter_adds_less_than_a_clipper_that_takes_as_much_off_the_peak(material, peak_reduction_db, release_ms):
    if material == "tone and noise":
        x = tone_and_noise()
        reference = DistortionReference(x, RATE_HZ, lufs(x))
    else:
        x, reference = mix(material), distortion_of(material)
    hard = process(x, clipper={"ceiling_dbfs": -peak_reduction_db, "softness": 0.0}).samples
    by_limiter = reference.compare(limited(x, peak_reduction_db, release_ms)).nmr_db
    assert by_limiter < reference.compare(hard).nmr_db - 2.0


@pytest.mark.parametrize("peak_reduction_db", [3.0, 6.0])
def test_a_2_ms_release_follows_the_waveform_of_a_bass_tone(peak_reduction_db):
    # common practice, no source, for both figures: a 60 Hz tone, released in less than half a period, is heard
    # (-5 dB and above), and 60 ms adds clearly less.
    tone = sine(60.0, 3.0, RATE_HZ, 0.0).astype(np.float32)
    reference = DistortionReference(tone, RATE_HZ, lufs(tone))
    fast, slow = (reference.compare(limited(tone, peak_reduction_db, ms)).nmr_db for ms in (2.0, 60.0))
    assert fast >= -5.0
    assert slow < fast - 6.0


GLUE = {"ratio": 3.0, "attack_ms": 10.0, "release_ms": 100.0}


def glued(samples, threshold_db, hpf_hz):
    settings = {**GLUE, "threshold_db": threshold_db, "sidechain_hpf_hz": hpf_hz}
    return process(samples, bus_compressor=settings).traces["bus_compressor"]


def glued_by_3_db(samples, hpf_hz):
    """Trace with the threshold at which the reduction stays under 3 dB for 95 % of the time."""
    low, high = -50.0, 0.0
    for _ in range(12):
        trace = glued(samples, (low + high) / 2.0, hpf_hz)
        low, high = ((low + high) / 2.0, high) if np.percentile(trace.max_db, 95.0) > 3.0 else (low, (low + high) / 2.0)
    return trace


def test_a_side_chain_high_pass_lets_the_bass_drive_the_bus_compressor_less():
    # common practice, no source
    x = mix("bass_heavy_electronic")
    threshold_db = lufs(x) + 4.0
    assert glued(x, threshold_db, 90.0).mean_db.mean() < 0.9 * glued(x, threshold_db, 0.0).mean_db.mean()
    # And at the same work on the meter: how far reduction follows the level below 100 Hz (scipy's filter).
    low_pass = scipy.signal.butter(4, 100.0, "lowpass", fs=RATE_HZ, output="sos")
    bass = scipy.signal.sosfilt(low_pass, x.mean(axis=1, dtype=np.float64))
    hop = RATE_HZ // 100
    level_db = 10.0 * np.log10(np.mean(bass[: bass.size // hop * hop].reshape(-1, hop) ** 2, axis=1) + 1e-9)
    follows = [
        np.corrcoef(level_db, glued_by_3_db(x, hpf_hz).mean_db[: level_db.size])[0, 1] for hpf_hz in (0.0, 90.0, 150.0)
    ]
    assert follows[1] < follows[0] - 0.05
    assert follows[2] < follows[0] - 0.05


def test_rotating_an_asymmetric_lead_spares_the_limiter_and_leaves_the_spectrum():
    # common practice, no source, for the fact; 0.05 dB is what the rotation promises. Magnitudes: energy of both
    # channels in third octaves. Stereo image: correlation, side against mid and balance, of the whole and below 120 Hz.
    x = mix("brass_led_asymmetric")
    loud = loud_hops(weighted_hops(x, RATE_HZ), lufs(x))
    rotation = choose_rotation(x, RATE_HZ, loud, 10.0 ** (-6.0 / 20.0))
    assert rotation.used
    turned = process(x, rotation=rotation.settings).samples

    def reduction_db(samples):
        trace = process(samples, limiter={"ceiling_dbtp": -6.0, "release_ms": 60.0}).traces["limiter"]
        return trace.max_db[: loud.size][loud].mean()

    assert reduction_db(turned) < reduction_db(x) - 0.15
    frequency = np.fft.rfftfreq(x.shape[0], 1.0 / RATE_HZ)
    before, after = (np.sum(np.abs(np.fft.rfft(s, axis=0)) ** 2, axis=1) for s in (x, turned))
    for centre in 1000.0 * 2.0 ** (np.arange(-15, 13) / 3.0):  # third octaves, 31 Hz to 16 kHz
        band = (frequency >= centre * 2.0 ** (-1.0 / 6.0)) & (frequency < centre * 2.0 ** (1.0 / 6.0))
        assert 10.0 * np.log10(after[band].sum() / before[band].sum()) == pytest.approx(0.0, abs=0.05)
    image = ("correlation", "correlation_below_120_hz", "side_to_mid_db", "channel_imbalance_db")
    was, now = (measure(np.ascontiguousarray(s), RATE_HZ).as_dict() for s in (x, turned))
    assert [now[name] for name in image] == pytest.approx([was[name] for name in image], abs=0.02)
