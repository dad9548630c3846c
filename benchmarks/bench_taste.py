"""From how many blind choices are the weights of a listener known, and how often is somebody told something false?

Listeners with known weights choose between two versions of one mix at equal loudness, and what they choose is fitted as
`--taste` fits it. Costs of the versions come from `bench_spread.py`, eight chains on each of five mixes: any two of
them, or two mixtures of them whose scores lie within a point, as they do between a suggestion and its neighbours.
"""

import argparse
import itertools
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from report import RESULTS, machine, save, table

from autochain.search.costs import COST_NAMES, Costs, score, terms
from autochain.taste import BlindChoice, BlindVersion, Told, told
from autochain.taste.fit import TERM_SD
from autochain.taste.told import LEAST_DIFFERENCE, default_weights

LOOKS = (20, 40, 80, 120)  # choices after which somebody asks what they tell
ALIKE_POINTS = 1.0  # of score, between two versions that are about as good; in single costs they differ by as much
DEFAULT = default_weights()
WEIGHED = tuple(name for name in COST_NAMES if getattr(DEFAULT, name) > 0.0)
Times = Mapping[str, float]
Random = np.random.Generator


@dataclass(frozen=True, kw_only=True)
class Listener:
    """How somebody chooses.

    `times` draws how many times its default each weight is; `sureness` says how surely a point of score decides, 0 for
    a coin; `liking` is how much he or she likes each version for what no cost measures, points of score as a standard
    deviation. `nothing_to_tell` of a listener of whom whatever is told is false.
    """

    name: str
    times: Callable[[Random], Times] = lambda _: {}
    sureness: float = 1.0
    liking: float = 0.0
    nothing_to_tell: bool = False


def unlike(random: Random) -> Times:
    return {name: math.exp(random.normal(0.0, TERM_SD)) for name in WEIGHED}


