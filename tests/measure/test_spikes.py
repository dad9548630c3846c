"""Spikes per ms against the same written out plainly with scipy's solver for Toeplitz systems."""

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz

from autochain.audio.signals import pink_noise
from autochain.measure.spikes import ORDER, measure_spikes

RATE_HZ = 44100
CELL, BLOCK = 44, 16 * 44


def test_a_block_holds_the_spikes_of_its_definition():
    x = pink_noise(0.2, RATE_HZ, -20.0)[:, :1]
    x[5 * BLOCK + 333, 0] += 0.5
    found = measure_spikes(x, RATE_HZ)
    # Block k has its prediction from half a block before to half a block after it.
    k, sound = 5, np.concatenate([np.zeros(BLOCK), x[:, 0]])
    middle = BLOCK + k * BLOCK
    part = sound[middle - BLOCK // 2 : middle + 3 * BLOCK // 2]
    part = part * np.sin(np.pi * (np.arange(part.size) + 0.5) / part.size) ** 2
    lags = np.array([part[: part.size - j] @ part[j:] for j in range(ORDER + 1)])
    lags[0] *= 1.0 + 1e-9
    a = np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:])])
    error = np.convolve(sound[middle - ORDER : middle + BLOCK + ORDER], a)[ORDER : ORDER + BLOCK + ORDER]
    spike = np.abs(np.convolve(error, a[::-1])[ORDER : ORDER + BLOCK]) / (a @ a)
    by_cell = spike.reshape(16, CELL)
    cells = slice(k * 16, (k + 1) * 16)
    assert found.spike[cells, 0] == pytest.approx(by_cell.max(axis=1), rel=1e-4)
    assert found.place[cells, 0].tolist() == by_cell.argmax(axis=1).tolist()
    assert found.place[k * 16 + 333 // CELL, 0] == 333 % CELL
