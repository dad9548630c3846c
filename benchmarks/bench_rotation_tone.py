"""Is a phase rotation worth its price on recordings, and is a tilt against a reference recovered?

    python benchmarks/bench_rotation_tone.py FOLDER --half odd

FOLDER holds WAV files whose names begin with a number; results name that number and nothing else.

Rotation: for each target, what a choice by saving alone would take (0.2 dB or more; an all-pass where it saves 0.1 dB
more than the best angle), and what is chosen when late lows, early energy and smeared hits are priced.

Tone: 60 s (`--seconds`) from the middle of a recording are the mix. A version of it has a ramp in its low end, its high
end or both: 0 dB above 150 Hz 2^0.75 and the full 2 or 3 dB below 150 Hz 2^-0.75, in a straight line over the octave
and a half between (dB over the logarithm of frequency), the same mirrored around 4 kHz; by a symmetric filter of 8191
taps. One reference is such a version. Three are three of them, each with random tilts up to 0.5 dB more at either end
and cut by up to a tenth at either end; they are judged by the mean of their balances. Judged are third octaves of the
mid after the moves went through the tone stage, less the references', less the mean of that from 315 Hz to 2 kHz: 40 to
250 Hz where the low end was tilted, 2.5 to 16 kHz where the high end was, of these the bands less than 60 dB under the
whole. Recovered: 0.7 dB rms or less over them; how many stay within 0.7 dB in every single band is told beside it,
which three versions that are cut differently need not do: their bands differ by the passages that they hold.
Beside that: moves drawn by the very same file, by a ramp of 1 dB, and by other recordings as one reference or as three.
"""

import argparse
import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
from report import table
from scipy.signal import fftconvolve, firwin2

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix, Samples
from autochain.chain.equaliser import BROAD, response_db
from autochain.config import read_config
from autochain.measure.loudness import weighted_hops
from autochain.measure.measurement import Measurement, measure
from autochain.measure.third_octaves import NOMINAL_HZ
from autochain.prepare.corrective import bands
from autochain.prepare.references import Profile, common, profile
from autochain.prepare.symmetry import Rotation, candidates, choose_rotation
from autochain.prepare.tone import Tone, find_tone_moves
from autochain.search.rotation import telling

TAPS = 8191
WITHIN_DB = 0.7
NOMINAL = np.array(NOMINAL_HZ)
MIDDLE = (NOMINAL >= 315.0) & (NOMINAL <= 2000.0)
RANGES = {"low": (NOMINAL >= 40.0) & (NOMINAL <= 250.0), "high": (NOMINAL >= 2500.0) & (NOMINAL <= 16000.0)}
TILTS = ((1, 0), (-1, 0), (0, 1), (0, -1), (-1, 1), (1, -1))  # low, high: the reference beside the mix


def recordings(folder: Path, half: str) -> dict[int, Path]:
    found = {int(p.name[:2]): p for p in sorted(folder.glob("[0-9][0-9]*.wav"))}
    return {n: p for n, p in found.items() if half == "all" or n % 2 == (half == "odd")}


def by_saving_alone(found: list[Rotation]) -> Rotation | None:
    constant, allpass = (
        max((r for r in found if r.kind == kind), key=lambda r: r.saving_db, default=None)
        for kind in ("constant", "allpass")
    )
    if constant is None or allpass is None:
        return None
    best = allpass if allpass.saving_db >= max(0.2, constant.saving_db + 0.1) else constant
    return best if best.saving_db >= 0.2 else None


def as_text(one: Rotation) -> str:
    if one.kind == "allpass":
        return f"{one.sections} all-pass, {one.freq_hz:g} Hz, q {one.q:g}"
    return f"angle {one.angle_deg:g}"


