"""Verdicts on mixes whose state is known. All limits: common practice, no source."""

from dataclasses import replace

import numpy as np
import pyebur128
import pytest

from autochain.audio.signals import noise, sine
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.clicks import Click
from autochain.measure.hum import Hum
from autochain.measure.inspection import inspect
from autochain.prepare.finding import Finding
from autochain.prepare.readiness import Readiness, judge
from autochain.units import db_to_linear

RATE_HZ = 44100
LIMITS = read_config().check


@pytest.fixture(scope="module")
def clean() -> np.ndarray:
    """A demo mix at -15 LUFS, whose loudest peaks are brought to -3 dBTP by a slow gain around each of them."""
    return make_demo("vocal_with_piano", RATE_HZ, 20.0, 1)


def verdict(sound: np.ndarray, rate_hz: int = RATE_HZ) -> Readiness:
    return judge(inspect(np.asarray(sound, np.float32), rate_hz), LIMITS)


def codes(ready: Readiness) -> list[str]:
    return [finding.code for finding in ready.findings]


# Trade fact: a clean mix of about -15 LUFS at about -3 dBTP is ready. common practice, no source
def test_a_clean_mix_is_ready(clean: np.ndarray) -> None:
    seen = inspect(clean, RATE_HZ)
    assert seen.measured.figures.integrated_lufs == pytest.approx(-15.0, abs=0.1)
    assert seen.measured.figures.true_peak_dbtp == pytest.approx(-3.0, abs=1.5)
    assert judge(seen, LIMITS) == Readiness(verdict="ready", findings=())


# Trade fact: a mix with clicks or clipping goes back. common practice, no source
def test_a_click_sends_the_mix_back(clean: np.ndarray) -> None:
    clicked = clean.copy()
    clicked[9 * RATE_HZ] += 0.1
    found = verdict(clicked)
    assert (found.verdict, codes(found)) == ("revisit", ["click"])
    assert found.findings[0].times_s == pytest.approx([9.0])
    assert found.findings[0].value == 1.0


# 0 dB is where ITU-R BS.1387 lets a difference be heard; 3 dB over it and six times out: limits of this project.
@pytest.mark.parametrize(
    ("over_mask_db", "stands_out", "certainty"),
    [(2.9, 50.0, "likely"), (30.0, 5.9, "likely"), (-0.1, 50.0, "doubtful")],
)
def test_a_click_near_the_mask_or_not_far_from_its_surroundings_is_a_remark(
    clean: np.ndarray, over_mask_db: float, stands_out: float, certainty: str
) -> None:
    click = Click(
        at_s=9.0, height_db=-20.0, channels="left", at_top=False, over_mask_db=over_mask_db, stands_out=stands_out
    )
    seen = inspect(clean, RATE_HZ)
    (remark,) = judge(replace(seen, clicks=(click,)), LIMITS).findings
    assert (remark.code, remark.certainty, remark.sends_back, remark.channels) == ("click", certainty, False, "left")
    sure = replace(click, at_s=12.0, over_mask_db=3.1, stands_out=6.1)
    both = judge(replace(seen, clicks=(click, sure)), LIMITS)
    assert both.verdict == "revisit"
    assert [(one.certainty, one.times_s) for one in both.findings] == [("certain", (12.0,)), (certainty, (9.0,))]


def test_clipping_sends_the_mix_back_and_its_edges_are_no_clicks(clean: np.ndarray) -> None:
    found = verdict(np.clip(clean, -0.4, 0.4))
    assert found.verdict == "revisit"
    assert codes(found)[0] == "clipped"
    assert "click" not in codes(found)


# Trade fact: a mix that comes at -15 LUFS and -3 dBTP, with nothing wrong in it, is ready. common practice, no source
def test_a_clean_mix_at_minus_15_lufs_and_minus_3_dbtp_is_ready(clean: np.ndarray) -> None:
    mix = brought_to(clean, -15.0, -3.0)
    loudness, peak = outside(mix)
    assert loudness == pytest.approx(-15.0, abs=0.05)
    assert peak == pytest.approx(-3.0, abs=0.1)
    assert verdict(mix) == Readiness(verdict="ready", findings=())


