"""Small cuts for what stands out: decided once, before any search, each with its reason.

A **full cut** is the bell that would bring an excess to about a third: what the mix itself needs. A **dose** is what
a master may take of it: 0.5 to 1 dB always, up to 2 dB by a bell that follows the level. Only what is certain is cut,
and a third strong one is not. Where the full cut lies above 6 dB the mix goes back, and that is said: small doses are
common practice, no source; 6 dB is a limit of this project, which nearly every engineer would go back for.
"""

import math
from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Samples
from autochain.audio.room import pages_back
from autochain.audio.sections import Section, SectionFilter, Step
from autochain.prepare.finding import Certainty
from autochain.prepare.resonances import Channel, Resonance

# As the equalisers list and name them.
FILTERED_CHANNELS: tuple[Channel, ...] = ("stereo", "mid", "side", "left", "right")
BELL, LOW_SHELF, HIGH_SHELF, HIGH_PASS = "bell", "lowshelf", "highshelf", "highpass"
_FULL_CUT_SHARE = 2.0 / 3.0
_STEP_DB = 0.5
_MOST_Q = 8.0  # of both stages' bells
_HOP_S, _HOPS_AT_ONCE = 0.01, 1000  # in blocks for the cache, and for hours
_LANES = {"stereo": (0.5, 0.5), "mid": (0.5, 0.5), "side": (0.5, -0.5), "left": (1.0, 0.0), "right": (0.0, 1.0)}
_LEAST_THRESHOLD_DB, _MOST_THRESHOLD_DB = -60.0, 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionRules:
    """How far a master goes, in dB; a cut of `most_cut_db` counts as a strong one."""

    least_cut_db: float = 0.5
    most_cut_db: float = 1.0
    most_dynamic_db: float = 2.0
    strong_cuts: int = 2
    back_to_mix_db: float = 6.0
    # Below this a cluster of notes passes for a resonance too often to cut on it: `benchmarks/results/resonance.md`.
    cut_from_hz: float = 2000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """What is done about one resonance.

    Attributes
    ----------
    resonance
        What it is for.
    cut_db
        The dose, above 0; 0 when there are strong cuts enough already, and for what is not certain.
    full_cut_db
        What would be needed, above 0.
    back_to_mix
        True when it is certain and so strong that the mix should be changed.
    certainty
        How sure it is that this is no music; `doubtful` where notes pass for resonances too often.
    """

    resonance: Resonance
    cut_db: float
    full_cut_db: float
    back_to_mix: bool
    certainty: Certainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Dose):
    """One cut; `threshold_db` is the level in its band, dBFS, from which a passing one works; else None."""

    threshold_db: float | None

    @property
    def settings(self) -> dict[str, float | str]:
        """Settings of a band, without the band's number: of the dynamic bell for a passing one."""
        place = {
            "freq_hz": float(round(self.resonance.freq_hz)),
            "q": min(_MOST_Q, self.resonance.q),
            "channel": self.resonance.channel,
        }
        if self.threshold_db is None:
            return {"type": BELL, **place, "gain_db": -self.cut_db}
        return {**place, "threshold_db": self.threshold_db, "range_db": -self.cut_db}


def full_cut_db(excess_db: float) -> float:
    """Depth of the bell that brings an excess to a third, in steps of 0.5 dB, at least one."""
    return max(_STEP_DB, _STEP_DB * round(_FULL_CUT_SHARE * excess_db / _STEP_DB))


def doses(resonances: tuple[Resonance, ...], rules: CorrectionRules) -> tuple[Dose, ...]:
    """Decide how much of every resonance a master takes, in the order given, the largest excess first."""
    plan: list[Dose] = []
    strong = 0
    for resonance in resonances:
        full_db = full_cut_db(resonance.excess_db)
        most_db = rules.most_dynamic_db if resonance.passing else rules.most_cut_db
        dose_db = min(most_db, max(rules.least_cut_db, full_db))
        certainty: Certainty = "doubtful" if resonance.freq_hz < rules.cut_from_hz else resonance.certainty
        certain = certainty == "certain"
        cut = certain and strong < rules.strong_cuts
        if certain and dose_db >= rules.most_cut_db:
            strong += 1
        plan.append(
            Dose(
                resonance=resonance,
                cut_db=dose_db if cut else 0.0,
                full_cut_db=full_db,
                back_to_mix=certain and full_db > rules.back_to_mix_db,
                certainty=certainty,
            )
        )
    return tuple(plan)


def plan_corrections(
    resonances: tuple[Resonance, ...], samples: Samples, rate_hz: int, rules: CorrectionRules
) -> tuple[Correction, ...]:
    """Decide the cut for every resonance, in the order given.

    Parameters
    ----------
    resonances
        As found, the largest excess first.
    samples
        The mix, shape (frames, channels).
    rate_hz
        Sample rate.
    rules
        How far to go.
    """
    return tuple(
        Correction(
            resonance=dose.resonance,
            cut_db=dose.cut_db,
            full_cut_db=dose.full_cut_db,
            back_to_mix=dose.back_to_mix,
            certainty=dose.certainty,
            threshold_db=_threshold_db(dose.resonance, samples, rate_hz) if dose.resonance.passing else None,
        )
        for dose in doses(resonances, rules)
    )


def bands(settings: list[dict[str, float | str]]) -> dict[str, float | str]:
    """Number bands from 1 and name their settings as a stage does."""
    return {f"band{k}_{name}": value for k, band in enumerate(settings, 1) for name, value in band.items()}


def _threshold_db(resonance: Resonance, samples: Samples, rate_hz: int) -> float:
    """Peak level that the band passes for as long as the resonance is there, among the moments that sound."""
    left, right = _LANES[resonance.channel]
    section = band_pass(resonance.freq_hz, resonance.q, rate_hz)
    band = SectionFilter([Step(mid_side=False, first=(section,), second=())], 1)
    hop = round(_HOP_S * rate_hz)
    peaks = np.empty(samples.shape[0] // hop, np.float32)
    for first in range(0, peaks.size, _HOPS_AT_ONCE):
        pages_back()
        part = samples[first * hop : min(peaks.size, first + _HOPS_AT_ONCE) * hop]
        lane = part[:, 0] if part.shape[1] == 1 else left * part[:, 0] + right * part[:, 1]
        in_band = band.push(np.ascontiguousarray(lane[:, None], dtype=np.float32))
        peaks[first : first + _HOPS_AT_ONCE] = np.abs(in_band).reshape(-1, hop).max(axis=1)
    peaks = peaks[peaks > 0.001 * peaks.max()] if peaks.size else peaks
    if not peaks.size:
        return _LEAST_THRESHOLD_DB
    level = float(np.quantile(peaks, 1.0 - resonance.share))
    return min(_MOST_THRESHOLD_DB, max(_LEAST_THRESHOLD_DB, round(20.0 * math.log10(level), 1)))


def band_pass(freq_hz: float, q: float, rate_hz: int) -> Section:
    """Band-pass of 0 dB at its centre: W3C Group Note "Audio EQ Cookbook" (2021), BPF with constant 0 dB peak gain."""
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    alpha = math.sin(w0) / (2.0 * q)
    section: Section = np.array([alpha, 0.0, -alpha, -2.0 * math.cos(w0), 1.0 - alpha]) / (1.0 + alpha)
    return section
