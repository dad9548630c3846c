"""First judge: how far what was added stands above what the mix masks. Follows clipping, not slow gain.

A plain model, written apart from the one in the score: critical bands, no forward masking, no ear weighting.

- Frames: 2048 samples (43 ms at 48 kHz), Hann, half overlapped.
- Residual: master minus the mix behind the best static filter and the best slow gain (`protocol.slow_gain`): what a
  hand or a slow compressor does is movement, which the second judge hears.
- Bands: 1 Bark, E. Zwicker and E. Terhardt, J. Acoust. Soc. Am. 68 (1980) 1523:
  z = 13 atan(0.76 f) + 3.5 atan((f / 7.5)^2), f in kHz; 24 bands up to 15.5 kHz.
- Spreading: M. R. Schroeder, B. S. Atal, J. L. Hall, J. Acoust. Soc. Am. 66 (1979) 1647:
  15.81 + 7.5 (d + 0.474) - 17.5 sqrt(1 + (d + 0.474)^2) dB at a distance of d Bark.
- Mask: 3 dB under the spread power up to 12 Bark, from there 0.25 dB for every Bark (ITU-R BS.1387-1, annex 2, 3.2);
  spreading renormalised to keep a flat spectrum. An offset by the flatness of the frame's spectrum was tried first: it
  took every mix for a tone and put 30 dB and more between signal and mask in the upper bands, which
  then decided alone.
- Threshold in quiet: E. Terhardt, Hearing Research 1 (1979) 155:
  3.64 f^-0.8 - 6.5 exp(-0.6 (f - 3.3)^2) + 0.001 f^4 dB SPL. The loudness of the pair stands for 83 dB SPL
  (common practice, no source).

The constants are from memory of these papers.
"""

import numpy as np

from judges.protocol import RATE_HZ, Floats, Pair, slow_gain

FRAME = 2048
PLAYBACK_DB_SPL = 83.0
LOW_BANDS = 2  # 0 to 200 Hz
_WINDOW = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(FRAME) + 0.5) / FRAME)
_HZ = np.arange(1, FRAME // 2) * RATE_HZ / FRAME


def bark(hz: Floats) -> Floats:
    """Critical-band rate."""
    f = np.asarray(hz) / 1000.0
    return np.asarray(13.0 * np.arctan(0.76 * f) + 3.5 * np.arctan((f / 7.5) ** 2))


def quiet_db_spl(hz: Floats) -> Floats:
    """Threshold in quiet."""
    f = np.asarray(hz) / 1000.0
    return np.asarray(3.64 * f**-0.8 - 6.5 * np.exp(-0.6 * (f - 3.3) ** 2) + 0.001 * f**4)


def spreading_db(distance_bark: Floats) -> Floats:
    """Level of the spread excitation, at a distance above the band that causes it."""
    d = np.asarray(distance_bark) + 0.474
    return np.asarray(15.81 + 7.5 * d - 17.5 * np.sqrt(1.0 + d**2))


_BAND = np.minimum(bark(_HZ).astype(int), 24)  # bins over 15.5 kHz fall into a 25th band, which is left out
_BANDS = 24
_MEMBERS = (_BAND[:, None] == np.arange(_BANDS)).astype(float)
_SPREAD = 10.0 ** (spreading_db((np.arange(_BANDS)[:, None] - np.arange(_BANDS)).astype(float)) / 10.0)
_SPREAD /= _SPREAD.sum(axis=1, keepdims=True)


def _frames(samples: Floats, length: int, step: int) -> Floats:
    return np.lib.stride_tricks.sliding_window_view(samples, length, axis=0)[::step]


def _powers(samples: Floats) -> Floats:
    """Power per frame and bin on a scale where a full-scale sine has 1 over its bins."""
    spectra = np.fft.rfft(_frames(samples, FRAME, FRAME // 2) * _WINDOW)[:, 1 : FRAME // 2]
    return np.asarray(np.square(np.abs(spectra)) * (4.0 / (FRAME * np.square(_WINDOW).sum())))


def masks(power: Floats, full_scale_db_spl: float) -> Floats:
    """Masked power per frame and band, from power per frame and bin."""
    bands = power @ _MEMBERS
    spread = bands @ _SPREAD.T
    offset_db = np.maximum(3.0, 0.25 * (np.arange(_BANDS) + 0.5))
    centre = np.array([_HZ[np.flatnonzero(b == _BAND)].mean() for b in range(_BANDS)])
    quiet = 10.0 ** ((quiet_db_spl(centre) - full_scale_db_spl) / 10.0)
    return np.asarray(np.maximum(spread * 10.0 ** (-offset_db / 10.0), quiet))


def noise_to_mask_db(heard: Pair) -> dict[str, float]:
    """Mean residual over mask in dB: over all frames, channels and bands, below 200 Hz, and in the worst band."""
    # A full-scale sine in both channels has 0 LUFS (BS.1770).
    full_scale = PLAYBACK_DB_SPL - heard.lufs
    ratios = []
    for reference, master in zip(heard.reference, heard.master, strict=True):
        explained = reference * slow_gain(reference, master)[:, None]
        for x, r in zip(explained.T, (master - explained).T, strict=True):
            power = _powers(x)
            ratio = (_powers(r) @ _MEMBERS) / masks(power, full_scale)
            ratios.append(ratio[power.sum(axis=1) > 1e-9])
    mean = np.concatenate(ratios).mean(axis=0)
    return {
        "nmr_db": _db(mean.mean()),
        "nmr_low_db": _db(mean[:LOW_BANDS].mean()),
        "nmr_worst_band_db": _db(mean.max()),
    }


def _db(ratio: float) -> float:
    return float(10.0 * np.log10(max(ratio, 1e-20)))
