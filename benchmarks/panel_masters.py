"""Masters of many kinds, of real recordings at several loudnesses, and what the outside judges say of each.

From every recording the loudest 30 s at 48 kHz, brought by every chain to the same loudness above what gain alone
reaches under -1 dBTP. Readings and costs go into a folder outside the project, a file for each recording and loudness;
`bench_score.py` reads them.
"""

import argparse
import json
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.signal
from judges.hearing import index_of
from judges.panel import readings
from judges.protocol import RATE_HZ, Pair, loudness_lufs, pair
from real_recordings import recordings

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix, Samples
from autochain.chain.chain import DEFAULT
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, ChainSettings
from autochain.config import read_config
from autochain.config.model import Config, Coordinates
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.evaluator import Evaluator
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.outline import Outline, only_drive_left
from autochain.solve.solved import Guess

SECONDS = 30.0
CEILING_DBTP = -1.0
_MARGIN_DB = 0.1  # between the limiter's own ceiling and the one that a true-peak meter must read
ABOVE_GAIN_ALONE_DB = (6.0, 9.0, 3.5, 12.0)
LOUDEST_LUFS = -6.5
JUDGES = ("noise_to_mask_db", "distance", "opinion_lost")
# More than half of the time: the similarity hears the two loudest stretches alone, the hearing index the mid of one.
SIMILARITY, INDEX = "similarity_lost", "index_lost"
SUGGESTION = "suggestion"

# Chains that a hand would set without a search. Common practice, no source; the limiters alone are what the
# suggestion has to beat.
_BARE = {
    "bus_work_db": 0.0, "peak_work_db": 0.0, "clip_share": 0.0, "clip_softness": 0.0, "onset_db": 0.0,
    "bus_attack_ms": 20.0, "bus_release_ms": 150.0, "peak_attack_ms": 1.0, "peak_release_ms": 60.0,
    "limiter_lookahead_ms": 3.0, "limiter_release_ms": 60.0, "limiter_link_percent": 100.0,
}  # fmt: skip
CHAINS: dict[str, dict[str, float]] = {
    "limiter 60 ms": {},
    "limiter 1.5/5 ms": {"limiter_lookahead_ms": 1.5, "limiter_release_ms": 5.0},
    "limiter 20 ms": {"limiter_release_ms": 20.0},
    "limiter 6/250 ms": {"limiter_lookahead_ms": 6.0, "limiter_release_ms": 250.0},
    "hard clip, limiter 60 ms": {"clip_share": 0.95},
    "half clip, limiter 60 ms": {"clip_share": 0.5, "clip_softness": 20.0},
    "soft clip, limiter 5 ms": {
        "clip_share": 0.7, "clip_softness": 60.0, "limiter_lookahead_ms": 1.5, "limiter_release_ms": 5.0,
    },
    "bus 2.5 dB, limiter 1.5/5 ms": {
        "bus_work_db": 2.5, "limiter_lookahead_ms": 1.5, "limiter_release_ms": 5.0,
    },
    "fast comp 2.5 dB, limiter 90 ms": {"peak_work_db": 2.5, "limiter_release_ms": 90.0},
    "slow bus 2 dB, clip, onsets, limiter 20 ms": {
        "bus_work_db": 2.0, "bus_attack_ms": 40.0, "bus_release_ms": 300.0, "clip_share": 0.4, "clip_softness": 40.0,
        "onset_db": 1.0, "limiter_release_ms": 20.0,
    },
}  # fmt: skip
TRADE_DEFAULT, SOFT_CLIP = "trade default", "soft clip, limiter 60 ms"
RANDOM = 2


@dataclass(frozen=True)
class Cut:
    """30 s of a recording, and where gain alone brings it."""

    samples: Samples
    gain_alone_lufs: float
    song: Evaluator


