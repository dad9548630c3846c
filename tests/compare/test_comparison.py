"""Known differences are recovered, in figures and in words."""

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import scipy.signal
import soxr

from autochain.audio.dither import quantise
from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.audio.signals import noise
from autochain.chain.chain import DEFAULT
from autochain.compare import compare
from autochain.compare.description import describe
from autochain.compare.pair import laid_on_mix
from autochain.demo import make_demo
from autochain.errors import AutochainError, DifferentMaterialError
from autochain.measure.distortion import DistortionReference
from autochain.measure.loudness import integrated_lufs, weighted_hops

RATE_HZ = 44100


def as_mix(samples, rate_hz=RATE_HZ, file="song.wav", sha256="0" * 64):
    return Mix(
        samples=np.ascontiguousarray(samples, dtype=np.float32),
        rate_hz=rate_hz,
        file=file,
        sha256=sha256,
        subtype="PCM_24",
    )


def of(path):
    return read_mix(path).samples.astype(np.float64)


@pytest.fixture(scope="module")
def song(excerpts_mix):
    return of(excerpts_mix)


@pytest.fixture(scope="module")
def longer_song(short_mix):
    """Twelve seconds, for what happens in the middle of a song."""
    return of(short_mix)


def comparing(song):
    def run(master, rate_hz=RATE_HZ):
        found = compare(as_mix(song), as_mix(master, rate_hz, "master.wav", "1" * 64))
        said = describe(found)
        return found, [one.text for one in said.changed], said

    return run


@pytest.fixture(scope="module")
def against(song):
    """Comparison of the song with a master of it, and the sentences."""
    return comparing(song)


@pytest.fixture(scope="module")
def against_longer(longer_song):
    return comparing(longer_song)


def shelf(samples, kind, frequency_hz, gain_db):
    """High or low shelf of slope 1, and its coefficients.

    R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients.
    """
    A, w = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * frequency_hz / RATE_HZ
    c, alpha, s = np.cos(w), np.sin(w) / np.sqrt(2.0), -1.0 if kind == "low" else 1.0
    r = 2.0 * np.sqrt(A) * alpha
    b = (
        A * ((A + 1.0) + s * (A - 1.0) * c + r),
        -2.0 * s * A * ((A - 1.0) + s * (A + 1.0) * c),
        A * ((A + 1.0) + s * (A - 1.0) * c - r),
    )
    a = (
        (A + 1.0) - s * (A - 1.0) * c + r,
        2.0 * s * ((A - 1.0) - s * (A + 1.0) * c),
        (A + 1.0) - s * (A - 1.0) * c - r,
    )
    return scipy.signal.lfilter(b, a, samples, axis=0), (b, a)


def delayed(samples, delay):
    """Closed form: a delay turns the phase of every frequency by -2 pi f delay."""
    wide = np.pad(samples, ((8192, 8192 + int(delay)), (0, 0)))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(wide)) * delay)[:, np.newaxis]
    return np.fft.irfft(np.fft.rfft(wide, axis=0) * turn, len(wide), axis=0)[8192:]


def lufs(samples):
    return pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(samples)


def test_a_file_against_itself_has_changed_in_nothing(against, song):
    found, texts, said = against(song)
    assert texts == []
    assert len(said.unchanged) == 13
    assert found.gain_lu == pytest.approx(0.0, abs=1e-6)
    assert max(abs(b.change_db) for b in found.bands if b.change_db is not None) < 1e-6


def test_gain_is_recovered_and_is_no_change_at_equal_loudness(against, song):
    found, texts, said = against(10.0 ** (-4.3 / 20.0) * song)
    assert found.gain_lu == pytest.approx(-4.3, abs=0.005)
    assert texts == []
    assert said.loudness == "The master is 4.3 LU quieter. For all that follows it was turned up by that."


def test_loudness_figures_are_those_of_libebur128(against, song):
    master = np.clip(2.0 * song, -0.6, 0.6).astype(np.float32)
    found, _, _ = against(master)
    for samples, figures in ((song, found.mix.figures), (master, found.master.figures)):
        mode = pyebur128.MeasurementMode
        state = pyebur128.R128State(2, RATE_HZ, mode.MODE_I | mode.MODE_TRUE_PEAK)
        state.add_frames(np.ascontiguousarray(samples, dtype=np.float64).reshape(-1), len(samples))
        assert figures.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(state), abs=0.02)
        peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
        # libebur128 reads by its 49-tap sinc alone; the highest of three readings lies up to 0.2 dB over it
        assert figures.true_peak_sinc49_dbtp == pytest.approx(20.0 * np.log10(peak), abs=0.02)


