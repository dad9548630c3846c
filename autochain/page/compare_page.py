"""A comparison as one page: what was found, and mix and master to be heard at the same places, equally loud."""

import hashlib

import numpy as np

from autochain.audio.mix import Mix
from autochain.audio.resample import resampled
from autochain.compare.as_json import to_json
from autochain.compare.bounce import BounceVerdict
from autochain.compare.comparison import Comparison
from autochain.compare.description import Description
from autochain.compare.pair import laid_on_mix
from autochain.compare.report import PlayedPair, report, report_page
from autochain.earlier.sheet import EarlierSheet
from autochain.measure.loudness import SHORT_TERM_HOPS, weighted_hops
from autochain.page.listening import Listening, affordable_s, levelled, places_of, rendered_places, span_of
from autochain.page.places import WINDOW_S, excerpts
from autochain.page.player import player, player_script, player_style
from autochain.render.sheet_chain import sheet_chain
from autochain.search.facts import loudest_start_s

_RUN_UP_S = 1.0  # heard before a time
_SPREAD = 8  # places over the song, where there is room
_SEED = 1  # of the dither


def compared_sounds(mix: Mix, master: Mix, found: Comparison, sheet: EarlierSheet | None = None) -> Listening:
    """Mix and master in step at the places that tell most; with a sheet also what it makes of the mix.

    Parameters
    ----------
    mix, master
        The files that were compared.
    found
        What was found between them.
    sheet
        Sheet of the mix; only the places are rendered.
    """
    rate_hz, x, y = laid_on_mix(mix, master, found.alignment)
    start_s, stop_s = found.compared_s
    first, last = round(start_s * rate_hz), round(stop_s * rate_hz)
    hops = weighted_hops(x[first:last], rate_hz)
    loudest_s = start_s + (loudest_start_s(hops) if len(hops) >= SHORT_TERM_HOPS else 0.0)
    events = [*(click.at_s for click in found.new_clicks), *found.new_edges_s, *(a for a, _ in found.unmatched_s)]
    cues_s = [max(0.0, at_s - _RUN_UP_S) for at_s in events]
    spread_s = np.linspace(start_s, max(start_s, stop_s - WINDOW_S), _SPREAD).tolist()
    there = span_of(loudest_s, rate_hz)
    parts = [x[there], y[there]] if sheet is None else [x[there], y[there], y[there].copy()]
    room_s = affordable_s(parts, rate_hz)
    windows = excerpts(len(x) / rate_hz, loudest_s, cues_s, room_s, spread_s)
    heard = {"mix": places_of(x, windows, rate_hz)}
    heard["master" if sheet is None else "bounce"] = places_of(y, windows, rate_hz)
    if sheet is not None:
        made = resampled(rendered_places(*sheet_chain(sheet), mix, windows), mix.rate_hz, rate_hz)
        planned = np.zeros_like(heard["mix"])
        planned[: len(made)] = made[: len(planned)]
        heard["sheet"] = planned
    return levelled(heard, rate_hz, windows, _SEED)


def to_html(
    found: Comparison, described: Description, verdict: BounceVerdict | None = None, listening: Listening | None = None
) -> str:
    """Whole document with a final newline; without `listening` nothing plays."""
    if listening is None:
        return report_page(found, report(found, described, verdict))
    key = hashlib.sha256(to_json(found, described, verdict).encode()).hexdigest()
    heard = PlayedPair(
        player=list(player(listening, found.mix.sha256, key)),
        held_s=[(window.start_s, window.stop_s) for window in listening.held],
    )
    return report_page(found, report(found, described, verdict, heard), player_style(), player_script())
