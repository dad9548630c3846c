"""What is seen and heard behind findings: the numbers, the pictures, and the sounds."""

import base64
import io
import re
from functools import cache

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy import signal

from autochain.demo import make_demo
from autochain.measure.spectrum import measure_spectrum
from autochain.page.closeups import look_at, shown_times
from autochain.page.extracts import Extract, Room, extract_of, span_s
from autochain.page.near import LowLines, OutlineMeter, flat_at, hole_end, hump_of, level_near, waveform_near
from autochain.prepare.finding import Finding

RATE_HZ = 44100


@cache
def song(character: str) -> np.ndarray:
    return make_demo(character, RATE_HZ, 10.0, 1)


def finding(code: str, times_s: tuple[float, ...] = (), **more) -> Finding:
    return Finding(code=code, text="", suggestion="", value=None, unit="", times_s=times_s, **more)


def points_of(svg: str, kind: str) -> list[np.ndarray]:
    """Corners of every line of a class, shape (points, 2)."""
    found = re.findall(rf'<polyline class="{kind}" points="([^"]*)"', svg)
    return [np.array([[float(v) for v in pair.split(",")] for pair in one.split()]) for one in found]


def looked(samples: np.ndarray, *findings: Finding, block: int = 1 << 18, **more):
    blocks = [samples[start : start + block] for start in range(0, len(samples), block)]
    return look_at(findings, blocks, RATE_HZ, samples.shape[1], len(samples), **more)


def decoded(extract: Extract) -> tuple[np.ndarray, int]:
    return soundfile.read(io.BytesIO(base64.b64decode(extract.flac)), dtype="float64", always_2d=True)


def test_the_picture_of_a_click_has_it_in_the_middle_and_only_its_channel():
    samples = song("vocal_with_piano").copy()
    frame = 100_003
    samples[frame, 1] += 0.3
    # Blocks that cut through the picture.
    seen = looked(samples, finding("click", (frame / RATE_HZ,), channels="right"), block=50_000)
    ((place,),) = (look.places for look in seen.looks)
    (line,) = points_of(place.picture, "thin")  # one lane
    far = np.abs(np.diff(line[:, 1], 2)).argmax() + 1  # of all points the one that stands out
    assert line[far, 0] == pytest.approx((line[0, 0] + line[-1, 0]) / 2.0, abs=0.1)
    assert place.picture.count("<circle") == len(line)
    both = looked(samples, finding("click", (frame / RATE_HZ,)))
    assert len(points_of(both.looks[0].places[0].picture, "thin")) == 2


def test_a_place_that_was_cut_off_is_drawn_around_its_flat_top():
    """A clipped place is told to 10 ms; the picture is of the very samples."""
    at = np.arange(2000)
    wave = 0.2 * np.sin(2.0 * np.pi * at / 300.0)
    wave[1234:1245] = 0.8
    assert flat_at(np.stack([wave, wave], axis=1), 900) in range(1234, 1245)
    samples = np.zeros((4 * RATE_HZ, 2), np.float32)
    samples[RATE_HZ : RATE_HZ + 2000, 0] = wave
    seen = looked(samples, finding("clipped", (1.02,)))
    left = points_of(seen.looks[0].places[0].picture, "thin")[0]
    top = left[left[:, 1] == left[:, 1].min(), 0]
    assert len(top) == 11
    assert top.mean() == pytest.approx(left[:, 0].mean(), abs=1.5)


def test_the_end_of_a_hole_is_where_the_sound_is_back():
    noise = 0.1 * np.random.default_rng(1).standard_normal((RATE_HZ, 2))
    noise[4000:4900, 0] = 0.0
    assert hole_end(noise, RATE_HZ, 4000, "left") == pytest.approx(4900, abs=20)
    assert hole_end(noise[:4500], RATE_HZ, 4000, "left") == 4500


def test_many_samples_are_drawn_by_their_extremes_in_order_of_time():
    wave = np.zeros((20_000, 1))
    wave[7777], wave[7779] = 0.9, -0.7
    drawn = waveform_near(wave, RATE_HZ, 7777, "both")
    ((name, at_ms, values),) = drawn.lanes
    assert not drawn.single
    assert name == ""
    assert len(values) <= 600
    assert at_ms[values.index(0.9)] == 0.0
    assert values.index(0.9) < values.index(-0.7)