COIN = "tosses a coin"
LISTENERS = (
    Listener(name="shares the defaults", nothing_to_tell=True),
    Listener(name="shares the defaults, less surely", sureness=0.3, nothing_to_tell=True),
    Listener(name="shares the defaults, and likes some versions for other reasons", liking=1.0, nothing_to_tell=True),
    Listener(name=COIN, sureness=0.0, nothing_to_tell=True),
    Listener(name="minds distortion 3 times as much", times=lambda _: {"added_distortion_nmr_db": 3.0}),
    Listener(name="minds distortion a third as much", times=lambda _: {"added_distortion_nmr_db": 1 / 3}),
    Listener(name="minds movement 3 times as much", times=lambda _: {"gain_movement_db": 3.0}),
    Listener(name="minds movement a third as much", times=lambda _: {"gain_movement_db": 1 / 3}),
    Listener(name="minds lost contrast 5 times as much", times=lambda _: {"contrast_loss_lu": 5.0}),
    Listener(name="has weights of his own: each twice or half, at random", times=unlike),
)


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two versions of a mix."""

    mix: str
    one: BlindVersion
    other: BlindVersion


def any_two() -> list[Pair]:
    """Chains that reach the loudness of the same mix, and differ enough to count."""
    pairs = [
        Pair(mix=mix, one=one, other=other)
        for mix, versions in versions_by_mix().items()
        for one, other in itertools.combinations(versions, 2)
    ]
    return [pair for pair in pairs if sum(map(abs, apart(pair))) >= LEAST_DIFFERENCE]


def apart(pair: Pair) -> list[float]:
    """Points of every cost between two versions, at the default weights."""
    return [price(pair.one, name) - price(pair.other, name) for name in WEIGHED]


def about_as_good() -> list[Pair]:
    """As many pairs of mixtures of them, whose scores lie within a point."""
    random, found = np.random.default_rng(1), list[Pair]()
    mixes = list(versions_by_mix().items())
    while len(found) < 140:
        mix, versions = mixes[random.integers(len(mixes))]
        one, other = (between(versions, random, f"{len(found)} {side}") for side in ("one", "other"))
        pair = Pair(mix=mix, one=one, other=other)
        if abs(sum(apart(pair))) < ALIKE_POINTS < sum(map(abs, apart(pair))):
            found.append(pair)
    return found


POOLS = {"any two chains": any_two, "two versions whose scores lie within a point": about_as_good}


def versions_by_mix() -> dict[str, list[BlindVersion]]:
    kept = json.loads((RESULTS / "spread.json").read_text(encoding="utf-8"))["chains"].values()
    return {
        f"{place:064x}": [BlindVersion.of(name, Costs(**own["costs"])) for name, own in chains.items() if own["met"]]
        for place, chains in enumerate(kept)
    }


def between(versions: Sequence[BlindVersion], random: Random, name: str) -> BlindVersion:
    """A version that costs what lies between two others."""
    one, other = (versions[place].costs.as_dict() for place in random.choice(len(versions), 2, replace=False))
    share = random.random()
    return BlindVersion.of(name, Costs(**{cost: share * one[cost] + (1.0 - share) * other[cost] for cost in one}))


def choices_of(listener: Listener, times: Times, pairs: Sequence[Pair], random: Random) -> list[BlindChoice]:
    """What somebody chooses, no two versions compared twice."""
    weights = DEFAULT.model_copy(update={name: getattr(DEFAULT, name) * by for name, by in times.items()})
    liked: dict[tuple[str, str], float] = {}
    made = []
    for place in random.permutation(len(pairs))[: max(LOOKS)]:
        pair, worse = pairs[place], []
        for version in (pair.one, pair.other):
            if (pair.mix, version.name) not in liked:
                liked[pair.mix, version.name] = listener.liking * random.normal()
            worse.append(score(version.costs, weights) + liked[pair.mix, version.name])
        first = random.random() < 1.0 / (1.0 + math.exp(listener.sureness * (worse[0] - worse[1])))
        made.append(
            BlindChoice(
                day=date(2026, 11, 30),
                mix_sha256=pair.mix,
                first=pair.one,
                second=pair.other,
                chosen="first" if first else "second",
            )
        )
    return made


def truth(times: Times, choices: Sequence[BlindChoice]) -> dict[str, float]:
    """The same scale as the fit's: all costs together keep their points."""
    shares = dict.fromkeys(WEIGHED, 0.0)
    for choice in choices:
        for name in WEIGHED:
            shares[name] += abs(price(choice.first, name) - price(choice.second, name))
    scale = sum(share * times.get(name, 1.0) for name, share in shares.items()) / sum(shares.values())
    return {name: times.get(name, 1.0) / scale for name in WEIGHED}


def price(version: BlindVersion, name: str) -> float:
    """Points of one cost at the default weights."""
    return terms(version.costs, DEFAULT)[name]


def points_lost(found: Told, times: Times, pairs: Sequence[Pair]) -> float:
    """Share of the points between two versions, at the listener's own weights, that is lost by taking the score's."""
    own = DEFAULT.model_copy(update={name: getattr(DEFAULT, name) * by for name, by in times.items()})
    lost = total = 0.0
    for pair in pairs:
        better = score(pair.one.costs, own) - score(pair.other.costs, own)
        total += abs(better)
        if better * (score(pair.one.costs, found.weights) - score(pair.other.costs, found.weights)) < 0.0:
            lost += abs(better)
    return lost / total


@dataclass(frozen=True, kw_only=True)
class Look:
    """What somebody is told after so many choices.

    `off_db` is how far the fitted weights are from the listener's, mean over those compared, 20 dB a factor of ten;
    `inside` how many of the intervals hold them.
    """

    anything: bool
    false: bool
    off_db: float
    inside: float
    lost: float