@pytest.mark.parametrize(("kind", "corner_hz", "gain_db"), [("high", 4000.0, 3.0), ("low", 150.0, -2.5)])
def test_shelves_are_recovered_in_every_band(against, song, kind, corner_hz, gain_db):
    filtered, (b, a) = shelf(song, kind, corner_hz, gain_db)
    found, _, _ = against(filtered)
    louder = lufs(filtered) - lufs(song)
    assert found.gain_lu == pytest.approx(louder, abs=0.02)
    for band in found.bands:
        if band.heard:
            # closed form: mean power response over the band, whose content is taken as even; edges of IEC 61260-1
            inside = band.nominal_hz * 10.0 ** np.linspace(-0.05, 0.05, 41)
            _, H = scipy.signal.freqz(b, a, inside, fs=RATE_HZ)
            expected = 10.0 * np.log10(np.mean(np.abs(H) ** 2)) - louder
            assert band.change_db == pytest.approx(expected, abs=0.3)


def test_the_change_of_a_band_is_that_of_a_plain_fourier_transform(against, song):
    filtered, _ = shelf(song, "high", 2000.0, 4.0)
    found, _, _ = against(filtered)
    frequencies = np.fft.rfftfreq(len(song), 1.0 / RATE_HZ)
    powers = [np.sum(np.abs(np.fft.rfft(s, axis=0)) ** 2, axis=1) for s in (song, filtered)]
    for band in found.bands[8:]:
        if band.heard:
            x = round(10.0 * np.log10(band.nominal_hz / 1000.0))
            # IEC 61260-1:2014, equations 2, 4 and 5: base-ten mid-bands and edges
            edges = 1000.0 * 10.0 ** ((x + np.array([-0.5, 0.5])) / 10.0)
            inside = (frequencies >= edges[0]) & (frequencies < edges[1])
            expected = 10.0 * np.log10(powers[1][inside].sum() / powers[0][inside].sum()) - found.gain_lu
            assert band.change_db == pytest.approx(expected, abs=0.05)


def test_a_bell_is_said_by_its_range_and_size(against, song):
    found, texts, _ = against(shelf(song, "high", 6000.0, 3.0)[0])
    (up,) = [text for text in texts if "came up" in text]
    assert "to 16 kHz came up" in up
    assert found.distortion.nmr_db < -40.0  # limit set by this project: a linear change is none


@pytest.mark.parametrize("delay", [0.25, 8820.25])
def test_latency_is_recovered_to_a_fiftieth_of_a_sample_and_changes_nothing(against, song, delay):
    found, texts, said = against(delayed(song, delay))
    assert found.alignment.delay_samples == pytest.approx(delay, abs=0.02)
    assert [text for text in texts if "silence" not in text] == []
    assert f"({delay:.2f} samples at 44100 Hz)" in said.made_comparable[0]


def test_polarity_and_swapped_channels_are_told(against, song):
    found, texts, _ = against(-song)
    assert found.alignment.polarity == -1
    assert texts == ["The polarity is inverted, in both channels alike."]
    found, texts, _ = against(song[:, ::-1])
    assert found.alignment.swapped
    assert texts == ["Left and right are swapped."]
    _, texts, _ = against(song * [1.0, -1.0])
    assert texts[0].startswith("One channel is inverted against the other")


@pytest.mark.parametrize("late", [-700, 0, 700])
@pytest.mark.parametrize("turned", [1.0, -1.0])
def test_to_be_heard_a_master_lies_on_the_time_of_its_mix_and_has_its_polarity(song, late, turned):
    master = turned * (song[-late:] if late < 0 else np.pad(song, ((late, 0), (0, 0))))[:, ::-1]
    sounds = as_mix(song), as_mix(master, file="master.wav", sha256="1" * 64)
    rate_hz, mix, laid = laid_on_mix(*sounds, compare(*sounds).alignment)
    assert rate_hz == RATE_HZ
    assert mix.shape == laid.shape
    lost = max(0, -late)
    assert not laid[:lost].any()
    assert np.array_equal(laid[lost:], mix[lost:])


def test_a_narrower_stereo_is_told_by_its_size(against, song):
    mid, side = song.sum(axis=1) / 2.0, (song[:, 0] - song[:, 1]) / 2.0
    side *= 10.0 ** (-3.0 / 20.0)
    found, texts, _ = against(np.stack([mid + side, mid - side], axis=1))
    assert found.width_change_db == pytest.approx(-3.0, abs=0.01)
    assert "The stereo image is 3.0 dB narrower (side against mid)." in texts