def rotations(number: int, mix: Mix, before: Measurement, lufs: list[float]) -> list[dict[str, Any]]:
    rows = []
    hops = weighted_hops(mix.samples, mix.rate_hz)
    for aim in lufs:
        config = read_config(None, {"target": {"lufs": aim}})
        on = telling(mix, before, hops, config.target, config.search.excerpts)
        given = (on.samples, mix.rate_hz, on.loud, on.threshold_linear)
        alone, now = by_saving_alone(candidates(*given)), choose_rotation(*given, config.prepare.rotation_rules)
        rows.append(
            {
                "recording": number,
                "lufs": aim,
                "by saving alone": None if alone is None else as_text(alone),
                "its saving (dB)": None if alone is None else alone.saving_db,
                "its lows late (ms)": None if alone is None else alone.group_delay_ms,
                "looked at": as_text(now),
                "saving (dB)": now.saving_db,
                "price (dB)": now.price_db,
                "late (ms)": now.group_delay_ms,
                "attack (dB)": now.attack_loss_db,
                "decision": "used" if now.used else f"none: {now.unused_because}",
            }
        )
    return rows


def tilted(samples: Samples, rate_hz: int, low_db: float, high_db: float) -> Samples:
    at_hz = np.geomspace(10.0, rate_hz / 2.0, 600)
    low = np.clip(0.5 - np.log2(at_hz / 150.0) / 1.5, 0.0, 1.0)
    high = np.clip(0.5 + np.log2(at_hz / 4000.0) / 1.5, 0.0, 1.0)
    gain = 10.0 ** ((low_db * low + high_db * high) / 20.0)
    at_hz[-1] = rate_hz / 2.0
    taps = firwin2(TAPS, np.r_[0.0, at_hz], np.r_[gain[0], gain], fs=rate_hz)
    return fftconvolve(samples, taps[:, None], mode="same", axes=0).astype(np.float32)


def balance(samples: Samples, rate_hz: int, figures: Measurement) -> Profile:
    return profile(samples, rate_hz, figures)


def moved(samples: Samples, rate_hz: int, tone: Tone) -> Samples:
    if not tone.moves:
        return samples
    return BROAD.process(samples, rate_hz, BROAD.checked(bands([m.settings for m in tone.moves]))).samples


def sum_db(tone: Tone, rate_hz: int) -> float:
    """Largest gain of all moves together on mid or side, 40 Hz to 16 kHz."""
    if not tone.moves:
        return 0.0
    settings, at_hz = BROAD.checked(bands([m.settings for m in tone.moves])), np.geomspace(40.0, 16000.0, 200)
    return max(float(np.abs(response_db(settings, at_hz, rate_hz, c)).max()) for c in ("mid", "side"))


def tilts(
    number: int, mix: Mix, before: Measurement, limits: tuple[float, float], seconds: float
) -> list[dict[str, Any]]:
    rng = np.random.default_rng(number)
    rate, length = mix.rate_hz, min(len(mix.samples), round(seconds * mix.rate_hz))
    first = (len(mix.samples) - length) // 2
    song = np.ascontiguousarray(mix.samples[first : first + length])
    own = balance(song, rate, before)
    rows = []
    for size_db, (low, high), count in itertools.product((2.0, 3.0), TILTS, (1, 3)):
        theirs = []
        for _ in range(count):
            drawn = np.zeros(4) if count == 1 else rng.uniform([-0.5, -0.5, 0.0, 0.0], [0.5, 0.5, 0.1, 0.1])
            more, cut = drawn[:2], drawn[2:]
            part = song[round(cut[0] * length) : length - round(cut[1] * length)]
            theirs.append(balance(tilted(part, rate, low * size_db + more[0], high * size_db + more[1]), rate, before))
        target = common(theirs)
        tone = find_tone_moves(own, target, *limits)
        after = balance(moved(song, rate, tone), rate, before)
        held = np.zeros(len(NOMINAL), dtype=bool)
        for end, wanted in (("low", low), ("high", high)):
            held |= RANGES[end] if wanted else False
        held &= own.mid_db > -60.0
        off = []
        for one in (own, after):
            error = one.mid_db - target.mid_db
            off.append(np.abs(error - error[MIDDLE].mean())[held])
        rows.append(
            {
                "recording": number,
                "references": count,
                "low (dB)": low * size_db,
                "high (dB)": high * size_db,
                "largest before (dB)": float(off[0].max()) if held.any() else None,
                "largest after (dB)": float(off[1].max()) if held.any() else None,
                "rms after (dB)": float(np.sqrt(np.mean(off[1] ** 2))) if held.any() else None,
                "uneven (dB)": tone.uneven_db,
                "alike": tone.alike,
                "moves": "; ".join(f"{m.gain_db:+.1f} {m.channel} {m.kind:g} {m.freq_hz:g}" for m in tone.moves),
            }
        )
    return rows


