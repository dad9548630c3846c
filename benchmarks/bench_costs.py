"""What do added distortion and crest loss cost in CPU time, and do the fast loops still compute their definitions?

CPU time of the process, the least of several runs after a warm-up; beside it a reference from outside the project in
the same process: one real FFT of the whole array by scipy. The readings are compared with the definitions written
out in double precision with numpy and scipy, no kernel of ours but the masks of the ear model.
"""

import argparse
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.signal
from report import machine, save, table

from autochain.audio.mix import Samples
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.crest import BAND_EDGES_HZ, CrestReference
from autochain.measure.distortion import LOW_BANDS_BELOW_HZ, DistortionReference
from autochain.measure.ear_model import (
    MaskingModel,
    ear_weight,
    full_scale_sine_db_spl,
    group_bins,
    make_bands,
    window_samples,
)
from autochain.measure.loudness import integrated_lufs, weighted_hops

RATE_HZ = 44100
CLIP_DB = 6.0  # hard clip of the outputs compared
LENGTHS_S = (25.0, 60.0, 120.0, 240.0)
TARGET_S = 0.05  # both comparisons of 25 s
TOLERANCE_DB = 0.01  # fast against written out; the costs are printed with one decimal
_NAMES = ("nmr_db", "nmr_low_db", "nmr_worst_band_db", "nmr_p95_db", "crest_loss_db", "broadband_loss_db")


def least_cpu_s(call: Callable[[], object], runs: int) -> float:
    times = []
    for _ in range(runs):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def loudness(mix: Samples) -> float:
    level = integrated_lufs(weighted_hops(mix, RATE_HZ))
    assert level is not None
    return level


