"""A target that was missed: how loud it gets, what stands in the way, and what would reach it."""

import math
from collections.abc import Iterable

from autochain.chain.chain import STAGES
from autochain.chain.settings import DRIVE, OUTPUT, ChainSettings
from autochain.config.coordinates import COMPRESSORS, SOLVING
from autochain.config.model import Config
from autochain.note import Note
from autochain.search.binding import level_locks
from autochain.search.locked import FREE, locks_text
from autochain.search.result import SearchStats, Verified
from autochain.units import number

# Work of the compressors ahead of the drive is loudness that the peak stages need not lose.
_WORK = {c.name: STAGES[c.stage].label for c in SOLVING if c.stage in COMPRESSORS}


def missed_note(
    config: Config, chosen: Verified, verified: Iterable[Verified], asked: ChainSettings, stats: SearchStats
) -> Note:
    """Note on a result that misses its target.

    Parameters
    ----------
    config
        Target and ranges.
    chosen
        The nearest that was found.
    verified
        Everything that was verified beside it.
    asked
        The engineer's locks.
    stats
        Where the search ended.
    """
    target = config.target
    heard, peak = target.heard_lufs(chosen.after), chosen.after.true_peak_dbtp
    option = "--loudest-part" if target.of_loudest_part else "--lufs"
    where = " in the loudest 3 s" if target.of_loudest_part else ""
    locks = level_locks(asked, config.chain_plan)
    if heard is None:
        return Note(code="target_missed", text="Nothing is left of the sound.", suggestion="Loosen a lock.")
    missing = target.loudness_lufs - heard
    side = "short of" if missing > 0.0 else "over"
    text = f"The nearest found is {number(heard, 'LUFS')}{where} at {number(peak, 'dBTP')}: "
    text += f"{number(abs(missing), 'LU')} {side} the target. {_cause(config, chosen, asked, missing)}"
    ways = [f"choose a {'quieter' if missing > 0.0 else 'louder'} target, {option} {_reachable(heard, missing):.1f}"]
    if missing > 0.0:
        ways += _ceiling(config, chosen, asked, missing)
        most = {name: getattr(config.search.ranges, name)[1] for name in stats.on_edge if name in _WORK}
        ways += [f"let the {_WORK[n]} take more than {db:g} dB ([search.ranges] {n})" for n, db in most.items()]
    ways += _without_locks(config, verified, locks, missing)
    return Note(code="target_missed", text=text, suggestion=f"To reach a target: {'; or '.join(ways)}.")


def _reachable(heard: float, missing: float) -> float:
    """A target that these settings are sure to reach, in tenths: quieter than what they gave, or louder."""
    return math.floor(heard * 10.0) / 10.0 if missing > 0.0 else math.ceil(heard * 10.0) / 10.0


def _cause(config: Config, chosen: Verified, asked: ChainSettings, missing: float) -> str:
    drive = chosen.settings[DRIVE]["gain_db"]
    if (DRIVE, "gain_db") in asked:
        return f"The drive is locked at {drive:.15g} dB."
    if chosen.saturated:
        flat = number(config.search.drive.saturated_slope, "LU", 2)
        return f"One more dB of drive would add less than {flat}: the peak stages take the rest."
    trim = chosen.settings[OUTPUT]["trim_db"]
    if trim < 0.0:
        return f"To hold the ceiling the output is turned down by {number(-trim, 'dB')}."
    if missing > 0.0:
        return f"The drive is at {number(drive, 'dB')}, the most that the search tries."
    return "No drive in its range makes it quiet enough."


def _ceiling(config: Config, chosen: Verified, asked: ChainSettings, missing: float) -> list[str]:
    """The same sound, peaks and all, turned up: as loud as wanted where the ceiling is as much higher."""
    higher = math.ceil((config.target.ceiling_dbtp + missing) * 10.0 - 1e-6) / 10.0
    fixed = any("ceiling" in name for _, own in asked.items() for name in own) or DRIVE in asked
    return [] if higher > 0.0 or fixed else [f"raise --ceiling to {number(higher)}"]


def _without_locks(config: Config, verified: Iterable[Verified], locks: ChainSettings, missing: float) -> list[str]:
    """What a simple chain without the locks reaches, where that is nearer."""
    free = [v for v in verified if v.name in FREE]
    if not locks or not free:
        return []
    best = min(free, key=lambda v: (v.miss_lu(config.target), v.score))
    heard = number(config.target.heard_lufs(best.after), "LUFS")
    if best.met:
        score = number(best.score, decimals=2)
        return [f"drop {locks_text(locks)}: without, {FREE[best.name]} reaches the target with score {score}"]
    if best.miss_lu(config.target) < abs(missing) - 0.1:
        return [f"loosen {locks_text(locks)}: without, {FREE[best.name]} gets to {heard}"]
    return []
