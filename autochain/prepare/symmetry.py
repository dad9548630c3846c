"""The rotation that makes a mix easiest on the peak stages, when it is worth what it costs."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from autochain.audio.allpass import all_pass_group_delay_ms, all_pass_section
from autochain.audio.centred_filter import filter_centred
from autochain.audio.hilbert import hilbert_pair, pre_echo_db, rotation_taps
from autochain.audio.mix import Samples
from autochain.audio.sections import SectionFilter, Step
from autochain.measure.asymmetry import Loud, loud_windows, window_frames
from autochain.measure.attack import AttackReference
from autochain.prepare._symmetry_kernels import SIDE_BY_SIDE, all_pass_window_peaks, window_peaks

_STEP_DEG = 5

# Prices in dB of saving. common practice, no source: no one has measured what a listener would pay.
LATE_PRICE_DB_PER_MS = 0.05  # 20 ms, a drum's low part clearly behind its stick, cost what 1 dB less limiting is worth
_ATTACK_PRICE_DB_PER_DB = 0.5  # the score, too, counts a lost dB at hits for half of one lost everywhere
_EARLY_PRICE_DB_PER_PERCENT = 0.5  # of a click's energy, more than 1 ms before it: 0.2 dB at 90 degrees, the worst

# Less than this was there to gain: not worth a word. Full mixes of many independent sounds mostly have less.
WORTH_A_WORD_DB = 0.2

# Where the phase of a lead's lowest harmonics can be turned, an octave apart; how abruptly; how far. Lower than these
# every section delays by 5 ms or more.
_ALL_PASS_HZ = (100.0, 200.0, 400.0, 800.0, 1600.0)
_ALL_PASS_Q = (0.4, 0.7, 1.4)
_MOST_SECTIONS = 4

UnusedBecause = Literal["small", "late", "price"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RotationRules:
    """When a rotation is worth it.

    Attributes
    ----------
    least_db
        Least saving, and least that is left of it after its price: a rotation moves every waveform in the mix.
    most_late_ms, late_least_db
        Where lows come later than the first, least saving.
    """

    least_db: float = 0.5
    most_late_ms: float = 5.0
    late_least_db: float = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotation:
    """A rotation: the one to use, or the one that would save most and is left out.

    Attributes
    ----------
    kind
        `constant` angle, or `allpass` sections.
    angle_deg
        Constant phase rotation, -90 to 85; 0 when the kind is another one, and when no rotation saves anything.
    freq_hz, q, sections
        The all-pass; None when the kind is another one.
    saving_db
        Mean reduction of a linked peak stage that it saves; at least 0.
    price_db
        What its costs are worth in dB of saving, by the prices of this module; at least 0.
    used
        True when it saves enough and its price leaves enough of that.
    unused_because
        Why it is not used: it saves too little (`small`), lows come too late for what it saves (`late`), or its
        price leaves too little (`price`); None when it is used.
    pre_echo_db
        Energy it puts into the 5 ms before a click, in dB of the click's; None when nothing comes before.
    early_echo_db
        The part of it that comes more than 1 ms before: what may be heard apart from the click.
    group_delay_ms
        How much later than the highest frequencies the latest one arrives; 0 for a constant angle.
    attack_loss_db
        What the mix's strong hits lose of their step in energy (`measure.attack`), at least 0.
    """

    kind: Literal["constant", "allpass"] = "constant"
    angle_deg: float
    freq_hz: float | None = None
    q: float | None = None
    sections: int | None = None
    saving_db: float
    price_db: float = 0.0
    used: bool = False
    unused_because: UnusedBecause | None = None
    pre_echo_db: float | None = None
    early_echo_db: float | None = None
    group_delay_ms: float = 0.0
    attack_loss_db: float = 0.0

    @property
    def net_db(self) -> float:
        """Saving less price."""
        return self.saving_db - self.price_db

    @property
    def settings(self) -> dict[str, float | str]:
        """Settings of the rotation stage."""
        if self.freq_hz is None or self.q is None or self.sections is None:
            return {"kind": self.kind, "angle_deg": self.angle_deg}
        return {"kind": self.kind, "freq_hz": self.freq_hz, "q": self.q, "sections": float(self.sections)}


_NONE = Rotation(angle_deg=0.0, saving_db=0.0, unused_because="small")


def choose_rotation(
    samples: Samples, rate_hz: int, loud: Loud, threshold_linear: float, rules: RotationRules | None = None
) -> Rotation:
    """Find the rotation with the most saving left after its price.

    Saving is what it takes from the mean of max(r+, r-) over the loud windows (symbols: `measure.asymmetry`).
    Looked at are constant angles on a grid of 5 degrees from -90 to 85 (rotating by another 180 degrees only swaps the
    polarities, so the grid is complete), and 1 to 4 all-pass sections at 5 frequencies with 3 values of q.

    The price is that of lows that come late, of energy that comes more than 1 ms before a click, and of what strong
    hits lose of their step.

    Parameters
    ----------
    samples
        Shape (frames, channels): the input of the first peak stage.
    rate_hz
        Sample rate.
    loud
        One flag per 10 ms hop.
    threshold_linear
        Level above which that stage works, full scale 1.0, above 0.
    rules
        When one is worth it; the defaults when None.

    Returns
    -------
    Rotation
        When none is worth it, the one that saves most, with `used` False and the reason.
    """
    rules = RotationRules() if rules is None else rules
    found = candidates(samples, rate_hz, loud, threshold_linear)
    if not found:
        return _NONE
    attack = AttackReference(samples, rate_hz, loud)

    def with_attack_loss(one: Rotation) -> Rotation:
        loss_db = attack.loss_db(_turned(samples, rate_hz, one))
        return replace(one, attack_loss_db=loss_db, price_db=one.price_db + _ATTACK_PRICE_DB_PER_DB * loss_db)

    # The attack only adds to the price, so nothing behind a candidate that stays ahead even with it can win.
    best: Rotation | None = None
    for one in sorted((o for o in found if _limit(o, rules) is None), key=lambda o: -o.net_db):
        if one.net_db < rules.least_db or (best is not None and one.net_db <= best.net_db):
            break
        priced = with_attack_loss(one)
        if priced.net_db >= rules.least_db and (best is None or priced.net_db > best.net_db):
            best = priced
    if best is not None:
        return replace(best, used=True)
    most = max(found, key=lambda o: o.saving_db)
    if most.saving_db <= 0.0:
        return _NONE
    return replace(with_attack_loss(most), unused_because=_limit(most, rules) or "price")


def candidates(samples: Samples, rate_hz: int, loud: Loud, threshold_linear: float) -> list[Rotation]:
    """Every rotation that is looked at, priced but for the attack; none where less than 0.2 dB is reduced at all.

    Parameters as of `choose_rotation`.
    """
    counted = loud_windows(loud, samples.shape[0], rate_hz)
    if counted.size == 0:
        return []
    samples = np.ascontiguousarray(samples)
    # Ordered by size, so that of two equal angles the smaller rotation wins; 0 comes first.
    angles_deg = np.array(sorted(range(-90, 90, _STEP_DEG), key=lambda angle: (abs(angle), angle)), dtype=np.float64)
    by_angle = _by_angle(samples, rate_hz, counted, threshold_linear, angles_deg)
    unrotated_db = float(by_angle[0])
    if unrotated_db < WORTH_A_WORD_DB:  # nothing can save more than there is
        return []
    return [
        *_constant(rate_hz, angles_deg[1:], unrotated_db - by_angle[1:]),
        *_all_passes(samples, rate_hz, counted, threshold_linear, unrotated_db),
    ]


def _limit(one: Rotation, rules: RotationRules) -> UnusedBecause | None:
    """Which limit a rotation fails, if any."""
    if one.saving_db < rules.least_db:
        return "small"
    return "late" if one.group_delay_ms > rules.most_late_ms and one.saving_db < rules.late_least_db else None


def _turned(samples: Samples, rate_hz: int, one: Rotation) -> Samples:
    """The sound through a rotation, aligned; what the rotation stage does."""
    if one.freq_hz is None or one.q is None or one.sections is None:
        return filter_centred(samples, rotation_taps(rate_hz, one.angle_deg))
    cascade = (all_pass_section(one.freq_hz, one.q, rate_hz),) * one.sections
    return SectionFilter([Step(mid_side=False, first=cascade, second=cascade)], samples.shape[1]).push(samples)


def _constant(rate_hz: int, angles_deg: npt.NDArray[np.float64], savings_db: npt.NDArray[np.float64]) -> list[Rotation]:
    found = []
    for angle_deg, saving_db in zip(angles_deg, savings_db, strict=True):
        early_db = pre_echo_db(rate_hz, float(angle_deg), to_ms=1.0)
        early_percent = 0.0 if early_db is None else 100.0 * 10.0 ** (early_db / 10.0)
        found.append(
            Rotation(
                angle_deg=float(angle_deg),
                saving_db=float(saving_db),
                price_db=_EARLY_PRICE_DB_PER_PERCENT * early_percent,
                pre_echo_db=pre_echo_db(rate_hz, float(angle_deg)),
                early_echo_db=early_db,
            )
        )
    return found


def _by_angle(
    samples: Samples,
    rate_hz: int,
    counted: npt.NDArray[np.intp],
    threshold_linear: float,
    angles_deg: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Mean reduction in dB at each angle."""
    plain, transformed = hilbert_pair(samples, rate_hz)
    peaks = np.empty((counted.size, angles_deg.size))
    angles = np.deg2rad(angles_deg)
    window_peaks(
        plain, transformed, counted, window_frames(rate_hz), threshold_linear,
        np.cos(angles), np.sin(angles), np.empty(angles.size), peaks,
    )  # fmt: skip
    return np.asarray((20.0 * np.log10(peaks / threshold_linear)).mean(axis=0))