def test_a_mono_master_is_told(against, song):
    mono = song.mean(axis=1)
    assert "The master is mono, the mix is stereo." in against(np.stack([mono, mono], axis=1))[1]
    _, texts, said = against(mono[:, np.newaxis])
    assert "The master is mono, the mix is stereo." in texts
    assert any("one channel" in line for line in said.made_comparable)


def test_a_channel_turned_down_is_told(against, song):
    _, texts, _ = against(song * [1.0, 10.0 ** (-1.0 / 20.0)])
    assert any(text == "The left channel came up 1.0 dB against the other." for text in texts)


def test_further_limiting_raises_what_it_costs_and_is_told(against, song):
    peak = np.abs(song).max()
    gentle, hard = (against(np.clip(song, -share * peak, share * peak)) for share in (0.7, 0.4))
    for name in ("crest_loss_db", "movement_db"):
        assert getattr(hard[0], name) > getattr(gentle[0], name) > 0.0
    assert hard[0].onset_change_db < gentle[0].onset_change_db < 0.0
    assert hard[0].distortion.nmr_db > gentle[0].distortion.nmr_db + 3.0
    said = " ".join(hard[1])
    assert "Hits lost" in said
    assert "limited or clipped further" in said
    assert "Distortion was added" in said
    assert "places are cut off flat" in said


def test_a_gain_that_swings_is_measured(against, song):
    t = np.arange(len(song)) / RATE_HZ
    found, texts, _ = against(song * 10.0 ** (np.sin(2.0 * np.pi * 3.0 * t) / 20.0)[:, np.newaxis])
    # closed form: a swing of 1 dB has an rms of 1 / sqrt(2) dB; loud parts alone and hops of 10 ms leave a tenth
    assert found.movement_db == pytest.approx(1.0 / np.sqrt(2.0), rel=0.1)
    assert any("moves by 0.7 dB" in text for text in texts)


def test_a_click_that_the_mix_has_not_is_told_with_its_time(against, song):
    clicked = song.copy()
    clicked[5 * RATE_HZ] += 0.1
    found, texts, _ = against(clicked)
    assert [click.at_s for click in found.new_clicks] == pytest.approx([5.0], abs=1e-3)
    assert texts[0].startswith("One click ")


def test_edges_of_clipping_behind_a_limiter_are_no_clicks(against, song):
    settings = {"drive": {"gain_db": 7.0}, "clipper": {"ceiling_dbfs": 0.0, "softness": 0.0}, "limiter": {}}
    master = DEFAULT.render(song.astype(np.float32), RATE_HZ, DEFAULT.checked(settings)).samples.copy()
    found, texts, _ = against(master)
    assert found.new_clicks == ()
    assert any("hard edges of clipped peaks" in text for text in texts)
    master[round(1.2 * RATE_HZ)] += 0.2
    assert [click.at_s for click in against(master)[0].new_clicks] == pytest.approx([1.2], abs=1e-3)


def _limited(song):
    settings = DEFAULT.checked({"drive": {"gain_db": 7.0}, "limiter": {}})
    return DEFAULT.render(song.astype(np.float32), RATE_HZ, settings).samples


def _wider(song):
    mid, side = song.mean(axis=1), 0.5 * (song[:, 0] - song[:, 1]) * 10.0 ** (1.0 / 20.0)
    return np.column_stack([mid + side, mid - side])


@pytest.mark.parametrize(
    "treated",
    [
        _limited,
        _wider,
        # memoryless and smooth: it has no edge anywhere
        lambda song: np.tanh(1.5 * song / np.abs(song).max()),
    ],
    ids=["limited", "wider", "soft curve"],
)
def test_what_neither_clicks_nor_clips_is_said_to_do_neither(against, song, treated):
    spiky = song.copy()
    spiky[3 * RATE_HZ :: 4 * RATE_HZ] += 0.1  # a mix with clicks of its own
    found = compare(as_mix(spiky), as_mix(treated(spiky), sha256="1" * 64))
    assert (found.new_clicks, found.new_edges_s) == ((), ())


def test_a_moving_gain_is_not_read_as_distortion_in_the_bass(against, song):
    found, _, _ = against(_limited(song))
    level = integrated_lufs(weighted_hops(song, RATE_HZ))
    # the same kernel with the mix itself as reference, which is what the sheet compares with behind no equaliser
    known = DistortionReference(song, RATE_HZ, level).compare(np.asarray(_limited(song), np.float64))
    # 0.5 dB: no more than the page's last decimals. a limit of this project
    assert found.distortion.nmr_low_db == pytest.approx(known.nmr_low_db, abs=0.5)


def test_a_true_peak_that_the_mix_has_already_is_no_change(song):
    over = song * (1.1 / np.abs(song).max())
    said = describe(compare(as_mix(over), as_mix(over, sha256="1" * 64)))
    assert said.changed == ()


