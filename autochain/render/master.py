"""The master that a sheet's settings make of a mix, under its ceiling in any case.

The settings are taken as they stand, edited by hand or not. Only the output's trim is lowered, in its own steps, where
the true peak would pass the ceiling: a promise that no edit breaks.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from autochain.audio.mix import Mix, Samples
from autochain.audio.resample import resampled
from autochain.audio.room import gathered, in_blocks
from autochain.chain.chain import ChainPlan
from autochain.chain.output import held_trim_db
from autochain.chain.settings import DRIVE, LIMITER, OUTPUT, ChainSettings
from autochain.config.model import Drive, Target
from autochain.measure.loudness import integrated_lufs, short_term_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import whole_song
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess
from autochain.solve.solver import DITHER_DB, LOUDNESS_TOLERANCE_LU, Solver
from autochain.units import db_to_linear

_MOST_RENDERS, _NEAR_LU = 8, 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Master:
    """A rendered song without the silence around it.

    Attributes
    ----------
    samples, rate_hz
        The sound, floating point.
    settings
        What made it, the drive and the trim as they came out.
    lowered_db
        How much the trim stands under the sheet's, 0 or more.
    lufs
        Its loudness: integrated, or of the loudest 3 s where the sheet's target is that; None under the gate.
    peak_dbtp
        Highest of three true-peak readings; None for silence.
    drive_moved_db
        How far the drive stands from the sheet's.
    """

    samples: Samples
    rate_hz: int
    settings: ChainSettings
    lowered_db: float
    lufs: float | None
    peak_dbtp: float | None
    drive_moved_db: float = 0.0


def without_sound(master: Master) -> Master:
    """The same figures with no frames, so that a long song leaves memory."""
    return replace(master, samples=master.samples[:0].copy())


def make_master(mix: Mix, chain: ChainPlan, settings: ChainSettings, target: Target) -> Master:
    """Render the settings as they stand, and hold the ceiling."""
    samples = chain.render(mix.samples, mix.rate_hz, settings).samples
    peak = read_true_peak(samples, mix.rate_hz).highest_dbtp
    lower = 0.0 if peak is None else held_trim_db(peak, target.ceiling_dbtp, DITHER_DB)
    if lower:
        gain = samples.dtype.type(db_to_linear(lower))
        samples = gathered((block * gain for block in in_blocks(samples)), samples.shape, samples.dtype)
        trim = round(settings[OUTPUT]["trim_db"] + lower, 6)
        settings = settings.with_(OUTPUT, trim_db=trim)
    return Master(
        samples=samples,
        rate_hz=mix.rate_hz,
        settings=settings,
        lowered_db=-lower + 0.0,
        lufs=heard_lufs(samples, mix.rate_hz, target),
        peak_dbtp=None if peak is None else peak + lower,
    )


def solve_master(
    mix: Mix,
    chain: ChainPlan,
    settings: ChainSettings,
    target: Target,
    wanted_lufs: float,
    plan: Drive,
    *,
    step_db: float = 0.0,
) -> tuple[Master, bool]:
    """Render with the drive solved anew; thresholds and every other setting stay. Also whether the target was met.

    Parameters
    ----------
    mix
        The mix, at the rate to work at.
    chain, settings
        As the sheet has them.
    target
        Its ceiling and which loudness is meant.
    wanted_lufs
        What that is to be.
    plan
        Of the configuration.
    step_db
        > 0 keeps the drive on steps that a hand can set.
    """
    was = settings[DRIVE]["gain_db"]
    if LIMITER not in settings:
        plain = make_master(mix, chain, settings, target)
        missing = 0.0 if plain.lufs is None else wanted_lufs - plain.lufs
        gain = settings.with_(DRIVE, gain_db=was + missing)
        driven = make_master(mix, chain, gain, target)
        return replace(driven, drive_moved_db=missing), _close(driven.lufs, wanted_lufs)
    rate_hz, start = mix.rate_hz, chain.render(mix.samples, mix.rate_hz, settings, stages=chain.leading).samples
    del mix  # at another rate nobody else holds it, and a long song is large
    hops = weighted_hops(start, rate_hz)
    level = integrated_lufs(hops)
    assert level is not None, "a mix without loudness is refused when it is read"
    material = Material(start, rate_hz, hops, level, [whole_song(len(hops))], of_loudest_part=target.of_loudest_part)
    song = Solver(material, plan, chain)
    solved = song.solve(
        only_drive_left(settings, Decisions()),
        wanted_lufs,
        Guess(loss_db=was - (wanted_lufs - level)),
        step_db=step_db,
        hold_dbtp=target.ceiling_dbtp,
    )
    samples, made = solved.rendered[0], solved.settings
    lufs = heard_lufs(samples, rate_hz, target)
    return (
        Master(
            samples=samples,
            rate_hz=rate_hz,
            settings=made,
            lowered_db=round(settings[OUTPUT]["trim_db"] - made[OUTPUT]["trim_db"], 6) + 0.0,
            lufs=lufs,
            peak_dbtp=solved.true_peak_dbtp,
            drive_moved_db=made[DRIVE]["gain_db"] - was,
        ),
        _close(lufs, wanted_lufs),
    )


def solve_by_renders(
    mix: Mix,
    chain: ChainPlan,
    settings: ChainSettings,
    target: Target,
    wanted_lufs: float,
    *,
    step_db: float = 0.0,
) -> tuple[Master, bool]:
    """As `solve_master`, of a chain with stages that are not ours: each drive is rendered, and nothing is foretold.

    The ceiling is held by the trim alone: what a tool's limiter is set to stays.
    """
    was = drive = settings[DRIVE]["gain_db"]
    found = list[tuple[float, Master]]()
    for _ in range(_MOST_RENDERS):
        master = make_master(mix, chain, settings.with_(DRIVE, gain_db=drive), target)
        missing = 0.0 if master.lufs is None else wanted_lufs - master.lufs
        found.append((abs(missing), replace(master, drive_moved_db=drive - was)))
        moved = drive + missing
        moved = round(round(moved / step_db) * step_db, 6) if step_db > 0.0 else moved
        if abs(missing) <= _NEAR_LU or moved in (drive, was):
            break
        drive = moved
    _, best = min(found, key=lambda one: one[0])
    return best, _close(best.lufs, wanted_lufs)


def _close(lufs: float | None, wanted_lufs: float) -> bool:
    return lufs is not None and abs(lufs - wanted_lufs) <= LOUDNESS_TOLERANCE_LU


def at_rate(mix: Mix, rate_hz: int) -> Mix:
    """The mix at another rate: the chain runs behind the resampler, so that nothing follows what holds the ceiling."""
    return Mix(
        samples=resampled(mix.samples, mix.rate_hz, rate_hz),
        rate_hz=rate_hz,
        file=mix.file,
        sha256=mix.sha256,
        subtype=mix.subtype,
    )


def heard_lufs(samples: Samples, rate_hz: int, target: Target) -> float | None:
    """Loudness in the sense of the target."""
    hops = weighted_hops(samples, rate_hz)
    if not target.of_loudest_part:
        return integrated_lufs(hops)
    windows = short_term_lufs(hops)
    return float(np.max(windows)) if windows.size else None


def room_for_dither(
    samples: Samples, peak_dbtp: float | None, ceiling_dbtp: float, bits: int
) -> Iterator[Samples]:
    """The sound in blocks, thousandths of a dB lower where dither of so many bits could lift a peak over the ceiling.

    Between samples the error of dither and rounding has 1/2 LSB RMS, as on them; eight times that is never seen.
    """
    most = db_to_linear(ceiling_dbtp) - 4.0 * 2.0 ** (1 - bits)
    gain = 1.0 if peak_dbtp is None or most <= 0.0 else min(1.0, most / db_to_linear(peak_dbtp))
    for block in in_blocks(samples):
        yield block if gain == 1.0 else block * block.dtype.type(gain)