def test_a_step_of_level_shows_its_height_at_its_place():
    noise = 0.1 * np.random.default_rng(2).standard_normal((8 * RATE_HZ, 2))
    at = 4 * RATE_HZ + 123
    noise[at:, 0] *= 0.5
    course = level_near(noise, RATE_HZ, at, 0.05)
    (_, left), (_, right) = course.lanes
    after = np.array(course.at_s) > 0.0
    # Half of an amplitude is 6.02 dB.
    assert np.mean(np.array(left)[~after]) - np.mean(np.array(left)[after]) == pytest.approx(6.02, abs=0.1)
    assert np.mean(np.array(right)[~after]) == pytest.approx(np.mean(np.array(right)[after]), abs=0.1)
    assert np.abs(np.array(course.at_s)).min() == pytest.approx(0.025, abs=1e-6)  # windows meet at the place


@pytest.mark.parametrize(("channels", "height_db"), [("left", 9.0), ("right", 0.0), ("mid", 6.4)])
def test_a_bell_stands_out_of_the_line_beside_it_by_its_height(channels, height_db):
    """A bell of 9 dB in the left channel of independent noise; mid: half of either power, 10 log (8.9/2 + 1/2)."""
    if channels == "mid":
        height_db = 10.0 * np.log10((10.0**0.9 + 1.0) / 2.0)
    noise = 0.05 * np.random.default_rng(3).standard_normal((40 * RATE_HZ, 2))
    # A bell by its analogue prototype, (s^2 + s A/Q + 1) / (s^2 + s/(AQ) + 1), A the root of the gain.
    gain, q, turn = 10.0 ** (9.0 / 40.0), 4.0, 2.0 * np.pi * 1000.0
    b, a = signal.bilinear([1.0, gain / q * turn, turn**2], [1.0, turn / (gain * q), turn**2], RATE_HZ)
    noise[:, 0] = signal.lfilter(b, a, noise[:, 0])
    hump = hump_of(measure_spectrum(noise, RATE_HZ), channels, 1000.0, q)
    assert hump is not None
    middle = int(np.argmin(np.abs(np.array(hump.freq_hz) - 1000.0)))
    # Smoothed over a quarter octave's half, and its foot lifts the line beside it: a little less than the bell.
    assert height_db - 1.6 <= hump.level_db[middle] - hump.beside_db[middle] <= height_db + 0.4
    assert hump.freq_hz[0] < 1000.0 / 2.0 ** (1.0 / 3.0)
    assert hump.freq_hz[-1] <= 2000.0


def test_silence_has_no_hump():
    assert hump_of(measure_spectrum(np.zeros((4 * RATE_HZ, 2)), RATE_HZ), "both", 1000.0, 4.0) is None


def test_lines_show_a_tone_at_its_level_through_louder_music():
    """A sine of amplitude 0.01 is -40 dB of a full-scale one. Music of every other second does not hide it.

    It adds to the tone in its seconds at random phase, which moves the quieter quarter by some tenths of a dB.
    """
    at_s = np.arange(20 * RATE_HZ) / RATE_HZ
    music = 0.2 * np.random.default_rng(4).standard_normal(at_s.size) * (at_s % 4.0 < 2.0)
    lines = LowLines(RATE_HZ, 2)
    sound = np.stack([music, music + 0.01 * np.sin(2.0 * np.pi * 150.0 * at_s)], axis=1)
    for start in range(0, len(sound), 100_000):
        lines.push(sound[start : start + 100_000])
    freq_hz, right_db = lines.result("right")
    peak = int(np.argmax(right_db))
    assert freq_hz[peak] == pytest.approx(150.0)
    assert right_db[peak] == pytest.approx(-40.0, abs=0.5)
    assert lines.result("left")[1][peak] < -60.0
    assert lines.result("both")[1][peak] == pytest.approx(-40.0, abs=0.5)


def test_the_outline_does_not_depend_on_the_blocks():
    sound = np.random.default_rng(5).standard_normal((10_007, 2))
    whole, parts = OutlineMeter(10_007, 600), OutlineMeter(10_007, 600)
    whole.push(sound)
    for start in range(0, 10_007, 13):
        parts.push(sound[start : start + 13])
    assert whole.result() == parts.result()
    assert max(whole.result().highest) == sound.max()
    assert min(whole.result().lowest) == sound.min()


def test_eight_places_are_shown_and_swarms_do_not_take_them_all():
    swarm = tuple(1.0 + 0.01 * k for k in range(30))
    assert shown_times((*swarm, 20.0, 40.0)) == [*swarm[:6], 20.0, 40.0]
    assert shown_times((3.0, 3.001)) == [3.0, 3.001]
    assert shown_times(tuple(range(100))) == [*range(8)]


