"""A song's fingerprint: its level second by second in three bands, small enough for a sheet, to know a revised mix by.

A revision moves gain, balance and dynamics; when the song gets louder or softer from one second to the next it keeps.
So each band's level, less its mean over the 15 s around, is correlated between two mixes, at every shift in steps of
0.1 s that a changed beginning would need. Seconds more than 20 dB under a band's loud ones do not count: silence and
fades at the ends are alike in all songs.
"""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy import fft

from autochain.audio.mix import Samples
from autochain.audio.room import pages_back

_Doubles = npt.NDArray[np.float64]

BANDS_HZ = ((40.0, 250.0), (250.0, 2000.0), (2000.0, 10000.0))
# Chosen on 15 recordings: of revisions (tilt of 2 dB, 4 dB more in 800 Hz to 3 kHz, compression by 2 to 1, 3 dB more
# side, a new instrument, 2.4 s less or 3.2 s more at the head) the least similarity is 0.85; of 210 pairs of two songs
# the largest is 0.45. These last 51 s and more: twelve seconds are too few to tell songs apart by, so that there more
# passes. A limit of this project.
SAME_SONG = 0.65
_CELLS = 10  # of 0.1 s in one value
_CHUNK = 25
_MEAN_OVER = 15
_DEEP_DB = 20.0
_MOST_DB = 6.0  # what one second may differ: a single hit or gap does not decide
_MOST_SHIFT_S = 5  # beyond the difference of the lengths
_FAINT = 1e-12


def band_powers(samples: Samples, rate_hz: int) -> _Doubles:
    """Power in the three bands per 0.1 s, summed over channels, shape (cells, 3), without an incomplete last cell."""
    frames = rate_hz // 10
    count = len(samples) // frames
    # The bands adjoin, each from its lowest bin on.
    edges = np.searchsorted(fft.rfftfreq(frames, 1.0 / rate_hz), [*(low for low, _ in BANDS_HZ), BANDS_HZ[-1][1]])
    cells = np.empty((count, len(BANDS_HZ)))
    for start in range(0, count, _CHUNK):
        stop = min(count, start + _CHUNK)
        part = samples[start * frames : stop * frames]
        power = np.zeros((stop - start, edges[-1]), part.dtype)
        for channel in part.T:
            lines = fft.rfft(channel.reshape(stop - start, frames))[:, : edges[-1]]
            power += lines.real**2 + lines.imag**2
        cells[start:stop] = np.add.reduceat(power, edges[:-1], axis=1, dtype=np.float64) / frames**2
        pages_back()
    return cells


def fingerprint_of(powers: _Doubles, first: int = 0) -> _Doubles:
    """Level per second in dB, in tenths, shape (seconds, 3), of `band_powers` from cell `first` on."""
    kept = powers[first:]
    whole = len(kept) // _CELLS
    power = kept[: whole * _CELLS].reshape(whole, _CELLS, len(BANDS_HZ)).mean(axis=1)
    return np.asarray(np.round(10.0 * np.log10(power + _FAINT), 1))


def fingerprint_text(fingerprint: _Doubles) -> dict[str, str]:
    """The levels as text: tenths of a dB by band."""
    return {
        f"{low:g}_{high:g}_hz": " ".join(str(round(10.0 * level)) for level in fingerprint[:, k])
        for k, (low, high) in enumerate(BANDS_HZ)
    }


def read_fingerprint(text: Mapping[str, str]) -> _Doubles:
    """Inverse of `fingerprint_text`; ValueError where it is no fingerprint."""
    names = [name for name in fingerprint_text(np.empty((0, 3))) if name in text]
    bands = [[float(word) / 10.0 for word in text[name].split()] for name in names]
    if len(bands) != len(BANDS_HZ):
        raise ValueError("it has other bands")
    return np.array(bands).T  # of bands that differ in length numpy says so


def similarity(fingerprint: _Doubles, powers: _Doubles) -> float:
    """Mean correlation over the bands at the best shift, -1 to 1; -1 where nothing overlaps.

    Parameters
    ----------
    fingerprint
        Of one mix.
    powers
        `band_powers` of the other.
    """
    theirs, heard = _moving(fingerprint)
    best = -1.0
    for first in range(_CELLS):
        other = fingerprint_of(powers, first)
        ours, sounding = _moving(other)
        most = abs(len(other) - len(fingerprint)) + _MOST_SHIFT_S
        for shift in range(-most, most + 1):
            a, b = max(0, shift), max(0, -shift)
            length = min(len(fingerprint) - a, len(other) - b)
            if length < max(2, min(len(fingerprint), len(other)) // 2):
                continue
            both = heard[a : a + length] & sounding[b : b + length]
            x, y = theirs[a : a + length] * both, ours[b : b + length] * both
            norm = np.sqrt((x * x).sum(axis=0) * (y * y).sum(axis=0))
            # Bands that hardly sound at the same time say nothing for each other.
            enough = both.sum(axis=0) >= 0.5 * np.minimum(heard.sum(axis=0), sounding.sum(axis=0))
            alike = np.where(enough & (norm > 0.0), (x * y).sum(axis=0) / np.maximum(norm, _FAINT), 0.0)
            best = max(best, float(alike.mean()))
    return best


def _moving(level: _Doubles) -> tuple[_Doubles, npt.NDArray[np.bool_]]:
    """What a level moves around its mean over 15 s, and where it is heard."""
    if not len(level):
        return level, level > 0.0
    heard = level > np.percentile(level, 95.0, axis=0) - _DEEP_DB
    window = np.ones(_MEAN_OVER)
    half = _MEAN_OVER // 2

    def around(values: _Doubles) -> _Doubles:
        return np.convolve(values, window)[half : half + len(values)]

    moved = np.zeros_like(level)
    for k in range(level.shape[1]):
        counts = heard[:, k].astype(np.float64)
        mean = around(level[:, k] * counts) / np.maximum(1.0, around(counts))
        moved[:, k] = np.clip(level[:, k] - mean, -_MOST_DB, _MOST_DB) * counts
    return moved, heard
