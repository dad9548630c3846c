"""What the overview says of the same settings on all tracks."""

from collections.abc import Iterator
from statistics import median
from typing import Any

from autochain.album.run import Album
from autochain.album.same_settings import ALIKE
from autochain.chain.chain import STAGES
from autochain.sheet.settings import setting_text
from autochain.units import number

HEAD = ["stage", "set"]


def facts(album: Album) -> list[str]:
    """Sentences on the same settings; none where they were not asked for."""
    alike = album.alike
    if alike is None:
        return []
    if not alike.house:
        return ["There are not two tracks that were searched, so nothing can be the same on them."]
    having, searched = len(alike.cost), len(alike.cost) + len(alike.own)
    worth = "" if alike.worth_db is None else f", worth {number(alike.worth_db, 'dB', decimals=2)} of crest"
    lines = [
        f"{having} of {searched} tracks have the same stages and times; their sheets are in {ALIKE}/, with what moved "
        f"against their own.",
    ]
    if having:
        lost = sorted(alike.cost.values())
        lines.append(
            f"That worsens the score by {number(median(lost), decimals=2)} in the middle and "
            f"{number(lost[-1], decimals=2)} at most; allowed are {number(alike.within, decimals=2)}{worth}."
        )
    before, after = alike.before, alike.after
    fewer = f" ({100.0 * (1.0 - after.shared / before.shared):.0f} % fewer)" if before.shared else ""
    lines.append(
        f"Knobs of these stages that stand elsewhere than on most tracks: {before.shared} with every track's own "
        f"settings, {after.shared} now{fewer}. What follows from a mix's level (drive, thresholds, peak ceilings, "
        f"trim): {before.by_level}, now {after.by_level}; what mends a mix: {before.by_mix}, now {after.by_mix}."
    )
    return lines


def rows(album: Album) -> Iterator[list[str]]:
    """The same settings, a stage in a row."""
    for stage, values in (album.alike.house if album.alike else {}).items():
        known = STAGES[stage]
        parameters = [(known.parameter(name), value) for name, value in values.items()]
        yield [known.label, "; ".join(setting_text(p, value) for p, value in parameters)]


def own(album: Album) -> list[str]:
    """One line for each track that keeps its own settings, with why."""
    why = album.alike.own if album.alike else {}
    return [
        f"{track.title} keeps its own settings: {why[track.stem]}." for track, _ in album.tracks if track.stem in why
    ]


def as_values(album: Album) -> dict[str, Any] | None:
    """The same as plain values; None where they were not asked for."""
    alike = album.alike
    if alike is None:
        return None
    return {
        "score_within": alike.within,
        "worth_crest_db": alike.worth_db,
        "settings": alike.house,
        "score_lost": dict(alike.cost),
        "own_settings": dict(alike.own),
        "differing_before": {"shared": alike.before.shared, "level": alike.before.by_level, "mix": alike.before.by_mix},
        "differing_after": {"shared": alike.after.shared, "level": alike.after.by_level, "mix": alike.after.by_mix},
    }
