"""How far a short sound stands over what the rest of the mix masks at that instant.

The bands, thresholds and masks are those of `ear_model` (ITU-R BS.1387), read through windows of 6 ms, each 1.5 ms
after the last: a click is over within one of them, and so is what masks it. Nothing below 1 kHz is looked at, where
such a window resolves no band. In the standard a difference is heard from about 0 dB on; it was made for windows of
43 ms and differences that last, so a limit in these figures is found on clicks, not taken from it.
"""

import numpy as np
import numpy.typing as npt

from autochain.measure.ear_model import MaskingModel, ear_weight, group_bins, make_bands, window_samples

_Doubles = npt.NDArray[np.float64]

_LOWEST_HZ = 1000.0
_FRAMES = 13  # the last one is over the instant: 18 ms of what came before


class ShortMask:
    """Tells how far short sounds stand over the mask of what they are laid over.

    Parameters
    ----------
    rate_hz
        Sample rate.
    sine_db_spl
        Level that a full-scale 1 kHz sine stands for, as `ear_model.full_scale_sine_db_spl`.
    """

    def __init__(self, rate_hz: int, sine_db_spl: float) -> None:
        size = window_samples(rate_hz) // 4
        self._bands = make_bands()
        grouping = group_bins(self._bands, rate_hz / size, ear_weight(rate_hz, sine_db_spl, size))
        # As a full matrix: the window is so short that it has few bins.
        self._shares = np.zeros((self._bands.centre_hz.size, size // 2 + 1))
        for band, first in enumerate(grouping.first_bin):
            own = grouping.weight[grouping.start[band] : grouping.start[band + 1]]
            self._shares[band, first : first + own.size] = own
        self._window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
        self._hop_s = size // 4 / rate_hz
        self._counts = self._bands.centre_hz >= _LOWEST_HZ

    def over_mask_db(self, short: _Doubles, rest: _Doubles) -> float:
        """Level over the mask in the band where it is highest, in dB, -300 for silence.

        Parameters
        ----------
        short
            The short sound in the middle of silence, one channel, shape (frames,), 25 ms or more on either side.
        rest
            What it is laid over, in the same frames.
        """
        size = self._window.size
        last = short.size // 2 - size // 2
        starts = last - size // 4 * np.arange(_FRAMES - 1, -1, -1)
        frames = np.stack([rest[start : start + size] for start in starts])
        inverse = MaskingModel(self._bands, self._hop_s).inverse_mask(self._energy(frames))[:, -1]
        over = self._energy(short[np.newaxis, last : last + size])[:, 0] * inverse
        return 10.0 * float(np.log10(max(float(over[self._counts].max()), 1e-30)))

    def _energy(self, frames: _Doubles) -> _Doubles:
        """Of every band and frame, 1.0 = 0 dB SPL."""
        return np.asarray(self._shares @ (np.abs(np.fft.rfft(frames * self._window, axis=1)) ** 2).T)
