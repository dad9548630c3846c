"""Can the two outside judges of `bench_search.py` be trusted: are they blind and keen where they have to be?

A stretch of demo mix is changed in ways whose effect is known beforehand. What a static filter undoes (gain, delay,
phase rotation, a broad bell) must read next to nothing, clipping and movement must read more the more there is, and
one judge must follow the one, the other the other. Fails where that does not hold.
"""

import argparse
import itertools
from collections.abc import Mapping

import numpy as np
import scipy.signal
from judges.noise_to_mask import noise_to_mask_db
from judges.perceptual_distance import perceptual_distance
from judges.protocol import RATE_HZ, Floats, pair
from report import machine, save, table

from autochain.demo import CHARACTERS, make_demo

CLIP_DB = (1.0, 2.0, 3.0, 4.5, 6.0, 9.0)
MOVES_DB = (0.5, 1.0, 1.5, 2.0)  # amplitude of a gain that swings at 4 Hz
LINEAR_AT_MOST = {"nmr_db": -36.0, "distance": 2e-6}


def turned(mix: Floats, radians: Floats | float) -> Floats:
    """Every frequency turned by an angle, one value or one per bin."""
    angle = np.broadcast_to(np.asarray(radians), (len(mix) // 2 + 1,))[:, None]
    return np.fft.irfft(np.fft.rfft(mix, axis=0) * np.exp(1j * angle), len(mix), axis=0)


def with_bell(mix: Floats, hz: float, q: float, gain_db: float) -> Floats:
    """A resonance added to the mix."""
    b, a = scipy.signal.iirpeak(hz, q, RATE_HZ)
    return mix + (10.0 ** (gain_db / 20.0) - 1.0) * scipy.signal.lfilter(b, a, mix, axis=0)


def clipped(mix: Floats, by_db: float) -> Floats:
    """Hard clip that far under the highest peak."""
    top = np.abs(mix).max() * 10.0 ** (-by_db / 20.0)
    return np.clip(mix, -top, top)


def moved(mix: Floats, amplitude_db: float) -> Floats:
    """Gain that swings at 4 Hz."""
    swing = amplitude_db * np.sin(2.0 * np.pi * 4.0 * np.arange(len(mix)) / RATE_HZ)
    return mix * 10.0 ** (swing / 20.0)[:, None]


def linear(mix: Floats) -> dict[str, Floats]:
    """Changes that the protocol takes out again."""
    late = np.concatenate((np.zeros((37, mix.shape[1])), mix))
    per_bin = np.arange(len(mix) // 2 + 1) / len(mix)
    return {
        "6 dB of gain": 2.0 * mix,
        "37 samples late": late,
        "3.3 samples late": turned(mix, -2.0 * np.pi * 3.3 * per_bin),
        "rotated by 45 degrees": turned(mix, np.pi / 4.0),
        "rotated by 90 degrees": turned(mix, np.pi / 2.0),
        "bell of 3 dB at 300 Hz, q 1": with_bell(mix, 300.0, 1.0, 3.0),
        "bell of -2 dB at 3 kHz, q 1.4": with_bell(mix, 3000.0, 1.4, -2.0),
    }


def read(mix: Floats, changed: Floats) -> dict[str, float]:
    """What both judges say."""
    heard = pair(mix, changed)
    return {**noise_to_mask_db(heard), "distance": perceptual_distance(heard)}


def faults(character: str, readings: Mapping[str, Mapping[str, Mapping[str, float]]]) -> list[str]:
    """Everything that is not as it has to be."""
    found = [
        f"{character}, {name}: {key} is {value[key]:.3g}, allowed are {most:g}"
        for name, value in readings["linear"].items()
        for key, most in LINEAR_AT_MOST.items()
        if value[key] > most
    ]
    for kind in ("clipped", "moved"):
        for key in LINEAR_AT_MOST:
            steps = [value[key] for value in readings[kind].values()]
            if not all(a < b for a, b in itertools.pairwise(steps)):
                found.append(f"{character}, {kind}: {key} does not rise with every step: {steps}")
    # One judge each way: 3 dB of clipping against a swing of 1.5 dB.
    clip, move = readings["clipped"]["3"], readings["moved"]["1.5"]
    if not (clip["nmr_db"] > move["nmr_db"] + 3.0 and clip["distance"] < move["distance"] / 3.0):
        found.append(f"{character}: 3 dB of clipping reads {clip}, a swing of 1.5 dB {move}")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=24.0)
    parser.add_argument("--characters", nargs="+", default=list(CHARACTERS))
    args = parser.parse_args()
    where = machine()
    result, wrong, rows = {}, [], []
    for character in args.characters:
        mix = make_demo(character, RATE_HZ, duration_s=args.seconds).astype(np.float64)
        readings = {
            "linear": {name: read(mix, changed) for name, changed in linear(mix).items()},
            "clipped": {f"{d:g}": read(mix, clipped(mix, d)) for d in CLIP_DB},
            "moved": {f"{d:g}": read(mix, moved(mix, d)) for d in MOVES_DB},
        }
        result[character] = readings
        wrong += faults(character, readings)
        names = {"linear": "{}", "clipped": "clipped by {} dB", "moved": "gain swings by {} dB at 4 Hz"}
        for kind, values in readings.items():
            for name, value in values.items():
                figures = (round(value[key], 1) for key in ("nmr_db", "nmr_low_db", "nmr_worst_band_db"))
                rows.append((character, names[kind].format(name), *map(str, figures), f"{value['distance'] * 1e4:.3f}"))
    head = ("mix", "change", "noise-to-mask (dB)", "below 200 Hz (dB)", "worst band (dB)", "distance (1e-4)")
    verdict = "All as it has to be." if not wrong else "Not as it has to be:\n\n" + "\n".join(f"- {w}" for w in wrong)
    save(
        "judges", "Are the outside judges blind and keen where they have to be?", where,
        {"seconds": args.seconds, "linear_at_most": LINEAR_AT_MOST, "faults": wrong, "readings": result},
        f"{args.seconds:g} s of each mix at 48 kHz. {verdict}\n\n" + table(head, rows),
    )  # fmt: skip
    if wrong:
        raise SystemExit("\n".join(wrong))


if __name__ == "__main__":
    main()
