"""The loudnesses of a curve, from quiet to loud."""

from autochain.chain.settings import DRIVE
from autochain.errors import UsageError
from autochain.solve.decisions import Decisions
from autochain.units import number

MOST_POINTS = 30
_LOWEST_LUFS, _HIGHEST_LUFS = -40.0, 0.0  # as for one target
_FINEST_LU = 0.1  # finer points lie inside each other's tolerance


def targets_lufs(quiet_lufs: float, loud_lufs: float, step_lu: float) -> tuple[float, ...]:
    """Loudnesses in LUFS from `quiet_lufs` up to `loud_lufs` at most, `step_lu` apart.

    Raises
    ------
    UsageError
        Ends in the wrong order or out of range, a step that leads nowhere, or too many points.
    """
    for option, value in (("--from", quiet_lufs), ("--to", loud_lufs)):
        if not _LOWEST_LUFS <= value <= _HIGHEST_LUFS:
            raise UsageError(f"{option} {value:g} is not possible. Choose -40 to 0 LUFS.")
    if not step_lu >= _FINEST_LU:
        raise UsageError(f"--step {step_lu:g} is not possible. Choose 0.1 LU or more.")
    if quiet_lufs > loud_lufs:
        raise UsageError(
            f"--from {quiet_lufs:g} is louder than --to {loud_lufs:g}. A curve goes from quiet to loud: swap them."
        )
    count = int((loud_lufs - quiet_lufs) / step_lu + 1e-6) + 1
    if count > MOST_POINTS:
        raise UsageError(
            f"--from {quiet_lufs:g} --to {loud_lufs:g} --step {step_lu:g} makes {count} points; {MOST_POINTS} is "
            f"the most. Choose a larger --step."
        )
    return tuple(round(quiet_lufs + k * step_lu, 6) for k in range(count))


def refuse_locked_drive(decisions: Decisions) -> None:
    """Refuse a lock of what brings a chain to each loudness."""
    gain_db = decisions.locks.get(DRIVE, "gain_db")
    if gain_db is not None:
        raise UsageError(
            f"--lock drive.gain_db={gain_db:g} fixes the loudness, and a curve goes through many. Drop the lock, or "
            f"ask suggest for one loudness."
        )


def loudness_name(target_lufs: float) -> str:
    """Loudness as it stands in file names: `-9.0`, and as many digits as it has."""
    return number(target_lufs, decimals=1 if round(target_lufs, 1) == target_lufs else 2)
