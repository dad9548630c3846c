"""Two compressors with one engine: a slow one that glues the mix, a fast one that catches its loudest parts.

Feed-forward, peak sensing, both channels linked:

1. `sidechain_level_db`: the larger channel's magnitude in dB, after an optional high-pass.
2. `smoothed_reduction_db`: gain computer (threshold T, ratio R, soft knee W), then attack and release.
3. `apply_reduction`: the same gain on both channels.

D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design - A Tutorial and Analysis",
J. Audio Eng. Soc. 60(6), 2012: gain computer equation 4, detector equation 17 (smooth, decoupled), placed in
the log domain after the gain computer as they advise (equation numbers from memory).

Why this detector: it holds a tone's peak between its cycles, so that a steady tone of peak level p is reduced
by what the curve says at p for every attack; a branching detector with slow attack settles far below. And it
releases toward the level that is there, without a corner. Its release is felt through the attack: the fall
takes about attack + release.

Time constants are those of a 63 % step response. No make-up gain: the drive sets the level. Latency 0. With
ratio 1 the input is returned bit for bit.
"""

import math

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain._compressor_kernels import (
    apply_gain,
    detect,
    detect_block_maxima,
    level_from_bits,
    linked_peak,
    linked_peak_after_biquad,
)
from autochain.chain.equaliser import high_pass_section
from autochain.chain.parameter import Parameter
from autochain.chain.stage import TRACE_HZ, GainTrace, Processed, Settings, Stage, buffered
from autochain.units import FLOOR_DB

Trace = npt.NDArray[np.float32]


def sidechain_level_db(samples: Samples, rate_hz: int, sidechain_hpf_hz: float) -> Trace:
    """Level that steers both channels' gain, in dBFS of the sample peak.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    rate_hz
        Sample rate.
    sidechain_hpf_hz
        Corner of a 12 dB per octave high-pass in front of the detector, or 0 for none.

    Returns
    -------
    array
        float32, shape (frames,): 20 log10 max(|left|, |right|) within 0.0002 dB, -200 dB for silence.
    """
    samples = np.ascontiguousarray(samples)
    peak = np.empty(samples.shape[0], dtype=np.float32)
    if sidechain_hpf_hz == 0.0:
        linked_peak(samples.reshape(-1), samples.shape[1], peak)
    else:
        linked_peak_after_biquad(samples, high_pass_section(sidechain_hpf_hz, rate_hz), peak)
    level = np.empty_like(peak)
    level_from_bits(peak.view(np.int32), np.float32(20.0 * math.log10(2.0)), np.float32(FLOOR_DB), level)
    return level


def static_reduction_db(level_db: float, *, threshold_db: float, ratio: float, knee_db: float) -> float:
    """Reduction of the gain computer alone at a steady level, in dB, at least 0 (equation 4)."""
    over = level_db - threshold_db
    slope = 1.0 - 1.0 / ratio
    if 2.0 * over <= -knee_db:
        return 0.0
    if 2.0 * over < knee_db:
        return slope * (over + knee_db / 2.0) ** 2 / (2.0 * knee_db)
    return slope * over


def smoothed_reduction_db(
    level_db: Trace,
    rate_hz: int,
    *,
    threshold_db: float,
    ratio: float,
    knee_db: float,
    attack_ms: float,
    release_ms: float,
) -> Trace:
    """Reduction over time for a level from `sidechain_level_db`.

    Parameters
    ----------
    level_db
        float32, shape (frames,).
    rate_hz
        Sample rate.
    threshold_db, ratio, knee_db
        The curve: reduction starts half a knee under the threshold and rises by 1 - 1/ratio dB per dB.
    attack_ms, release_ms
        Time to 63 % of a rise, and of a fall.

    Returns
    -------
    array
        float32, shape (frames,), dB, at least 0. The reduction before the first frame is 0.
    """
    reduction = np.empty_like(level_db)
    attack, release = _pole(attack_ms, rate_hz), _pole(release_ms, rate_hz)
    detect(level_db, threshold_db, 1.0 - 1.0 / ratio, knee_db, attack, release, reduction)
    return reduction