def small(number: int, mix: Mix, own: Profile, before: Measurement, limits: tuple[float, float]) -> dict[str, Any]:
    same = find_tone_moves(own, common([own]), *limits)
    one = {}
    for name, low, high in (("low", 1.0, 0.0), ("high", 0.0, 1.0)):
        other = balance(tilted(mix.samples, mix.rate_hz, low, high), mix.rate_hz, before)
        one[name] = len(find_tone_moves(own, common([other]), *limits).moves)
    return {"recording": number, "same": len(same.moves), "1 dB low": one["low"], "1 dB high": one["high"]}


def others(profiles: dict[int, Profile], limits: tuple[float, float]) -> dict[str, list[float]]:
    drawn: dict[str, list[float]] = {"one": [], "three": []}
    rng = np.random.default_rng(1)
    for number, own in profiles.items():
        rest = [p for n, p in profiles.items() if n != number]
        for one in rest:
            drawn["one"].append(sum_db(find_tone_moves(own, common([one]), *limits), 48000))
        for _ in range(10 if len(rest) >= 3 else 0):
            three = [rest[k] for k in rng.choice(len(rest), 3, replace=False)]
            drawn["three"].append(sum_db(find_tone_moves(own, common(three), *limits), 48000))
    return drawn


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=("odd", "even", "all"), default="odd")
    parser.add_argument("--lufs", type=float, nargs="+", default=[-9.0, -14.0])
    parser.add_argument("--tilted", type=int, default=8, help="recordings that are tilted, the lowest numbers (8)")
    parser.add_argument("--seconds", type=float, default=60.0, help="of each that are tilted (60)")
    parser.add_argument("--json", type=Path, help="also write all figures to this file")
    args = parser.parse_args()
    plan = read_config(None, {}).prepare
    limits = (plan.most_tone_db, plan.most_tone_alike_db)
    result: dict[str, Any] = {"half": args.half, "rotation": [], "tilts": [], "small": []}
    profiles: dict[int, Profile] = {}
    for place, (number, path) in enumerate(recordings(args.folder, args.half).items()):
        mix = read_mix(path)
        before = measure(mix.samples, mix.rate_hz)
        profiles[number] = balance(mix.samples, mix.rate_hz, before)
        result["rotation"] += rotations(number, mix, before, args.lufs)
        if place < args.tilted:
            result["tilts"] += tilts(number, mix, before, limits, args.seconds)
            result["small"].append(small(number, mix, profiles[number], before, limits))
        print(f"recording {number} done", flush=True)
    result["others"] = others(profiles, limits)
    for name in ("rotation", "tilts", "small"):
        rows = result[name]
        if rows:
            print(f"\n{name}\n" + table(list(rows[0]), [list(row.values()) for row in rows]))
    for count in (1, 3):
        rows = [r for r in result["tilts"] if r["references"] == count and r["rms after (dB)"] is not None]
        if rows:
            rms, largest = ([r[f"{name} after (dB)"] for r in rows] for name in ("rms", "largest"))
            print(
                f"{count} reference(s): {sum(v <= WITHIN_DB for v in rms)} of {len(rows)} recovered "
                f"({WITHIN_DB} dB rms), worst {max(rms):.2f} dB; {sum(v <= WITHIN_DB for v in largest)} in every band, "
                f"worst {max(largest):.2f} dB"
            )
    for name, sums in result["others"].items():
        if sums:
            still = sum(value == 0.0 for value in sums)
            print(
                f"other recordings, {name}: largest sum of moves {np.median(sums):.1f} dB in the middle, "
                f"{max(sums):.1f} at most; {still} of {len(sums)} draw none"
            )
    if args.json:
        args.json.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