def look(listener: Listener, times: Times, choices: Sequence[BlindChoice], pairs: Sequence[Pair]) -> Look:
    found, true = told(choices), truth(times, choices)
    own = {name: one for name, one in found.intervals.items() if one.compared}
    wrong = [name for name in found.costs if (own[name].times - 1.0) * (true[name] - 1.0) < 0.0]
    return Look(
        anything=bool(found.costs),
        false=bool(found.costs if listener.nothing_to_tell else wrong),
        off_db=float(np.mean([abs(20.0 * math.log10(one.times / true[name])) for name, one in own.items()])),
        inside=float(np.mean([one.low <= true[name] <= one.high for name, one in own.items()])),
        lost=points_lost(found, times, pairs),
    )


def heard(listener: Listener, pairs: Sequence[Pair], count: int) -> dict[str, Any]:
    """One listener many times over."""
    looks, lost = [], []
    for seed in range(count):
        random = np.random.default_rng(seed)
        times = listener.times(random)
        choices = choices_of(listener, times, pairs, random)
        looks.append([look(listener, times, choices[:so_many], pairs) for so_many in LOOKS])
        lost.append(points_lost(told([]), times, pairs))

    def at_each(of: Callable[[Look], float]) -> list[float]:
        return [float(np.mean([of(own[place]) for own in looks])) for place in range(len(LOOKS))]

    return {
        "listener": listener.name,
        "nothing_to_tell": listener.nothing_to_tell,
        "listeners": count,
        "anything": at_each(lambda one: one.anything),
        "false": at_each(lambda one: one.false),
        "ever_false": float(np.mean([any(one.false for one in own) for own in looks])),
        "off_db": at_each(lambda one: one.off_db),
        "inside": at_each(lambda one: one.inside),
        "lost": at_each(lambda one: one.lost),
        "lost_by_default": float(np.mean(lost)),
    }


def percent(share: float, decimals: int = 0) -> str:
    return f"{100.0 * share:.{decimals}f} %"


def tables(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    head = ["listener", *(f"{count} choices" for count in LOOKS)]
    unlike_default = [one for one in rows if not one["nothing_to_tell"]]
    inside = np.mean([share for one in rows if one["listener"] != COIN for share in one["inside"]])
    return [
        "Told something false: of the first four whatever is told, of the others a weight on the wrong side of its "
        "default. Wanted: under 5 %.",
        table([*head, "ever"], [(one["listener"], *map(percent, (*one["false"], one["ever_false"]))) for one in rows]),
        "Told anything:",
        table(head, [(one["listener"], *map(percent, one["anything"])) for one in unlike_default]),
        "How far the fitted weights are from the listener's, dB (a factor of two: 6), in the mean over the costs that "
        "were compared:",
        table(head, [(one["listener"], *(f"{off:.1f}" for off in one["off_db"])) for one in rows]),
        f"Of the intervals of 95 %, {percent(float(inside))} hold the listener's weight.",
        "Points between the two versions, at the listener's weights, that are lost by taking the one with the better "
        "score:",
        table(
            [head[0], "default weights", *head[1:]],
            [
                (one["listener"], *(percent(lost, 1) for lost in (one["lost_by_default"], *one["lost"])))
                for one in unlike_default
            ],
        ),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--listeners", type=int, default=100, help="of each kind that shares the defaults")
    args = parser.parse_args()
    where = machine()
    pools, parts = {}, []
    for name, pairs in POOLS.items():
        made = pairs()
        pools[name] = rows = [
            heard(listener, made, args.listeners if listener.nothing_to_tell else max(1, args.listeners // 4))
            for listener in LISTENERS
        ]
        parts += [f"## {name[0].upper()}{name[1:]}", *tables(rows)]
    question = "From how many blind choices are weights known, and how often is somebody told something false?"
    listeners = (
        f"{args.listeners} of each listener who differs in nothing, {max(1, args.listeners // 4)} of each other. Each "
        f"chooses {max(LOOKS)} times; a point of score decides 73 of 100 choices where nothing else is said. Weights "
        "are compared on the scale on which all costs together keep their points."
    )
    save("taste", question, where, {"looks": LOOKS, "pools": pools}, "\n\n".join([listeners, *parts]))


if __name__ == "__main__":
    main()