def peak_reduction_per_block(
    level_db: Trace,
    rate_hz: int,
    block_frames: int,
    *,
    threshold_db: float,
    ratio: float,
    knee_db: float,
    attack_ms: float,
    release_ms: float,
) -> Trace:
    """Largest reduction in each block of `block_frames`, the last one shorter, without the trace itself.

    For solving the threshold that does a wanted amount of work. Other parameters and unit as in
    `smoothed_reduction_db`, of which it gives the exact block maxima. float32, shape (blocks,).
    """
    maxima = np.empty(-(-level_db.size // block_frames), dtype=np.float32)
    attack, release = _pole(attack_ms, rate_hz), _pole(release_ms, rate_hz)
    detect_block_maxima(
        level_db, threshold_db, 1.0 - 1.0 / ratio, knee_db, attack, release, block_frames, maxima
    )
    return maxima


def apply_reduction(samples: Samples, rate_hz: int, reduction_db: Trace) -> Processed:
    """Turn every frame down by its reduction, both channels alike.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    rate_hz
        Sample rate, for the blocks of the trace.
    reduction_db
        float32, shape (frames,), dB, at least 0. Met within 0.0002 dB; more than 120 dB is 120.

    Returns
    -------
    Processed
        New samples of the same shape and dtype, and the trace at TRACE_HZ.
    """
    samples = np.ascontiguousarray(samples)
    block_frames = round(rate_hz / TRACE_HZ)
    blocks = -(-samples.shape[0] // block_frames)
    output = np.empty_like(samples)
    maxima, means = np.empty(blocks, dtype=np.float32), np.empty(blocks)
    room = np.empty(block_frames)
    flat, channels = samples.reshape(-1), samples.shape[1]
    apply_gain(flat, channels, reduction_db, block_frames, room, output.reshape(-1), maxima, means)
    # Adding 0 turns the -0 of an idle block into 0.
    mean_db = (-20.0 * np.log10(means) + 0.0).astype(np.float32)
    return Processed(samples=output, trace=GainTrace(max_db=maxima, mean_db=mean_db))


def compress(samples: Samples, rate_hz: int, settings: Settings) -> Processed:
    """Run the three steps with one stage's settings; see the module for what they mean."""
    if settings["ratio"] == 1.0:
        idle = np.zeros(-(-samples.shape[0] // round(rate_hz / TRACE_HZ)), dtype=np.float32)
        return Processed(samples=samples, trace=GainTrace(max_db=idle, mean_db=idle))
    reduction_db = smoothed_reduction_db(
        sidechain_level_db(samples, rate_hz, settings["sidechain_hpf_hz"]),
        rate_hz,
        threshold_db=settings["threshold_db"],
        ratio=settings["ratio"],
        knee_db=settings["knee_db"],
        attack_ms=settings["attack_ms"],
        release_ms=settings["release_ms"],
    )
    return apply_reduction(samples, rate_hz, reduction_db)


def _pole(time_ms: float, rate_hz: int) -> float:
    """One-pole smoother that reaches 1 - 1/e of a step after `time_ms` (equation 7)."""
    return math.exp(-1.0 / (time_ms * 1e-3 * rate_hz))


def _no_latency(rate_hz: int, settings: Settings) -> int:
    return 0


def _parameters(
    *,
    threshold_db: float,
    ratio: float,
    knee_db: float,
    attack_ms: tuple[float, float, float],
    release_ms: tuple[float, float, float],
    sidechain_hpf_hz: float,
) -> tuple[Parameter, ...]:
    """Return the parameters of one compressor; three numbers are low, high and default.

    All ranges and defaults: common practice, no source.
    """
    # The finest attack step is the shortest attack of the stage.
    return (
        Parameter(
            name="threshold_db", label="threshold", unit="dBFS",
            low=-60.0, high=0.0, default=threshold_db, step=0.1,
            ends="lower works all the time, higher only on the loudest peaks",
        ),
        Parameter(
            name="ratio", label="ratio", unit="",
            low=1.0, high=10.0, default=ratio, step=0.1,
            ends="1 does nothing, 10 is almost a limiter",
        ),
        Parameter(
            name="knee_db", label="knee", unit="dB",
            low=0.0, high=12.0, default=knee_db, step=0.5,
            ends="0 sets in at once, 12 eases in from 6 dB under the threshold",
        ),
        Parameter(
            name="attack_ms", label="attack", unit="ms",
            low=attack_ms[0], high=attack_ms[1], default=attack_ms[2], step=attack_ms[0], scale="log",
            ends="shorter catches hits and dulls them, longer lets them through",
        ),
        Parameter(
            name="release_ms", label="release", unit="ms",
            low=release_ms[0], high=release_ms[1], default=release_ms[2], step=1.0, scale="log",
            ends="shorter is denser and roughens the bass, longer is smoother and stays down",
        ),
        Parameter(
            name="sidechain_hpf_hz", label="side-chain high-pass", unit="Hz",
            low=20.0, high=300.0, default=sidechain_hpf_hz, step=1.0, scale="log", off=0.0,
            ends="lower lets the kick drive the gain, higher ignores it",
        ),
    )


BUS = Stage(
    name="bus_compressor",
    label="bus compressor",
    parameters=_parameters(
        threshold_db=-18.0,
        ratio=2.0,
        knee_db=6.0,
        attack_ms=(1.0, 100.0, 20.0),
        release_ms=(30.0, 1000.0, 150.0),
        sidechain_hpf_hz=90.0,
    ),
    neutral={"ratio": 1.0},
    start=buffered(compress),
    latency_samples=_no_latency,
    listen_for=(
        "the meter should breathe with the song, back near 0 between phrases",
        "drum hits that lose their start: lengthen the attack",
        "the whole mix dipping with every kick: raise the side-chain high-pass",
    ),
)

PEAK = Stage(
    name="peak_compressor",
    label="peak compressor",
    parameters=_parameters(
        threshold_db=-10.0,
        ratio=4.0,
        knee_db=3.0,
        attack_ms=(0.1, 10.0, 1.0),
        release_ms=(20.0, 300.0, 60.0),
        sidechain_hpf_hz=0.0,
    ),
    neutral={"ratio": 1.0},
    start=buffered(compress),
    latency_samples=_no_latency,
    listen_for=(
        "it should move only in the loudest bars, 1 to 2 dB",
        "rough or buzzing bass: lengthen the release",
        "snare and consonants turning blunt: lengthen the attack or raise the threshold",
    ),
)