def brought_to(mix: np.ndarray, lufs: float, peak_dbtp: float) -> np.ndarray:
    """The mix at that loudness, a slow gain of half a second around every peak that reaches further."""
    out = np.asarray(mix, np.float64)
    dip = np.hanning(RATE_HZ // 2)[:, None]
    for _ in range(400):
        out = out * db_to_linear(lufs - outside(out)[0])
        peak = outside(out)[1]
        if peak <= peak_dbtp + 0.02:
            break
        at = int(np.abs(out).max(axis=1).argmax())
        start, stop = max(0, at - dip.size // 2), min(len(out), at + dip.size // 2)
        shape = dip[start - at + dip.size // 2 :][: stop - start]
        out[start:stop] *= 1.0 - shape * (1.0 - db_to_linear(min(-0.1, peak_dbtp - peak)))
    return out


def outside(sound: np.ndarray) -> tuple[float, float]:
    """Loudness and true peak as libebur128 reads them."""
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, RATE_HZ, mode.MODE_I | mode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(sound, np.float64).reshape(-1), len(sound))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
    return pyebur128.get_loudness_global(state), 20.0 * np.log10(peak)


# No stage of a master evens out an abrupt 10 dB; 4 dB may be arrangement. common practice, no source
@pytest.mark.parametrize(("step_db", "expected"), [(4.0, "usable"), (10.0, "revisit"), (-10.0, "revisit")])
def test_an_abrupt_change_of_level_goes_back_when_large(clean: np.ndarray, step_db: float, expected: str) -> None:
    jumped = db_to_linear(-3.0 - max(0.0, step_db)) * clean
    jumped[9 * RATE_HZ + 321 :] *= db_to_linear(step_db)
    found = verdict(jumped)
    (jump,) = [one for one in found.findings if one.code == "level_jump"]
    assert found.verdict == expected
    assert jump.value == pytest.approx(step_db, abs=0.5)
    assert jump.times_s == pytest.approx([9.0 + 321 / RATE_HZ], abs=0.001)


def test_one_sided_peaks_are_a_remark_with_their_size_side_and_loudest_part() -> None:
    brass = make_demo("brass_led_asymmetric", RATE_HZ, 20.0, 1)
    told = []
    for sound in (brass, -brass):  # turned over, the same peaks reach to the other side
        (finding,) = [one for one in verdict(sound).findings if one.code == "asymmetry"]
        assert not finding.sends_back
        assert finding.value == inspect(sound, RATE_HZ).measured.figures.asymmetry_db
        assert "dB in the loudest 3 s" in finding.text
        assert len(finding.times_s) == 1
        told.append(finding)
    assert told[0].value == pytest.approx(told[1].value, abs=1e-6)
    # What it means, plainly: in most of the loud 50 ms that side's peak is the higher one.
    windows = brass[: len(brass) // 2205 * 2205].reshape(-1, 2205 * 2)
    loud = np.sqrt((windows**2).mean(axis=1)) > np.sqrt((brass**2).mean())
    higher = "positive" if (windows.max(axis=1) > -windows.min(axis=1))[loud].mean() > 0.5 else "negative"
    other = {"positive": "negative", "negative": "positive"}[higher]
    for one, side in zip(told, (higher, other), strict=True):
        assert f"the {side} peaks reach" in one.text


def test_a_hole_sends_the_mix_back_and_its_edges_are_no_clicks(clean: np.ndarray) -> None:
    holed = clean.copy()
    holed[9 * RATE_HZ : 9 * RATE_HZ + 900] = 0.0
    assert codes(verdict(holed)) == ["dropout"]


def test_a_limited_mix_goes_back() -> None:
    dense = np.clip(4.0 * noise(6.0, RATE_HZ, -20.0), -0.5, 0.5)
    found = verdict(0.5 * dense)
    assert found.verdict == "revisit"
    assert {"clipped", "limited"} <= set(codes(found))


@pytest.mark.parametrize(
    ("gain_db", "expected"),
    [(-12.0, {"loudness", "true_peak"}), (2.5, {"true_peak"}), (4.5, {"loudness", "true_peak"})],
)
def test_level_is_judged_by_its_band(clean: np.ndarray, gain_db: float, expected: set[str]) -> None:
    found = verdict(db_to_linear(gain_db) * clean)
    assert expected >= set(codes(found))
    assert "true_peak" in codes(found)
    # Turned down, a float file loses nothing by its overs: a remark. common practice, no source
    assert found.verdict == "usable"
    (peak,) = [one for one in found.findings if one.code == "true_peak"]
    assert peak.value is not None
    assert peak.usual == (LIMITS.lowest_peak_dbtp if gain_db < 0.0 else LIMITS.highest_peak_dbtp)
    assert f"{abs(peak.value - peak.usual):.1f} dB {'under' if gain_db < 0.0 else 'over'}" in peak.text


def test_an_offset_is_a_remark(clean: np.ndarray) -> None:
    found = verdict(clean + np.float32(db_to_linear(-40.0)))
    assert "dc" in codes(found)
    assert next(f.value for f in found.findings if f.code == "dc") == pytest.approx(-40.0, abs=0.1)


@pytest.mark.parametrize(("db", "expected"), [(0.6, "ready"), (2.0, "usable"), (5.0, "revisit")])
def test_one_channel_louder(clean: np.ndarray, db: float, expected: str) -> None:
    centred = np.repeat(clean.mean(axis=1, keepdims=True), 2, axis=1)
    found = verdict(centred * [db_to_linear(-0.5 * db), db_to_linear(0.5 * db)])
    leans = [one for one in found.findings if one.code == "imbalance"]
    assert found.verdict == expected
    assert bool(leans) == (expected != "ready")
    assert all((one.certainty, one.channels) == ("certain", "right") for one in leans)


def test_a_part_on_one_side_is_a_doubt_and_leaves_the_mix_ready(clean: np.ndarray) -> None:
    mono = clean.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(mono[:, 0])
    spectrum[(freq_hz := np.fft.rfftfreq(len(mono), 1.0 / RATE_HZ)) > 2000.0] = 0.0
    spectrum[freq_hz < 250.0] = 0.0
    part = np.fft.irfft(spectrum, len(mono))
    leaning = np.repeat(mono, 2, axis=1) - 0.45 * np.stack([part, np.zeros_like(part)], axis=1)
    found = verdict(leaning)
    (lean,) = [one for one in found.findings if one.code == "imbalance"]
    assert (lean.certainty, lean.sends_back, lean.channels) == ("doubtful", False, "right")
    assert all(one.certainty == "doubtful" for one in found.findings) == (found.verdict == "ready")


def test_a_turned_over_channel_sends_the_mix_back(clean: np.ndarray) -> None:
    found = verdict(clean * [1.0, -1.0])
    assert found.verdict == "revisit"
    assert {"mono_compatibility", "low_end_width"} <= set(codes(found))


def test_rumble_is_a_remark(clean: np.ndarray) -> None:
    rumble = sine(10.0, 20.0, RATE_HZ, -26.0) * np.hanning(len(clean))[:, None]
    assert codes(verdict(clean + rumble)) == ["subsonic"]


def test_ends_are_looked_at(clean: np.ndarray) -> None:
    late = np.concatenate([np.zeros((3 * RATE_HZ, 2)), clean])
    assert [(f.code, f.value) for f in verdict(late).findings] == [("silence", pytest.approx(3.0, abs=0.1))]
    cut = verdict(clean[: 15 * RATE_HZ])
    assert [(f.code, f.unit) for f in cut.findings] == [("silence", "dBFS")]


def test_findings_from_elsewhere_count(clean: np.ndarray) -> None:
    more = Finding(code="resonance", text="", suggestion="", value=6.0, unit="dB", sends_back=True)
    found = judge(inspect(clean, RATE_HZ), LIMITS, (more,))
    assert (found.verdict, found.findings) == ("revisit", (more,))


def test_one_channel_is_judged_too(clean: np.ndarray) -> None:
    assert verdict(0.9 * clean[:, :1]).verdict in ("ready", "usable")


def test_hum_is_told_where_a_pause_would_let_it_be_heard(clean: np.ndarray) -> None:
    # 83 dB SPL at -15 LUFS: -76 dBFS is 22 dB SPL. Threshold of hearing 3.64 (f / 1 kHz)^-0.8 dB SPL (Terhardt 1979,
    # from memory): 40.0 at 50 Hz, 11.0 at 250 Hz.
    seen = inspect(clean, RATE_HZ)
    for line_hz, expected in ((50.0, False), (250.0, True)):
        hum = Hum(
            mains_hz=50.0, lines_hz=(line_hz,), line_dbfs=(-76.0,), level_dbfs=-76.0, channels="both", swing_db=0.0
        )
        told = [one for one in judge(replace(seen, hum=(hum,)), LIMITS).findings if one.code == "hum"]
        assert bool(told) == expected
        assert all(one.certainty == "doubtful" for one in told)  # of one line only


# 3 dB between parts of the song, and three lines: limits of this project.
@pytest.mark.parametrize(("swing_db", "certainty"), [(2.9, "certain"), (3.1, "likely")])
def test_lines_that_swing_through_the_song_send_no_mix_back(clean: np.ndarray, swing_db: float, certainty: str) -> None:
    lines = (60.0, 120.0, 180.0)
    hum = Hum(
        mains_hz=60.0, lines_hz=lines, line_dbfs=(-24.0,) * 3, level_dbfs=-20.0, channels="both", swing_db=swing_db
    )
    (told,) = [one for one in judge(replace(inspect(clean, RATE_HZ), hum=(hum,)), LIMITS).findings if one.code == "hum"]
    assert (told.certainty, told.sends_back) == (certainty, certainty == "certain")