def test_a_place_begins_a_second_before_it_and_lies_inside_the_mix():
    assert span_s(10.0, 60.0) == (9.0, 12.0)
    assert span_s(0.2, 60.0) == (0.0, 3.0)
    assert span_s(60.0, 60.0) == (57.0, 60.0)


@pytest.mark.parametrize("gain", [2.0, 0.05])
def test_a_place_plays_at_the_promised_level_as_libebur128_reads_it(gain):
    """-26 LUFS and peaks under -12 dBFS, limits of this project: dense music by its loudness, a click by its peak."""
    samples = (gain * song("dense_rock")).astype(np.float32)
    seen = looked(samples, finding("click", (3.0,)))
    heard, rate_hz = decoded(seen.extracts[0])
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(heard).reshape(-1), len(heard))
    assert pyebur128.get_loudness_global(state) == pytest.approx(-26.0, abs=0.1)
    assert len(heard) == 3 * RATE_HZ
    assert 20.0 * np.log10(np.abs(heard).max()) <= -12.0
    samples[3 * RATE_HZ] += 20.0 * gain
    heard, _ = decoded(looked(samples, finding("click", (3.0,))).extracts[0])
    assert 20.0 * np.log10(np.abs(heard).max()) == pytest.approx(-12.0, abs=0.02)
    assert np.abs(heard).max() <= 10.0 ** (-12.0 / 20.0)
    assert int(np.abs(heard).max(axis=1).argmax()) == RATE_HZ  # a second after it starts


def test_one_channel_is_levelled_as_the_two_loudspeakers_that_play_it():
    mono = song("dense_rock")[:, :1].copy()
    heard, rate_hz = decoded(looked(mono, finding("click", (2.0,))).extracts[0])
    assert heard.shape[1] == 1
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.repeat(heard, 2, axis=1).reshape(-1), len(heard))
    assert pyebur128.get_loudness_global(state) == pytest.approx(-26.0, abs=0.1)


def test_edges_of_a_place_are_soft_but_the_end_of_the_mix_is_as_it_is():
    loud = np.full((6 * RATE_HZ, 2), 0.5, np.float32)
    inside = decoded(extract_of(loud[: 3 * RATE_HZ], RATE_HZ, "a", (0, True, 1, 0), opens=False, closes=False))[0]
    assert np.abs(inside[[0, -1]]).max() < 1e-3
    last = decoded(extract_of(loud[: 3 * RATE_HZ], RATE_HZ, "a", (0, True, 1, 0), opens=False, closes=True))[0]
    assert np.abs(last[-1]).max() == pytest.approx(np.abs(last).max(), rel=1e-3)


def test_a_pause_stays_a_pause_and_silence_stays_silence():
    quiet = 1e-5 * np.random.default_rng(6).standard_normal((4 * RATE_HZ, 2)).astype(np.float32)
    assert looked(quiet, finding("noise", (2.0,))).extracts[0].gain_db == 30.0
    heard, _ = decoded(looked(np.zeros((4 * RATE_HZ, 2), np.float32), finding("noise", (2.0,))).extracts[0])
    assert np.abs(heard).max() <= 1.6 * 2.0**-15  # dither alone


def test_room_keeps_first_places_longest_in_whatever_order_they_come():
    def one(place: int, mix: int, size: int = 10) -> Extract:
        return Extract(name=f"{mix}-{place}", rank=(place, True, mix, 0), gain_db=0.0, flac="x" * size)

    every = [one(place, mix) for mix in range(4) for place in range(3)]
    for order in (every, every[::-1]):
        room = Room(60)
        for extract in order:
            room.put([extract])
        assert sorted(room.kept) == ["0-0", "0-1", "1-0", "1-1", "2-0", "3-0"]


def test_two_findings_at_one_place_share_its_sound_and_none_is_made_unasked():
    samples = song("vocal_with_piano")
    both = (finding("click", (2.0,)), finding("dropout", (2.0, 4.0)))
    seen = looked(samples, *both)
    assert len(seen.extracts) == 2
    assert seen.looks[0].places[0].sound == seen.looks[1].places[0].sound
    assert looked(samples, *both, sound=False).extracts == ()
    marks = [place.mark for look in seen.looks for place in look.places]
    assert len(set(marks)) == 3


def test_kinds_without_a_picture_have_their_words_alone():
    samples = song("vocal_with_piano")
    (look,) = looked(samples, finding("mono_compatibility", (2.0,))).looks
    assert (look.whole, look.caption, look.places[0].picture) == ("", "", "")
