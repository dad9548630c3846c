"""Can the outside judges be trusted: are they blind and keen where they have to be?

A stretch of demo mix, or of real recordings, is changed in ways whose effect is known beforehand. What a static filter
undoes (gain, delay, phase rotation, a broad bell, width) must read next to nothing; clipping and movement must read
more the more there is, for every judge that is said to follow them. Fails where that does not hold, and where the
opinion formula misses its published values.
"""

import argparse
import itertools
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import scipy.signal
from judges.mean_opinion import opinion
from judges.panel import JUDGES, readings
from judges.protocol import RATE_HZ, Floats, pair
from real_recordings import recordings
from recording_cuts import loudest
from report import machine, save, table

from autochain.demo import CHARACTERS, make_demo

CLIP_DB = (1.0, 2.0, 3.0, 4.5, 6.0, 9.0)
MOVES_DB = (0.5, 1.0, 1.5, 2.0)  # amplitude of a gain that swings at 4 Hz
LINEAR_AT_MOST = {
    "noise_to_mask_db": -36.0, "distance": 2e-6, "opinion_lost": 0.3, "index_lost": 0.002, "similarity_lost": 2e-4,
}  # fmt: skip
# From which step on a judge has to hear every further one; None for what it need not hear.
KEEN: Mapping[str, Mapping[str, float | None]] = {
    "noise_to_mask_db": {"clipped": 1.0, "moved": 0.5},
    "distance": {"clipped": 1.0, "moved": 0.5},
    "opinion_lost": {"clipped": 1.0, "moved": 0.5},
    "index_lost": {"clipped": 3.0, "moved": None},
    # Under 2 dB of clipping it reads less than what counts as harmless, in no order (results/judges.md).
    "similarity_lost": {"clipped": 2.0, "moved": 0.5},
}
# Rows of the 2f model's published tables: modulation difference, distorted block, opinion.
PUBLISHED = ((28.40614, 2.071373, 45.020), (58.38151, 2.430980, 28.056), (48.05431, 2.323985, 32.750))


def turned(mix: Floats, radians: Floats | float) -> Floats:
    """Every frequency turned by an angle, one value or one per bin."""
    angle = np.broadcast_to(np.asarray(radians), (len(mix) // 2 + 1,))[:, None]
    return np.asarray(np.fft.irfft(np.fft.rfft(mix, axis=0) * np.exp(1j * angle), len(mix), axis=0))


def with_bell(mix: Floats, hz: float, q: float, gain_db: float) -> Floats:
    """A resonance added to the mix."""
    b, a = scipy.signal.iirpeak(hz, q, RATE_HZ)
    return np.asarray(mix + (10.0 ** (gain_db / 20.0) - 1.0) * scipy.signal.lfilter(b, a, mix, axis=0))


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
        "3 dB wider": widened(mix, 1.41),
    }


def widened(mix: Floats, factor: float) -> Floats:
    """Side turned up."""
    mid, side = mix.mean(axis=1), 0.5 * factor * (mix[:, 0] - mix[:, 1])
    return np.stack((mid + side, mid - side), axis=1)


def faults(character: str, found: Mapping[str, Mapping[str, Mapping[str, float]]]) -> list[str]:
    """Everything that is not as it has to be."""
    wrong = [
        f"{character}, {name}: {key} is {value[key]:.3g}, allowed are {most:g}"
        for name, value in found["linear"].items()
        for key, most in LINEAR_AT_MOST.items()
        if key in value and value[key] > most
    ]
    for kind in ("clipped", "moved"):
        for key in next(iter(found[kind].values())):
            least = KEEN[key][kind]
            steps = [value[key] for step, value in found[kind].items() if least is not None and float(step) >= least]
            if not all(a < b for a, b in itertools.pairwise(steps)):
                wrong.append(f"{character}, {kind}: {key} does not rise with every step: {steps}")
    # What each follows, where they were asked: 3 dB of clipping against a swing of 1.5 dB.
    clip, move = found["clipped"]["3"], found["moved"]["1.5"]
    asked = {"noise_to_mask_db", "distance"} <= clip.keys()
    if asked and not (
        clip["noise_to_mask_db"] > move["noise_to_mask_db"] + 3.0 and clip["distance"] < move["distance"] / 3.0
    ):
        wrong.append(f"{character}: 3 dB of clipping reads {clip}, a swing of 1.5 dB {move}")
    return wrong


def mixes(characters: list[str], folder: Path | None, only: list[int], seconds: float) -> Iterator[tuple[str, Floats]]:
    """What is changed, by name: demo mixes, or the loudest stretches of recordings where a folder is given."""
    if folder is None:
        for character in characters:
            yield character, make_demo(character, RATE_HZ, duration_s=seconds).astype(np.float64)
        return
    found = recordings(folder, "all")
    for number in only:
        yield f"recording {number}", loudest(found[number])[: round(seconds * RATE_HZ)].astype(np.float64)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=24.0)
    parser.add_argument("--characters", nargs="+", default=list(CHARACTERS))
    parser.add_argument("--judges", nargs="+", default=list(JUDGES), choices=list(JUDGES))
    parser.add_argument("--recordings", type=Path, help="folder of recordings, numbered, in place of the demo")
    parser.add_argument("--only", type=int, nargs="+", default=[1, 13, 21], help="their numbers")
    args = parser.parse_args()
    where = machine()
    wrong = [
        f"the opinion of {m:g} and {b:g} is {opinion(m, b):.3f}, published is {said:g}"
        for m, b, said in PUBLISHED
        if abs(opinion(m, b) - said) > 0.001
    ]
    result, rows = {}, []
    for character, mix in mixes(args.characters, args.recordings, args.only, args.seconds):

        def heard(changed: Floats, mix: Floats = mix) -> dict[str, float]:
            return readings(pair(mix, changed), args.judges)

        found = {
            "linear": {name: heard(changed) for name, changed in linear(mix).items()},
            "clipped": {f"{d:g}": heard(clipped(mix, d)) for d in CLIP_DB},
            "moved": {f"{d:g}": heard(moved(mix, d)) for d in MOVES_DB},
        }
        result[character] = found
        wrong += faults(character, found)
        names = {"linear": "{}", "clipped": "clipped by {} dB", "moved": "gain swings by {} dB at 4 Hz"}
        for kind, values in found.items():
            for name, value in values.items():
                rows.append((character, names[kind].format(name), *(f"{v:.3g}" for v in value.values())))
        print(f"{character}: done", flush=True)
    verdict = "All as it has to be." if not wrong else "Not as it has to be:\n\n" + "\n".join(f"- {w}" for w in wrong)
    save(
        "judges" if args.recordings is None else "judges_real",
        "Are the outside judges blind and keen where they have to be?", where,
        {"seconds": args.seconds, "linear_at_most": LINEAR_AT_MOST, "faults": wrong, "readings": result},
        f"{args.seconds:g} s of each mix at 48 kHz; less is less difference. {verdict}\n\n"
        + table(("mix", "change", *args.judges), rows),
    )  # fmt: skip
    if wrong:
        raise SystemExit("\n".join(wrong))


if __name__ == "__main__":
    main()
