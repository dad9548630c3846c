"""A linear-phase filter with the magnitude of a chain of second-order sections."""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import fft

from autochain.audio.centred_filter import CentredFilter, matrix_taps
from autochain.audio.sections import Section, Step, section_response

# How far the filter reaches to each side, in time constants of the slowest decay among the sections' poles and
# zeros: what is cut off has fallen to e^-7, -61 dB of its start.
_TIME_CONSTANTS = 7.0
_LEAST_MS = 2.0


def half_length_samples(steps: Sequence[Step], rate_hz: int) -> int:
    """Delay of the filter: 7 time constants of its slowest pole or zero, at least 2 ms.

    A section of pole quality Q at f Hz decays with Q / (pi f), so a high-pass at 30 Hz with q 0.71 needs 53 ms,
    a bell of 6 dB at 100 Hz with q 2 63 ms.
    """
    sections = [section for step in steps for section in (*step.first, *step.second)]
    slowest = max((_time_constant_samples(section) for section in sections), default=0.0)
    return math.ceil(max(_TIME_CONSTANTS * slowest, _LEAST_MS * 1e-3 * rate_hz))


def linear_phase_filter(steps: Sequence[Step], rate_hz: int, channels: int) -> CentredFilter:
    """Build the filter; its delay is `half_length_samples`, which it takes out.

    The magnitudes are sampled on a grid four times finer than the filter's length resolves, multiplied as 2 x 2
    matrices where mid or side are filtered apart from left and right, and transformed to taps. The magnitude
    stays within 0.1 dB of the sections' from 30 Hz up wherever they take less than 30 dB.
    """
    half = half_length_samples(steps, rate_hz)
    size = fft.next_fast_len(8 * half + 1, real=True)
    freq_hz = np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), dtype=np.float64)
    matrix = np.zeros((2, 2, freq_hz.size))
    matrix[0, 0] = matrix[1, 1] = 1.0
    for step in steps:
        first, second = (_magnitude(lane, freq_hz, rate_hz) for lane in (step.first, step.second))
        own = np.zeros_like(matrix)
        if step.mid_side and channels == 2:
            own[0, 0] = own[1, 1] = 0.5 * (first + second)
            own[0, 1] = own[1, 0] = 0.5 * (first - second)
        else:
            own[0, 0], own[1, 1] = first, second
        matrix = np.einsum("ijf,jkf->ikf", own, matrix)
    taps = np.roll(fft.irfft(matrix, size, axis=-1), half, axis=-1)[:, :, : 2 * half + 1]
    if channels == 1:
        return CentredFilter(taps[0, 0], 1)
    if all(not step.mid_side and _alike(step) for step in steps):
        return CentredFilter(taps[0, 0], 2)
    straight, crossed = matrix_taps(taps[0, 0], taps[0, 1], taps[1, 0], taps[1, 1])
    return CentredFilter(straight, 2, crossed)


def _time_constant_samples(section: Section) -> float:
    """Slowest decay of the section and of its inverse; a zero on the unit circle does not count.

    The magnitude of a section is the root of a product with branch points at poles and zeros alike. A double
    zero at 0 Hz leaves none.
    """
    b0, b1, b2, a1, a2 = section
    radii = np.abs(np.concatenate([np.roots([1.0, a1, a2]), np.roots([b0, b1, b2])]))
    inside = radii[(radii > 0.0) & (radii < 1.0 - 1e-6)]
    return float(np.max(-1.0 / np.log(inside))) if inside.size else 0.0


def _magnitude(
    sections: Sequence[Section], freq_hz: npt.NDArray[np.float64], rate_hz: int
) -> npt.NDArray[np.float64]:
    total = np.ones_like(freq_hz)
    for section in sections:
        total *= np.abs(section_response(section, freq_hz, rate_hz))
    return total


def _alike(step: Step) -> bool:
    return len(step.first) == len(step.second) and all(
        np.array_equal(a, b) for a, b in zip(step.first, step.second, strict=True)
    )
