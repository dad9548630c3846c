"""Loops of the tone generators."""

import numpy as np
import numpy.typing as npt
from numba import njit

_Doubles = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def add_partials(
    starts_re: _Doubles, starts_im: _Doubles, inside_re: _Doubles, inside_im: _Doubles, out: _Doubles
) -> None:
    """Add the imaginary part of starts[m, k] * inside[k, j], summed over k, to out[m, j].

    A library's matrix product would do it too, but its rounding depends on the number of its threads.
    """
    for m in range(starts_re.shape[0]):
        for k in range(starts_re.shape[1]):
            re = starts_re[m, k]
            im = starts_im[m, k]
            if re != 0.0 or im != 0.0:
                for j in range(inside_re.shape[1]):
                    out[m, j] += re * inside_im[k, j] + im * inside_re[k, j]
