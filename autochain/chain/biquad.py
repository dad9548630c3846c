"""Second-order sections of an equaliser whose curves stay those of the analogue prototypes up to 20 kHz.

The bilinear transform of the W3C Note "Audio EQ Cookbook" (2021) squeezes every curve against Nyquist: a bell
at 12 kHz becomes narrow and lopsided at 44.1 kHz. Here the prototypes are the cookbook's, the transform is not:

- bell, high-pass, low-pass: M. Vicanek, "Matched Second Order Digital Filters", 2016. Poles by impulse
  invariance, numerator from the magnitude at 0 Hz and at the corner (for the bell also its slope there). A cut
  is the exact inverse of the boost, so that one undoes the other.
- shelves: fitted to the prototype's magnitude by damped least squares in dB, in a form that cannot become
  unstable (below); the gain on the side of 0 Hz (low shelf) or far above (high shelf) is exact.

Largest error against the prototype up to 20 kHz at 44.1 kHz: bells of +-6 dB, q 0.7 to 1.4, 0.02 dB at 1 kHz,
0.27 dB at 5 kHz, 0.6 dB at 12 kHz (all of it next to Nyquist), half as much at +-3 dB; shelves of +-6 dB, q 0.4
to 1.4, 0.02 dB at 1 kHz, 0.2 dB up to 16 kHz, 0.3 dB at 20 kHz. Broader bells err more (q 0.4: 0.6 dB), and
so do shelves with a bump (q 4: 0.6 dB at 12 kHz); at higher rates everything errs less. A low-pass is 2 dB off
at most where it takes less than 40 dB, a high-pass with q 0.7 0.2 dB at 12 kHz and under 0.01 dB up to 5 kHz.
"""

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from autochain.audio.sections import Section

# Butterworth: the flattest high-pass of second order, and the steepest shelf without a bump.

# The audible end of the range in which a shelf is fitted.
_FIT_TO_HZ = 20000.0
_FIT_ROUNDS = 40  # three to ten are needed, more only for corners next to Nyquist


def bell(freq_hz: float, gain_db: float, q: float, rate_hz: int) -> Section:
    """Bell of exactly `gain_db` at `freq_hz`, 0 dB at 0 Hz; `q` counts between the points of half the gain in dB.

    Prototype (s^2 + s A/q + 1) / (s^2 + s/(A q) + 1), A = 10^(gain/40). Vicanek (2016), peaking filter, for the
    boost; its letters. Its Q is that of the poles, A q.
    """
    if gain_db < 0.0:
        return _inverse(bell(freq_hz, -gain_db, q, rate_hz))
    G = 10.0 ** (gain_db / 20.0)
    a1, a2 = _matched_poles(freq_hz, math.sqrt(G) * q, rate_hz)
    p0, p1, p2, A0, A1, A2 = _powers(freq_hz, a1, a2, rate_hz)
    R1 = G**2 * (A0 * p0 + A1 * p1 + A2 * p2)
    R2 = G**2 * (-A0 + A1 + 4.0 * (p0 - p1) * A2)
    B0 = A0
    B2 = (R1 - R2 * p1 - B0) / (4.0 * p1**2)
    B1 = R2 + B0 - 4.0 * (p0 - p1) * B2
    W = (math.sqrt(B0) + math.sqrt(B1)) / 2.0
    b0 = (W + math.sqrt(W**2 + B2)) / 2.0
    return np.array([b0, (math.sqrt(B0) - math.sqrt(B1)) / 2.0, -B2 / (4.0 * b0), a1, a2])


def high_pass(freq_hz: float, q: float, rate_hz: int) -> Section:
    """High-pass of 12 dB per octave with gain `q` at `freq_hz`. Vicanek (2016), high-pass; its letters."""
    a1, a2 = _matched_poles(freq_hz, q, rate_hz)
    p0, p1, p2, A0, A1, A2 = _powers(freq_hz, a1, a2, rate_hz)
    b0 = q * math.sqrt(A0 * p0 + A1 * p1 + A2 * p2) / (4.0 * p1)
    return np.array([b0, -2.0 * b0, b0, a1, a2])


def low_pass(freq_hz: float, q: float, rate_hz: int) -> Section:
    """Low-pass of 12 dB per octave with gain `q` at `freq_hz`. Vicanek (2016), low-pass; its letters."""
    a1, a2 = _matched_poles(freq_hz, q, rate_hz)
    p0, p1, p2, A0, A1, A2 = _powers(freq_hz, a1, a2, rate_hz)
    R1 = q**2 * (A0 * p0 + A1 * p1 + A2 * p2)
    B1 = (R1 - A0 * p0) / p1
    total = 1.0 + a1 + a2
    b0 = (total + math.sqrt(max(0.0, B1))) / 2.0
    return np.array([b0, total - b0, 0.0, a1, a2])


def low_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: int) -> Section:
    """Low shelf: exactly `gain_db` at 0 Hz, half of it in dB at `freq_hz`, 0 dB far above.

    Prototype A (s^2 + s sqrt(A)/q + A) / (A s^2 + s sqrt(A)/q + 1), A = 10^(gain/40).
    """
    if gain_db < 0.0:
        return _inverse(low_shelf(freq_hz, -gain_db, q, rate_hz))
    return _fitted_low_shelf(freq_hz, gain_db, q, rate_hz).copy()


