"""How much of the planned reduction each stage does in a bounce, read from the gain over time alone.

With g(t) the gain of bounce and of plan over the mix every 10 ms, and r_s(t) the reduction of stage s in the plan,

    g_bounce(t) - g_plan(t) = - sum_s k_s r_s(t) + constant

is solved for k by least squares: 0 where a stage does what is planned, -1 where it is missing, 1 where it does twice as
much. Tried with the project's own stages on two demo mixes: a compressor left out read -0.58 to -0.65, one with 8 dB
less threshold 0.52 to 0.59, and 0.43 or less whatever else was wrong. A clipper leaves no trace in mean gain; what it
takes over is missing from the limiter (-0.67 to -0.78 with its ceiling 2.5 dB lower).
"""

from collections.abc import Iterator

import numpy as np

from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, StageName
from autochain.compare.advice import Advice
from autochain.compare.comparison import Comparison
from autochain.compare.rendered_sheet import RenderedSheet
from autochain.config.coordinates import COMPRESSORS
from autochain.measure.loudness import HOP_S
from autochain.units import number

_LEAST_DB = 0.1  # rms of a reduction that can be told from nothing
_EXPLAINED = 0.25
_MORE, _LESS, _ABSENT = 0.45, -0.35, -0.55
_LIMITER_LESS = -0.5


def reduction_shares(rendered: RenderedSheet, planned: Comparison, bounce: Comparison) -> dict[StageName, float]:
    """Solve for k by stage; empty where it explains less than a quarter of the difference."""
    start = max(planned.traces.gain_at_s, bounce.traces.gain_at_s)
    courses = []
    for one in (planned, bounce):
        first = round((start - one.traces.gain_at_s) / HOP_S)
        courses.append(one.traces.gain_db[first:])
    first = round(start / HOP_S)
    reductions = {
        name: reduction_db[first:]
        for name in (*COMPRESSORS, LIMITER)
        if (reduction_db := rendered.reductions_db.get(name)) is not None
    }
    count = min([c.size for c in courses] + [r.size for r in reductions.values()])
    was, now = (c[:count] for c in courses)
    heard = (was != 0.0) & (now != 0.0)
    columns = {name: r[:count][heard] for name, r in reductions.items()}
    columns = {name: column for name, column in columns.items() if column.size and float(np.std(column)) > _LEAST_DB}
    if not columns:
        return {}
    difference = (now - was)[heard]
    A = np.column_stack([*(-column for column in columns.values()), np.ones(difference.size)])
    k, *_ = np.linalg.lstsq(A, difference, rcond=None)
    spread = float(np.var(difference))
    if spread <= 0.0 or 1.0 - float(np.var(difference - A @ k)) / spread < _EXPLAINED:
        return {}
    return dict(zip(columns, map(float, k[:-1]), strict=True))


def stage_reduction_advice(
    rendered: RenderedSheet, planned: Comparison, bounce: Comparison, miss_lu: float | None
) -> Iterator[Advice]:
    """Name the stages that do more or less than planned."""
    shares = reduction_shares(rendered, planned, bounce)
    for stage in COMPRESSORS:
        share = shares.get(stage, 0.0)
        if share >= _MORE:
            yield Advice(
                stage=stage,
                seen=f"It takes more than planned, about {number(1.0 + share, 'times', 1)} as much.",
                try_next=f"{rendered.turn(stage, 'threshold_db', up=True)} until its meter shows "
                f"{rendered.meter(stage)}, and compare ratio, attack and release.",
                size=share / _MORE,
            )
        elif share <= _LESS:
            yield Advice(
                stage=stage,
                seen=f"It {'looks left out' if share <= _ABSENT else 'takes less than planned'}.",
                try_next=f"{rendered.turn(stage, 'threshold_db', up=False)}{rendered.on_sheet(stage, 'threshold_db')} "
                f"until its meter shows {rendered.meter(stage)}.",
                size=share / _LESS,
            )
    if shares.get(LIMITER, 0.0) <= _LIMITER_LESS and CLIPPER in rendered.settings and abs(miss_lu or 0.0) <= 0.5:
        yield Advice(
            stage=CLIPPER,
            seen="It takes more than planned, and leaves the limiter less to do.",
            try_next=f"{rendered.turn(CLIPPER, 'ceiling_dbfs', up=True)} (the sheet has "
            f"{rendered.set_to(CLIPPER, 'ceiling_dbfs')} with a drive of {rendered.set_to(DRIVE, 'gain_db')}) until "
            f"its meter shows {rendered.meter(CLIPPER)}.",
            size=shares[LIMITER] / _LIMITER_LESS,
        )
