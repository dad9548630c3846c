"""One line of the log: what was done to which file, with the key figures before and after.

format_version 1: first version. Files are named by their base name and the hash of their bytes; no folder is kept.
`complete` and `met` came later: older lines are without them, and older programs read past them.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import autochain
from autochain.audio.mix import Mix
from autochain.measure.band_changes import BandChange
from autochain.measure.measurement import Measurement

if TYPE_CHECKING:
    from autochain.compare.comparison import Comparison

VERSION = 1
# Measurement fields that are kept.
KEPT = (
    "integrated_lufs", "max_short_term_lufs", "loudness_range_lu", "true_peak_dbtp", "plr_db", "psr_median_db",
    "local_crest_db", "side_to_mid_db", "correlation",
)  # fmt: skip

_Measured = Mapping[str, float | int | None]


def entry_of(
    command: str,
    mix: tuple[str, str],
    master: tuple[str, str] | None = None,
    before: _Measured | None = None,
    after: _Measured | None = None,
    thirds: Iterable[BandChange] = (),
    complete: bool | None = None,
    met: bool | None = None,
    **more: float | None,
) -> dict[str, Any]:
    """Build an entry, stamped with the present time (UTC).

    Parameters
    ----------
    command
        What was run.
    mix, master
        Base name and SHA-256 of each file; None where there is no master file.
    before, after
        Measurements by name; only the key figures are kept.
    thirds
        Change of every third octave at equal loudness.
    complete, met
        Whether a search came to its end, and whether a target was reached; None where there was none.
    more
        Further changes by name, in the unit that the name says.
    """
    return {
        "format_version": VERSION,
        "time": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "command": command,
        "version": autochain.__version__,
        "mix": _file(mix),
        "master": None if master is None else _file(master),
        "before": _figures(before),
        "after": _figures(after),
        "thirds_db": {
            f"{band.nominal_hz:g}": round(band.change_db, 2)
            for band in thirds
            if band.heard and band.change_db is not None
        },
        "change": {name: None if value is None else round(value, 2) for name, value in more.items()},
        "complete": complete,
        "met": met,
    }


def comparison_entry(found: "Comparison") -> dict[str, Any]:
    """Entry of `compare`."""
    return entry_of(
        "compare",
        (found.mix.file, found.mix.sha256),
        (found.master.file, found.master.sha256),
        found.mix.figures.as_dict(),
        found.master.figures.as_dict(),
        found.bands,
        gain_lu=found.gain_lu,
        width_db=found.width_change_db,
        onset_db=found.onset_change_db,
        movement_db=found.movement_db,
        distortion_nmr_db=found.distortion.nmr_db,
    )


def render_entry(
    command: str,
    mix: Mix,
    before: Measurement,
    after: Measurement,
    thirds: Iterable[BandChange],
    complete: bool | None = None,
    met: bool | None = None,
) -> dict[str, Any]:
    """Entry of `suggest`, `album` and `render`: what the settings make of a mix.

    Parameters
    ----------
    command
        What was run.
    mix
        The mix.
    before, after
        Its measurement and that of the result.
    thirds
        Change of every third octave at equal loudness.
    complete, met
        As `entry_of` takes them.
    """
    return entry_of(
        command,
        (mix.file, mix.sha256),
        before=before.as_dict(),
        after=after.as_dict(),
        thirds=thirds,
        complete=complete,
        met=met,
    )


def _file(one: tuple[str, str]) -> dict[str, str]:
    return {"file": one[0], "sha256": one[1]}


def _figures(values: _Measured | None) -> dict[str, float | None]:
    return {} if values is None else {n: None if (v := values[n]) is None else round(float(v), 2) for n in KEPT}
