"""The overview as JSON: facts of all tracks and of the album as a whole."""

import json
from typing import Any

from autochain.album.figures import (
    drift,
    gaps_s,
    median_balance_db,
    median_change_db,
    standing_out,
    worst_relation_lu,
)
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.album.same_settings import SameSettings


def to_json(album: Album) -> str:
    """Indented JSON with a final newline."""
    left_out = {"levels", "earlier", "request"}
    tracks = [
        {**found.model_dump(mode="json", exclude=left_out), "sheet": album.sheet_stem(track), "error": None}
        if isinstance(found, Record)
        else {"title": track.title, "error": found.reason}
        for track, found in album.tracks
    ]
    whole = {
        "format_version": 1,
        "policy": album.policy,
        "target_lufs": album.target_lufs,
        "ceiling_dbtp": album.ceiling_dbtp,
        "album_lufs": album.lufs,
        "worst_relation_lu": worst_relation_lu(album),
        "gaps_s": gaps_s(album),
        "median_balance_db": median_balance_db(album),
        "median_change_db": median_change_db(album),
        "moved_in_common": drift(album),
        "stand_out": [line for _, line in standing_out(album)],
        "same_settings": None if album.same_settings is None else _same_settings(album.same_settings),
        "tracks": tracks,
    }
    return json.dumps(whole, indent=2) + "\n"


def _same_settings(same: SameSettings) -> dict[str, Any]:
    before, after = (
        {"shared": differing.common, "level": differing.by_level, "mix": differing.by_mix}
        for differing in (same.before, same.after)
    )
    return {
        "score_within": same.within,
        "worth_crest_db": same.worth_db,
        "settings": same.common.plain(),
        "score_lost": dict(same.cost),
        "own_settings": dict(same.kept_own),
        "differing_before": before,
        "differing_after": after,
    }
