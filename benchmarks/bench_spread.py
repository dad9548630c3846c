"""Does every cost tell chains apart? Its spread over eight unlike chains at equal loudness and ceiling.

The loudness is each demo song's target, but at most -9 LUFS by default, so that every chain gets there.
"""

import argparse
from dataclasses import asdict
from typing import Any

import numpy as np
from report import machine, save, table

from autochain.chain.settings import LIMITER
from autochain.config import read_config
from autochain.config.model import Coordinates
from autochain.demo import CHARACTERS, demo_song, make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.costs import COST_NAMES, FLOOR_NMR_DB
from autochain.search.evaluator import Aim, Evaluator
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.solved import Guess

RATE_HZ = 44100
LEAST_SPREAD_DB = 0.3  # a cost that differs by less tells nobody anything
_NOTHING = {"bus_work_db": 0.0, "peak_work_db": 0.0, "clip_share": 0.0, "onset_db": 0.0}
_LIMITER = {"limiter_lookahead_ms": 3.0, "limiter_release_ms": 60.0}
CHAINS = {
    "limiter 5 ms": {"limiter_release_ms": 5.0},
    "limiter 200 ms": {"limiter_release_ms": 200.0},
    "hard clip": {"clip_share": 1.0, "clip_softness": 0.0},
    "soft clip": {"clip_share": 1.0, "clip_softness": 80.0},
    "heavy bus compression": {"bus_work_db": 5.0, "bus_attack_ms": 10.0, "bus_release_ms": 120.0},
    "fast compression": {"peak_work_db": 5.0, "peak_attack_ms": 0.3, "peak_release_ms": 40.0},
    "clip and transient +2": {"clip_share": 0.6, "clip_softness": 30.0, "onset_db": 2.0},
    "mixed": None,  # the trade default
}


def costs_of(character: str, seconds: float, target: float) -> dict[str, dict[str, Any]]:
    """Costs of every chain on one mix, and how loud each got."""
    config = read_config(None, {})
    song = demo_song(character)
    mix = np.ascontiguousarray(make_demo(character, RATE_HZ, duration_s=seconds), dtype=np.float32)
    hops = weighted_hops(mix, RATE_HZ)
    level = integrated_lufs(hops)
    assert level is not None
    whole = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
    material = Material(mix, RATE_HZ, hops, level, [whole])
    evaluator = Evaluator(material, config.weights, config.search.drive, config.chain_plan)
    trade = config.search.trade_default
    found: dict[str, dict[str, Any]] = {}
    for name, change in CHAINS.items():
        point: Coordinates = trade
        if change is not None:
            point = trade.model_copy(update={**_NOTHING, **_LIMITER, **change})
        plan = outline_at(point, Decisions(), song.ceiling_dbtp - 0.1)
        solved = evaluator.solve(plan, target, Guess(), hold_dbtp=song.ceiling_dbtp)
        trial = evaluator.price(solved, Aim(lufs=target))
        assert solved.true_peak_dbtp is not None
        found[name] = {
            "lufs": trial.solution.reached_lufs,
            "true_peak_dbtp": solved.true_peak_dbtp,
            "limiter_ceiling_dbtp": trial.settings[LIMITER]["ceiling_dbtp"],
            "met": trial.solution.met,
            "score": trial.score,
            "costs": asdict(trial.costs),
        }
    return found


def spread(chains: dict[str, dict[str, Any]], name: str) -> float | None:
    """Largest minus smallest over the chains that met the loudness; None when fewer than two did."""
    values = [c["costs"][name] for c in chains.values() if c["met"]]
    if name.endswith("nmr_db"):
        values = [v for v in values if v > FLOOR_NMR_DB]
    return max(values) - min(values) if len(values) > 1 else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--most", type=float, default=-9.0, help="highest loudness asked for, LUFS")
    args = parser.parse_args()
    where = machine()
    targets = {character: min(demo_song(character).target_lufs, args.most) for character in CHARACTERS}
    found = {character: costs_of(character, args.seconds, targets[character]) for character in CHARACTERS}
    spreads = {name: {character: spread(found[character], name) for character in CHARACTERS} for name in COST_NAMES}
    parts = [
        "Largest minus smallest cost over the chains that reach the loudness, dB (LU). Every chain is solved for the "
        "same loudness under the same true-peak ceiling, the highest of three readings of its output; the limiter "
        "starts 0.1 dB under that ceiling in every chain and is lowered only where a reading exceeds it.",
        table(("cost", *CHARACTERS), [(name, *spreads[name].values()) for name in COST_NAMES]),
        f"A cost whose spread stays under {LEAST_SPREAD_DB} dB on every mix is not a cost: "
        + (", ".join(n for n in COST_NAMES if max(v or 0.0 for v in spreads[n].values()) < LEAST_SPREAD_DB) or "none")
        + ".",
    ]
    for character, chains in found.items():
        parts.append(f"## {character}, {targets[character]:g} LUFS, {demo_song(character).ceiling_dbtp:g} dBTP")
        rows = []
        for name, c in chains.items():
            missed = "" if c["met"] else f"only {c['lufs']:.1f} LUFS"
            level = (c["lufs"], c["true_peak_dbtp"], c["limiter_ceiling_dbtp"])
            rows.append((name, missed, *level, *c["costs"].values(), c["score"] if c["met"] else None))
        short = [name.replace("added_distortion", "distortion").replace("_", " ") for name in COST_NAMES]
        parts.append(table(("chain", "missed", "LUFS", "dBTP", "limiter dBTP", *short, "score"), rows))
    save(
        "spread", "Does every cost tell chains apart?", where,
        {"seconds": args.seconds, "targets": targets, "weights": read_config(None, {}).weights.model_dump(),
         "spread": spreads, "chains": found}, "\n\n".join(parts),
    )  # fmt: skip


if __name__ == "__main__":
    main()