def _all_passes(
    samples: Samples, rate_hz: int, counted: npt.NDArray[np.intp], threshold_linear: float, unrotated_db: float
) -> list[Rotation]:
    frames = window_frames(rate_hz)
    row_of = np.full(counted[-1] + 1, -1, dtype=np.intp)
    row_of[counted] = np.arange(counted.size)
    tried = [(freq_hz, q) for freq_hz in _ALL_PASS_HZ for q in _ALL_PASS_Q]
    lanes = np.zeros((3, 2, SIDE_BY_SIDE))
    lanes[1:, :, : len(tried)] = np.array([all_pass_section(*one, rate_hz)[:2] for one in tried]).T[:, np.newaxis]
    state = np.zeros((_MOST_SECTIONS, lanes.size))
    peaks = np.empty((counted.size, _MOST_SECTIONS, len(tried)))
    all_pass_window_peaks(samples, lanes.reshape(-1), row_of, frames, threshold_linear, state, peaks)
    found = []
    for k, (freq_hz, q) in enumerate(tried):
        mean_db = (20.0 * np.log10(peaks[:, :, k] / threshold_linear)).mean(axis=0)
        at_hz = np.append(np.geomspace(20.0, 20000.0, 200), freq_hz)
        late = all_pass_group_delay_ms(at_hz, freq_hz=freq_hz, q=q, sections=1, rate_hz=rate_hz)
        for n, value in enumerate(mean_db, start=1):
            late_ms = n * float(late.max())
            found.append(
                Rotation(
                    kind="allpass",
                    angle_deg=0.0,
                    freq_hz=freq_hz,
                    q=q,
                    sections=n,
                    saving_db=unrotated_db - float(value),
                    price_db=LATE_PRICE_DB_PER_MS * late_ms,
                    group_delay_ms=late_ms,
                )
            )
    return found
