"""How loud each track is to be: by one target, by the mixes' own relations, or by given offsets."""

from collections.abc import Sequence

SAME, RELATIONS, OFFSETS = "same", "relations", "offsets"
POLICIES = {
    SAME: "every track at the target",
    RELATIONS: "the loudest mix at the target, the others lower by as much as their mixes are",
    OFFSETS: "the offsets of the list, the highest at the target",
}


def track_targets_lufs(
    policy: str, target_lufs: float, mixes_lufs: Sequence[float], offsets_lu: Sequence[float]
) -> list[float]:
    """Integrated loudness to reach by each track, in LUFS.

    Parameters
    ----------
    policy
        One of `POLICIES`.
    target_lufs
        Of the loudest track.
    mixes_lufs
        Integrated loudness of the mixes (BS.1770), LUFS.
    offsets_lu
        As listed, LU; only their differences count.
    """
    places = {SAME: [0.0] * len(mixes_lufs), RELATIONS: mixes_lufs, OFFSETS: offsets_lu}[policy]
    top = max(places, default=0.0)
    return [target_lufs + place - top for place in places]
