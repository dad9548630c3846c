"""Linear prediction learned from a stretch of sound: what least squares need of it."""

import numpy as np
import numpy.typing as npt

_Doubles = npt.NDArray[np.float64]


def gram(sound: _Doubles, order: int) -> _Doubles:
    """Products of a sound with itself at every pair of delays up to an order, shape (order + 1, order + 1).

    With x(0) to x(N - 1) the sound, g(i, j) = sum_{n = order}^{N - 1} x(n - i) x(n - j) (covariance method; Makhoul,
    "Linear Prediction: A Tutorial Review", Proc. IEEE 63, 1975, from memory). The first row is summed; each other one
    differs from the row above by the products at both ends,

        g(i + 1, j + 1) = g(i, j) + x(order - 1 - i) x(order - 1 - j) - x(N - 1 - i) x(N - 1 - j).

    Parameters
    ----------
    sound
        One channel, shape (frames,), more frames than the order.
    order
        1 or more.
    """
    products = np.empty((order + 1, order + 1))
    products[0] = np.correlate(sound, sound[order:], "valid")[::-1]
    head, tail = sound[order - 1 :: -1], sound[: -order - 1 : -1]
    ends = np.outer(head, head) - np.outer(tail, tail)
    for i in range(order):
        products[i + 1, i + 1 :] = products[i, i:-1] + ends[i, i:]
        products[i + 1 :, i] = products[i, i + 1 :]
    return products
