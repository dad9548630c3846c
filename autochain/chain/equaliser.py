"""Minimum-phase equaliser for the bottom of a mix: high-pass and low shelf."""

import math

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain._equaliser_kernels import two_biquads
from autochain.chain.parameter import Parameter
from autochain.chain.stage import Processed, Settings, Stage, buffered

# Butterworth: the flattest high-pass of second order, and the steepest shelf without a bump.
BUTTERWORTH_Q = math.sqrt(0.5)

# One second-order section: b0, b1, b2, a1, a2, already divided by a0.
Section = npt.NDArray[np.float64]

_IDENTITY: Section = np.array([1.0, 0.0, 0.0, 0.0, 0.0])


def high_pass_section(freq_hz: float, rate_hz: int, q: float = BUTTERWORTH_Q) -> Section:
    """Second-order high-pass, 12 dB per octave, 3.01 dB down at `freq_hz` with the default `q`.

    W3C Group Note "Audio EQ Cookbook" (R. Bristow-Johnson, 2021), HPF.
    """
    cosine, alpha = _cookbook_terms(freq_hz, rate_hz, q)
    b0 = (1.0 + cosine) / 2.0
    section: Section = np.array([b0, -2.0 * b0, b0, -2.0 * cosine, 1.0 - alpha])
    section /= 1.0 + alpha
    return section


def low_shelf_section(freq_hz: float, gain_db: float, rate_hz: int, q: float = BUTTERWORTH_Q) -> Section:
    """Second-order low shelf: `gain_db` at 0 Hz, half of it (in dB) at `freq_hz`, 0 dB far above.

    W3C Group Note "Audio EQ Cookbook" (R. Bristow-Johnson, 2021), lowShelf.
    """
    cosine, alpha = _cookbook_terms(freq_hz, rate_hz, q)
    A = 10.0 ** (gain_db / 40.0)
    root = 2.0 * math.sqrt(A) * alpha
    plus, minus = A + 1.0, A - 1.0
    section: Section = np.array(
        [
            A * (plus - minus * cosine + root),
            2.0 * A * (minus - plus * cosine),
            A * (plus - minus * cosine - root),
            -2.0 * (minus + plus * cosine),
            plus + minus * cosine - root,
        ]
    )
    section /= plus + minus * cosine + root
    return section


def equalise(samples: Samples, rate_hz: int, settings: Settings) -> Samples:
    """High-pass and low shelf one after the other, both channels alike.

    Minimum phase: no pre-echo, but peaks move, and a cut can raise them. The bilinear transform behind the
    formulas squeezes frequencies near Nyquist only; at these frequencies the analogue curve is met to better
    than 0.002 dB.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    rate_hz
        Sample rate.
    settings
        `highpass_hz` 10 to 120 or 0 for off; `low_shelf_hz` 40 to 400; `low_shelf_db` -6 to 6, 0 for none.

    Returns
    -------
    array
        New array of the same shape and dtype; the input itself when both parts are off. Latency 0.
    """
    sections = []
    if settings["highpass_hz"] != 0.0:
        sections.append(high_pass_section(settings["highpass_hz"], rate_hz))
    if settings["low_shelf_db"] != 0.0:
        sections.append(low_shelf_section(settings["low_shelf_hz"], settings["low_shelf_db"], rate_hz))
    if not sections:
        return samples
    sections.append(_IDENTITY)
    output = np.empty_like(samples, order="C")
    two_biquads(np.ascontiguousarray(samples), sections[0], sections[1], output)
    return output


def _cookbook_terms(freq_hz: float, rate_hz: int, q: float) -> tuple[float, float]:
    """Return cos(w0) and alpha of the cookbook."""
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    return math.cos(w0), math.sin(w0) / (2.0 * q)


def _process(samples: Samples, rate_hz: int, settings: Settings) -> Processed:
    return Processed(samples=equalise(samples, rate_hz, settings))


def _no_latency(rate_hz: int, settings: Settings) -> int:
    return 0


STAGE = Stage(
    name="equaliser",
    label="low-end equaliser",
    parameters=(
        # Defaults: common practice, no source.
        Parameter(
            name="highpass_hz",
            label="high-pass",
            unit="Hz",
            low=10.0,
            high=120.0,
            default=0.0,
            step=1.0,
            scale="log",
            ends="lower touches only what no speaker plays; higher thins out kick and bass",
            off=0.0,
        ),
        Parameter(
            name="low_shelf_hz",
            label="low shelf",
            unit="Hz",
            low=40.0,
            high=400.0,
            default=100.0,
            step=1.0,
            scale="log",
            ends="lower moves only the deep bass; higher reaches into the lower mids",
        ),
        Parameter(
            name="low_shelf_db",
            label="low shelf gain",
            unit="dB",
            low=-6.0,
            high=6.0,
            default=0.0,
            step=0.1,
            ends="negative leaves more level for everything else, positive takes it",
        ),
    ),
    neutral={"highpass_hz": 0.0, "low_shelf_db": 0.0},
    start=buffered(_process),
    latency_samples=_no_latency,
    linear=True,
    listen_for=(
        "the weight of kick and bass at the same loudness: less rumble, not less music",
        "how far the next compressor moves: bass that is cut here no longer drives it",
    ),
)