def high_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: int) -> Section:
    """High shelf: exactly 0 dB at 0 Hz, half of `gain_db` in dB at `freq_hz`, `gain_db` far above.

    A low shelf of the opposite gain, everything raised by `gain_db`: the cookbook's prototypes are that too.
    """
    section = low_shelf(freq_hz, -gain_db, q, rate_hz)
    section[:3] *= 10.0 ** (gain_db / 20.0)
    return section


def _matched_poles(freq_hz: float, q: float, rate_hz: int) -> tuple[float, float]:
    """Return a1 and a2 whose impulse response decays and turns as the analogue one's, `q` that of the poles."""
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    damping = 0.5 / q
    turn = math.sqrt(abs(1.0 - damping**2)) * w0
    swing = math.cos(turn) if damping <= 1.0 else math.cosh(turn)
    return -2.0 * math.exp(-damping * w0) * swing, math.exp(-2.0 * damping * w0)


def _powers(
    freq_hz: float, a1: float, a2: float, rate_hz: int
) -> tuple[float, float, float, float, float, float]:
    """Return phi0, phi1, phi2 at the corner and A0, A1, A2: |denominator|^2 is their sum of products."""
    p1 = math.sin(math.pi * freq_hz / rate_hz) ** 2
    p0 = 1.0 - p1
    return p0, p1, 4.0 * p0 * p1, (1.0 + a1 + a2) ** 2, (1.0 - a1 + a2) ** 2, -4.0 * a2


def _inverse(section: Section) -> Section:
    """Swap numerator and denominator. All zeros lie inside the unit circle, so the inverse is stable."""
    b0, b1, b2, a1, a2 = section
    return np.array([1.0 / b0, a1 / b0, a2 / b0, b1 / b0, b2 / b0])


@lru_cache(maxsize=256)
def _fitted_low_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: int) -> Section:
    """Fit A^2 + b1 s + b2 s^2 over 1 + a1 s + a2 s^2, s = j tan(w/2) / tan(w0/2), to the prototype's magnitude.

    The unknowns are the logarithms of the four coefficients, so that they stay positive: no pole or zero can
    leave the left half plane. The start is the bilinear transform's answer, already exact at low corners;
    each round is one Levenberg-Marquardt step.
    """
    A = 10.0 ** (gain_db / 40.0)
    end = min(_FIT_TO_HZ, 0.46 * rate_hz)
    around = np.geomspace(freq_hz / 16.0, min(16.0 * freq_hz, end), 48)
    above = np.linspace(min(freq_hz, end / 2.0), end, 16)
    freqs = np.concatenate([around, above])
    u = (freqs / freq_hz) ** 2
    wanted_db = 10.0 * np.log10(A**2 * ((A - u) ** 2 + A / q**2 * u) / ((1.0 - A * u) ** 2 + A / q**2 * u))
    edge = math.tan(math.pi * freq_hz / rate_hz)
    t = (np.tan(np.pi * freqs / rate_hz) / edge) ** 2
    found = np.log([A * math.sqrt(A) / q, A, math.sqrt(A) / q, A])

    error, slopes = _shelf_error_db(found, A**2, t, wanted_db)
    damping = 1e-3
    for _ in range(_FIT_ROUNDS):
        normal = slopes.T @ slopes
        normal[np.diag_indices(4)] *= 1.0 + damping
        normal[np.diag_indices(4)] += 1e-12
        step = np.clip(np.linalg.solve(normal, -slopes.T @ error), -1.0, 1.0)
        if np.abs(step).max() < 1e-9:
            break
        tried, tried_slopes = _shelf_error_db(found + step, A**2, t, wanted_db)
        if tried @ tried < error @ error:
            found, error, slopes, damping = found + step, tried, tried_slopes, 0.2 * damping
        else:
            damping *= 5.0
    b1, b2, a1, a2 = np.exp(found)
    numerator, denominator = _bilinear(A**2, b1, b2, edge), _bilinear(1.0, a1, a2, edge)
    section: Section = np.concatenate([numerator, denominator[1:]]) / denominator[0]
    section.flags.writeable = False
    return section


def _shelf_error_db(
    logs: npt.NDArray[np.float64], at_zero: float, t: npt.NDArray[np.float64], wanted_db: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Error of the magnitude in dB at s^2 = -t, and its slopes over the four logarithms."""
    b1, b2, a1, a2 = np.exp(logs)
    n0, n1, d0, d1 = at_zero - b2 * t, b1**2 * t, 1.0 - a2 * t, a1**2 * t
    N, D = n0**2 + n1, d0**2 + d1
    slopes = np.stack([n1 / N, -n0 * b2 * t / N, -d1 / D, d0 * a2 * t / D], axis=1)
    return 10.0 * np.log10(N / D) - wanted_db, 20.0 / math.log(10.0) * slopes


def _bilinear(c0: float, c1: float, c2: float, edge: float) -> npt.NDArray[np.float64]:
    """Coefficients in z^-1 of c0 + c1 s + c2 s^2 times (1 + z^-1)^2, s = (1 - z^-1) / (1 + z^-1) / edge."""
    first, second = c1 / edge, c2 / edge**2
    return np.array([c0 + first + second, 2.0 * (c0 - second), c0 - first + second])
