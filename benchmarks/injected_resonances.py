"""Bells that lift a range of a mix, always or at times; nothing here knows how any is found."""

import math

import numpy as np
import numpy.typing as npt
import scipy.signal

Sound = npt.NDArray[np.float64]


def cookbook_bell(freq_hz: float, gain_db: float, q: float, rate_hz: int) -> tuple[Sound, Sound]:
    """W3C Note "Audio EQ Cookbook" (2021), peakingEQ, by the bilinear transform."""
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * freq_hz / rate_hz
    alpha = math.sin(w0) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * math.cos(w0), 1.0 - alpha * a])
    d = np.array([1.0 + alpha / a, -2.0 * math.cos(w0), 1.0 - alpha / a])
    return b / d[0], d / d[0]


def lift(
    mix: Sound, rate_hz: int, freq_hz: float, gain_db: float, q: float, channel: str, gate: Sound | None
) -> Sound:
    """Lift a range of one channel of a mix, all the time or where `gate` is 1."""
    b, a = cookbook_bell(freq_hz, gain_db, q, rate_hz)
    x = mix.astype(np.float64)
    lanes = {"left": x[:, 0].copy(), "right": x[:, 1].copy(), "mid": x.mean(axis=1), "side": (x[:, 0] - x[:, 1]) / 2}
    change = {"left": np.zeros(len(x)), "right": np.zeros(len(x))}
    for name in ("left", "right", "mid", "side"):
        if name == channel or (channel == "stereo" and name in ("left", "right")):
            more = scipy.signal.lfilter(b, a, lanes[name]) - lanes[name]
            if gate is not None:
                more *= gate
            change["left"] = change["left"] + more * (name != "right")
            change["right"] = change["right"] + more * {"left": 0.0, "right": 1.0, "mid": 1.0, "side": -1.0}[name]
    return x + np.stack([change["left"], change["right"]], axis=1)


def comes_and_goes(count: int, rate_hz: int, rng: np.random.Generator) -> Sound:
    """1 for 0.4 to 2.5 s, 0 for 0.8 to 4 s, in turn, with edges of 40 ms."""
    gate = np.zeros(count)
    at = round(rng.uniform(0.5, 2.0) * rate_hz)
    while at < count:
        there = round(rng.uniform(0.4, 2.5) * rate_hz)
        gate[at : at + there] = 1.0
        at += there + round(rng.uniform(0.8, 4.0) * rate_hz)
    edge = np.hanning(round(0.04 * rate_hz))
    return np.asarray(np.clip(scipy.signal.oaconvolve(gate, edge / edge.sum(), mode="same"), 0.0, 1.0))