def test_cut_and_faded_ends_are_told_apart(against_longer, longer_song):
    found, texts, _ = against_longer(longer_song[: 9 * RATE_HZ])
    assert found.tail.abrupt
    assert found.tail.at_s == pytest.approx(9.0, abs=0.03)
    assert "of the mix's sound are cut off" in texts[0]
    t = np.arange(len(longer_song)) / RATE_HZ
    faded = longer_song * np.clip((11.0 - t) / 3.0, 0.0, 1.0)[:, np.newaxis]
    found, texts, _ = against_longer(faded)
    assert not found.tail.abrupt
    # closed form: the fade is 3 dB down 0.29 of its way
    assert found.tail.at_s == pytest.approx(8.0 + 0.29 * 3.0, abs=0.1)
    # what fades is no change of spectrum or level
    assert [text for text in texts if "fades out" not in text] == []


@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
def test_dither_over_the_silence_of_a_mix_tells_no_gain(gain_db):
    """A quieter master read as if all its sound were missing: 0.00 s in common."""
    mix = noise(6.0, RATE_HZ, -12.0)
    mix[: RATE_HZ // 2] = mix[-RATE_HZ // 2 :] = 0.0
    words = quantise((mix * 10.0 ** (gain_db / 20.0)).astype(np.float32), 24, np.random.default_rng(1))
    found, _, _ = comparing(mix)(words * 2.0**-23)
    assert found.compared_s == (0.0, 6.0)
    assert (found.head.lost_s, found.tail.lost_s) == (0.0, 0.0)


def test_silence_inside_a_mix_does_not_hide_that_the_sound_behind_it_is_gone():
    mix = noise(9.0, RATE_HZ, -12.0)
    mix[7 * RATE_HZ : 15 * RATE_HZ // 2] = 0.0
    master = mix.copy()
    master[6 * RATE_HZ :] = 0.0
    words = quantise(master.astype(np.float32), 24, np.random.default_rng(1))
    found, _, _ = comparing(mix)(words * 2.0**-23)
    assert found.tail.at_s == pytest.approx(6.0, abs=0.03)


def test_an_edit_in_the_middle_is_told_and_left_out(against_longer, longer_song):
    found, texts, said = against_longer(np.concatenate([longer_song[: 4 * RATE_HZ], longer_song[6 * RATE_HZ :]]))
    assert found.unmatched_s == ((2.0, 6.0),)  # in step from 2 s on; the master holds 0 to 4 s of the mix there
    assert found.compared_s == pytest.approx((6.0, 12.0))
    assert texts == [
        "Mix and master do not match from 0:02.0 to 0:06.0 of the mix: an edit, or another version. The rest "
        "of this page is about 0:06.0 to 0:12.0."
    ]
    assert "too short to tell added distortion" in said.made_comparable[-1]


def test_a_master_of_a_small_part_is_cut_at_its_end(against, song):
    found, texts, _ = against(song[: round(3.5 * RATE_HZ)])
    assert found.tail.abrupt
    assert found.tail.at_s == pytest.approx(3.5, abs=0.03)
    assert "of the mix's sound are cut off" in texts[0]


def test_another_rate_is_brought_to_the_lower_one_and_changes_nothing(against, song):
    wide = scipy.signal.resample(song, len(song) * 2)  # by FFT, exact below half the lower rate
    found, texts, said = against(wide, 2 * RATE_HZ)
    assert (found.rate_hz, found.resampled) == (RATE_HZ, "master")
    assert texts == []
    assert "the master was brought to 44100 Hz" in said.made_comparable[-1]
    assert found.distortion.nmr_db < -40.0


def test_clocks_that_run_apart_are_told(against_longer, longer_song):
    slower = soxr.resample(longer_song, RATE_HZ, RATE_HZ * 1.00008)  # as far apart at the end as 20e-6 in 48 s
    _, _, said = against_longer(slower)
    assert "drifts against the mix" in said.made_comparable[1]


def test_unrelated_songs_and_noises_are_different_material(song):
    other = make_demo("vocal_with_piano", RATE_HZ, 12.0, 1)
    with pytest.raises(DifferentMaterialError, match="different material"):
        compare(as_mix(song), as_mix(other))
    with pytest.raises(DifferentMaterialError):
        compare(as_mix(noise(4.0, RATE_HZ, seed=1)), as_mix(noise(4.0, RATE_HZ, seed=2)))


def test_a_master_too_quiet_to_hear_is_refused(song):
    with pytest.raises(AutochainError, match="under -70 LUFS"):
        compare(as_mix(song), as_mix(1e-6 * song))