def cut_of(path: Path, config: Config) -> Cut:
    """The loudest 30 s by mean square, on a grid of a second."""
    mix = read_mix(path)
    samples = np.asarray(mix.samples, dtype=np.float64)
    if mix.rate_hz != RATE_HZ:
        common = math.gcd(RATE_HZ, mix.rate_hz)
        samples = scipy.signal.resample_poly(samples, RATE_HZ // common, mix.rate_hz // common, axis=0)
    length = round(SECONDS)
    seconds = np.square(samples[: len(samples) // RATE_HZ * RATE_HZ]).reshape(-1, RATE_HZ * samples.shape[1])
    power = np.convolve(seconds.mean(axis=1), np.ones(length), mode="valid")
    first = int(np.argmax(power)) * RATE_HZ
    cut = np.ascontiguousarray(samples[first : first + length * RATE_HZ], dtype=np.float32)
    hops = weighted_hops(cut, RATE_HZ)
    lufs, peak_dbtp = integrated_lufs(hops), read_true_peak(cut, RATE_HZ).highest_dbtp
    assert lufs is not None
    assert peak_dbtp is not None
    whole = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
    material = Material(cut, RATE_HZ, hops, lufs, [whole])
    song = Evaluator(material, config.weights, config.search.drive, DEFAULT)
    return Cut(cut, lufs + CEILING_DBTP - peak_dbtp, song)


def outlines(config: Config, number: int) -> Iterator[tuple[str, Outline]]:
    """Every chain, its drive not solved yet."""
    ceiling = CEILING_DBTP - _MARGIN_DB

    def at(**values: float) -> Outline:
        return outline_at(Coordinates(**values), Decisions(), ceiling, DEFAULT)

    for name, values in CHAINS.items():
        yield name, at(**(_BARE | values))
    yield TRADE_DEFAULT, at(**config.search.trade_default.model_dump())
    limiter = {"ceiling_dbtp": ceiling, "lookahead_ms": 3.0, "release_ms": 60.0}
    clipper = {"ceiling_dbfs": ceiling + 1.5, "softness": 50.0}
    yield SOFT_CLIP, only_drive_left(
        DEFAULT.checked(ChainSettings({DRIVE: {}, CLIPPER: clipper, LIMITER: limiter, OUTPUT: {}})), Decisions()
    )
    random = np.random.default_rng(number)
    for n in range(RANDOM):
        values = {}
        for name, (low, high) in config.search.ranges.model_dump().items():
            place = random.random()
            values[name] = low * (high / low) ** place if name.endswith("_ms") else low + place * (high - low)
        yield f"random {n + 1}", at(**values)


def master_of(cut: Cut, outline: Outline, lufs: float) -> tuple[Samples, dict[str, Any]]:
    """A chain at its solved drive: what it sounds like, and what the score is made of."""
    solved = cut.song.solve(outline, lufs, Guess())
    (rendered,) = solved.rendered
    costs = cut.song.reference.costs(solved)
    return rendered, {
        "met": solved.solution.met, "lufs": solved.solution.reached_lufs, "loss_db": solved.loss_db,
        "costs": costs.as_dict(), "settings": solved.settings.plain(),
    }  # fmt: skip


def say(mix: Samples, master: Samples) -> dict[str, float]:
    """What all five judges say of a master."""
    heard = pair(mix, master)
    (reference,), (own,) = (loudest(heard, 1).reference, loudest(heard, 1).master)
    reference, own = (one.mean(axis=1, keepdims=True) for one in (reference, own))
    return {
        **readings(heard, JUDGES),
        **readings(loudest(heard, 2), (SIMILARITY,)),
        INDEX: index_of(reference, reference) - index_of(reference, own),
    }


def suggestion_of(cut: Cut, lufs: float) -> tuple[Samples, dict[str, Any]]:
    """What a search suggests for the cut, without anything before the drive, so that all start from the same."""
    plan = {"corrective": False, "fades": False, "cut_silence": False, "least_rotation_db": 12.0}
    config = read_config(
        None,
        {"target": {"lufs": lufs, "ceiling_dbtp": CEILING_DBTP}, "prepare": plan, "search": {"sensitivity_trials": 0}},
    )
    mix = Mix(samples=cut.samples, rate_hz=RATE_HZ, file="cut.wav", sha256="", subtype="FLOAT")
    ready = MeasuredMix.of(SearchRequest(mix=mix, config=config), RunOptions(jobs=1)).ready()
    chosen = ready.reach(config.target, brief=True).suggestion.chosen
    return DEFAULT.render(cut.samples, RATE_HZ, chosen.settings).samples, {
        "met": chosen.met, "lufs": chosen.after.integrated_lufs, "score": chosen.score,
        "costs": chosen.costs.as_dict(), "settings": chosen.settings.plain(),
    }  # fmt: skip


def loudest(heard: Pair, count: int) -> Pair:
    """The loudest stretches alone."""
    order = np.argsort([-loudness_lufs([one]) for one in heard.reference], kind="stable")[:count]
    return Pair(
        reference=[heard.reference[n] for n in order], master=[heard.master[n] for n in order], lufs=heard.lufs
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="recordings, numbered")
    parser.add_argument("kept", type=Path, help="folder for the readings, outside the project")
    parser.add_argument("--half", choices=("odd", "even", "all"), default="all")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of recordings")
    parser.add_argument("--above", type=float, nargs="*", default=list(ABOVE_GAIN_ALONE_DB))
    parser.add_argument("--suggest", action="store_true", help="add the suggestion to the cells that there are")
    args = parser.parse_args()
    args.kept.mkdir(parents=True, exist_ok=True)
    config = read_config(None, {"target": {"lufs": -9.0, "ceiling_dbtp": CEILING_DBTP}})
    for above in args.above:
        for number, path in recordings(args.folder, args.half).items():
            file = args.kept / f"{number:02d}_{above:g}.json"
            if file.exists() != args.suggest or (args.only and number not in args.only):
                continue
            start = time.process_time()
            if args.suggest:
                cell = json.loads(file.read_text())
                if SUGGESTION in cell["masters"]:
                    continue
                cut = cut_of(path, config)
                sound, row = suggestion_of(cut, cell["lufs"])
                cell["masters"][SUGGESTION] = row | ({"judges": say(cut.samples, sound)} if row["met"] else {})
            else:
                cut = cut_of(path, config)
                lufs = cut.gain_alone_lufs + above
                if lufs > LOUDEST_LUFS:
                    continue
                cell = {"number": number, "above_db": above, "lufs": lufs, "masters": {}}
                for name, outline in outlines(config, number):
                    sound, row = master_of(cut, outline, lufs)
                    if row["met"]:
                        row["judges"] = say(cut.samples, sound)
                    cell["masters"][name] = row
            file.write_text(json.dumps(cell, indent=1))
            print(number, above, f"{cell['lufs']:.1f} LUFS, {time.process_time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
