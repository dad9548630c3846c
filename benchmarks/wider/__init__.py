"""Widenings of the chain, each a few lines on top of the package's processors: prototypes, benchmarks only."""

from collections.abc import Mapping

from wider import all_pass, attack, bass, emphasis, finer, link, mid_side, release, series
from wider.sound import Setting

CANDIDATES: Mapping[str, tuple[Setting, ...]] = {
    "release behaviour": release.SETTINGS,
    "attack and look-ahead": attack.SETTINGS,
    "link of channels": link.SETTINGS,
    "mid and side apart": mid_side.SETTINGS,
    "dynamic bell on the bass": bass.SETTINGS,
    "clipping between shelves": emphasis.SETTINGS,
    "two in series": series.SETTINGS,
    "all-pass before": all_pass.SETTINGS,
    # No widening: what as many more tries with the plain chain give.
    "plain chain, finer": finer.SETTINGS,
}
