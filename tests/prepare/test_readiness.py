"""Verdicts on mixes whose state is known. All limits: common practice, no source."""

import numpy as np
import pytest

from autochain.audio.signals import noise, sine
from autochain.config import read_config
from autochain.demo import make_demo
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


def test_clipping_sends_the_mix_back_and_its_edges_are_no_clicks(clean: np.ndarray) -> None:
    found = verdict(np.clip(clean, -0.4, 0.4))
    assert found.verdict == "revisit"
    assert codes(found)[0] == "clipped"
    assert "click" not in codes(found)


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
    over = inspect(np.asarray(db_to_linear(gain_db) * clean, np.float32), RATE_HZ).measured.figures.true_peak_dbtp
    assert over is not None
    assert found.verdict == ("revisit" if over > 0.0 else "usable")


def test_an_offset_is_a_remark(clean: np.ndarray) -> None:
    found = verdict(clean + np.float32(db_to_linear(-40.0)))
    assert "dc" in codes(found)
    assert next(f.value for f in found.findings if f.code == "dc") == pytest.approx(-40.0, abs=0.1)


@pytest.mark.parametrize(("db", "expected"), [(0.6, "ready"), (2.0, "usable"), (5.0, "revisit")])
def test_one_channel_louder(clean: np.ndarray, db: float, expected: str) -> None:
    at_rest = inspect(clean, RATE_HZ).measured.figures.channel_imbalance_db
    assert at_rest is not None
    found = verdict(clean * [1.0, db_to_linear(at_rest + db)])
    assert found.verdict == expected
    assert ("imbalance" in codes(found)) == (expected != "ready")


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
    more = Finding(code="resonance", text="", suggestion="", value=6.0, unit="dB", revisit=True)
    found = judge(inspect(clean, RATE_HZ), LIMITS, (more,))
    assert (found.verdict, found.findings) == ("revisit", (more,))


def test_one_channel_is_judged_too(clean: np.ndarray) -> None:
    assert verdict(0.9 * clean[:, :1]).verdict in ("ready", "usable")