def written_out_distortion(mix: Samples, output: Samples, lufs: float) -> dict[str, float]:
    """`Distortion` by its formulas, everything in float64."""
    n, bands = window_samples(RATE_HZ), make_bands()
    hop, bin_hz, count = n // 2, RATE_HZ / n, bands.centre_hz.size
    grouping = group_bins(bands, bin_hz, ear_weight(RATE_HZ, full_scale_sine_db_spl(lufs, mix.shape[1])))
    share = np.zeros((count, n // 2 + 1))
    for b, first in enumerate(grouping.first_bin):
        weights = grouping.weight[grouping.start[b] : grouping.start[b + 1]]
        share[b, first : first + weights.size] = weights
    region = np.zeros((count, count))
    for b in range(count):
        low = high = b
        while high - low < 4 or bands.upper_hz[high] - bands.lower_hz[low] < 12 * bin_hz:
            low, high = max(0, low - 1), min(count - 1, high + 1)
        region[b, low : high + 1] = 1.0

    def around(s: npt.NDArray[Any]) -> npt.NDArray[Any]:
        summed = region @ s
        padded = np.pad(summed, ((0, 0), (1, 1)))
        return np.asarray(padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:])

    window = scipy.signal.windows.hann(n, sym=True)
    ratios, reference, explained = [], 0.0, 0.0
    for channel in range(mix.shape[1]):
        x, y = (
            np.fft.rfft(np.lib.stride_tricks.sliding_window_view(s[:, channel].astype(float), n)[::hop] * window)
            for s in (mix, output)
        )
        s_xx, s_yy = share @ (np.abs(x.T) ** 2), share @ (np.abs(y.T) ** 2)
        s_xy = share @ (np.conj(x.T) * y.T)
        r_xx = around(s_xx)
        g = around(s_xy) / np.where(r_xx > 0.0, r_xx, 1.0)
        fitted = np.abs(g) ** 2 * s_xx
        residual = np.maximum(s_yy - 2.0 * (np.conj(g) * s_xy).real + fitted, 0.0)
        model = MaskingModel(bands, hop / RATE_HZ)
        heard = model.audible(s_xx)
        ratios.append((residual * model.inverse_mask(s_xx))[:, heard])
        reference, explained = reference + s_xx[:, heard].sum(), explained + fitted[:, heard].sum()
    ratio = np.concatenate(ratios, axis=1) * reference / explained
    by_band, by_frame = ratio.mean(axis=1), ratio.mean(axis=0)
    values = {
        "nmr_db": by_band.mean(),
        "nmr_low_db": by_band[bands.centre_hz < LOW_BANDS_BELOW_HZ].mean(),
        "nmr_worst_band_db": by_band.max(),
        "nmr_p95_db": np.percentile(by_frame, 95.0, method="inverted_cdf"),
    }
    return {name: float(10.0 * np.log10(value)) for name, value in values.items()}


def written_out_crest(mix: Samples, output: Samples) -> dict[str, float]:
    """Crest loss by its formulas, the bands by scipy's filters."""
    length = round(0.05 * RATE_HZ)

    def windows(sound: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
        cut = sound[: sound.shape[0] // length * length].astype(float).reshape(-1, length, *sound.shape[1:])
        power = np.mean(cut**2, axis=1)
        return 10.0 * np.log10(np.abs(cut).max(axis=1) ** 2 / power), power

    def split(sound: Samples) -> list[npt.NDArray[Any]]:
        rest, bands = sound.mean(axis=1, dtype=float), []
        for edge_hz in BAND_EDGES_HZ:
            low, high = (scipy.signal.butter(2, edge_hz, kind, fs=RATE_HZ, output="sos") for kind in ("low", "high"))
            bands.append(scipy.signal.sosfilt(np.tile(low, (2, 1)), rest))
            rest = scipy.signal.sosfilt(np.tile(high, (2, 1)), rest)
        return [*bands, rest]

    def loss(before: npt.NDArray[Any], after: npt.NDArray[Any]) -> float:
        (crest_before, power), (crest_after, _) = windows(before), windows(after)
        weight = np.where(power >= power.mean() / 10.0, power, 0.0)
        return float((np.maximum(0.0, crest_before - crest_after) * weight).sum() / weight.sum())

    broadband = loss(mix, output)
    bands = [loss(before, after) for before, after in zip(split(mix), split(output), strict=True)]
    return {"crest_loss_db": 0.5 * broadband + 0.5 * float(np.mean(bands)), "broadband_loss_db": broadband}


def readings(mix: Samples, output: Samples) -> dict[str, dict[str, float]]:
    """Every figure fast and written out."""
    lufs = loudness(mix)
    distortion = DistortionReference(mix, RATE_HZ, lufs).compare(output)
    crest = CrestReference(mix, RATE_HZ).compare(output)
    assert distortion is not None
    assert crest is not None
    fast = [float(getattr(distortion if "nmr" in name else crest, name)) for name in _NAMES]
    slow = written_out_distortion(mix, output, lufs) | written_out_crest(mix, output)
    return {name: {"fast": value, "written_out": slow[name]} for name, value in zip(_NAMES, fast, strict=True)}


def clipped(mix: Samples) -> Samples:
    top = np.abs(mix).max() * 10.0 ** (-CLIP_DB / 20.0)
    return np.clip(mix, -top, top)


def times_of(mix: Samples, runs: int) -> dict[str, float]:
    output, lufs = clipped(mix), loudness(mix)
    distortion, crest = DistortionReference(mix, RATE_HZ, lufs), CrestReference(mix, RATE_HZ)
    return {
        "rfft_s": least_cpu_s(lambda: scipy.fft.rfft(mix, axis=0), runs),
        "distortion_s": least_cpu_s(lambda: distortion.compare(output), runs),
        "crest_s": least_cpu_s(lambda: crest.compare(output), runs),
        "distortion_reference_s": least_cpu_s(lambda: DistortionReference(mix, RATE_HZ, lufs), max(1, runs // 5)),
        "crest_reference_s": least_cpu_s(lambda: CrestReference(mix, RATE_HZ), max(1, runs // 5)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=15)
    args = parser.parse_args()
    where = machine()
    song = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, duration_s=max(LENGTHS_S)), dtype=np.float32)
    times_of(song[: 5 * RATE_HZ], 1)  # compiles, or loads what was compiled
    times = {
        seconds: times_of(song[: round(seconds * RATE_HZ)], max(3, round(args.runs * LENGTHS_S[0] / seconds)))
        for seconds in LENGTHS_S
    }
    mixes = {name: make_demo(name, RATE_HZ, duration_s=LENGTHS_S[0]).astype(np.float32) for name in CHARACTERS}
    checked = {name: readings(mix, clipped(mix)) for name, mix in mixes.items()}
    worst = max(abs(f["fast"] - f["written_out"]) for figures in checked.values() for f in figures.values())
    both = times[LENGTHS_S[0]]["distortion_s"] + times[LENGTHS_S[0]]["crest_s"]
    rows = [
        (
            f"{seconds:g}", *(round(1000.0 * t[name], 1) for name in ("rfft_s", "distortion_s", "crest_s")),
            (t["distortion_s"] + t["crest_s"]) / t["rfft_s"],
            round(seconds / (t["distortion_s"] + t["crest_s"])),
            round(1000.0 * t["distortion_reference_s"], 1), round(1000.0 * t["crest_reference_s"], 1),
        )
        for seconds, t in times.items()
    ]  # fmt: skip
    head = (
        "seconds of mix", "reference: rfft (ms)", "distortion (ms)", "crest (ms)", "both over the reference",
        "both, x real time", "building distortion reference (ms)", "building crest reference (ms)",
    )  # fmt: skip
    figures = [
        (character, name, f["fast"], f["written_out"], f"{abs(f['fast'] - f['written_out']):.1e}")
        for character, found in checked.items()
        for name, f in found.items()
    ]
    save(
        "costs", "What do the distortion and crest costs take, and are they still what they say?", where,
        {"rate_hz": RATE_HZ, "clip_db": CLIP_DB, "target_s": TARGET_S, "times": times, "readings": checked,
         "largest_difference_db": worst},
        f"Stereo, 44.1 kHz, float32, one thread, CPU time; comparisons against built references. Together they take "
        f"{1000.0 * both:.0f} ms for {LENGTHS_S[0]:g} s (target {1000.0 * TARGET_S:.0f} ms). From 110 s on the "
        f"reference's spectra are not kept but transformed again.\n\n" + table(head, rows)
        + f"\n\n## Fast against written out, {LENGTHS_S[0]:g} s clipped hard by {CLIP_DB:g} dB\n\n"
        + f"Largest difference {worst:.1e} dB (allowed {TOLERANCE_DB:g}).\n\n"
        + table(("mix", "figure", "fast (dB)", "written out (dB)", "difference (dB)"), figures),
    )  # fmt: skip
    if both > TARGET_S:
        raise SystemExit(f"both costs take {1000.0 * both:.0f} ms, more than {1000.0 * TARGET_S:.0f} ms")
    if worst > TOLERANCE_DB:
        raise SystemExit(f"fast and written-out readings differ by {worst:.3g} dB, more than {TOLERANCE_DB:g} dB")


if __name__ == "__main__":
    main()
