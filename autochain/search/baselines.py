"""The chains every suggestion has to beat: limiter alone, clipper plus limiter, and the trade default."""

from autochain.config.coordinates import SWITCHING
from autochain.config.model import Baselines, Coordinates

LIMITER_ONLY = "limiter_only"
CLIP_AND_LIMIT = "clip_and_limit"
TRADE_DEFAULT = "trade_default"
# The same under the engineer's locks, where these touch them; without locks in force each is one chain.
LIMITER_LOCKED = "limiter_only_locked"
CLIP_LOCKED = "clip_and_limit_locked"
WITH_LOCKS = {LIMITER_ONLY: LIMITER_LOCKED, CLIP_AND_LIMIT: CLIP_LOCKED}
# As a reader knows them.
BASELINE_WORDS = {
    LIMITER_ONLY: "limiter alone",
    LIMITER_LOCKED: "limiter alone, locked",
    CLIP_AND_LIMIT: "clipper with limiter",
    CLIP_LOCKED: "clipper with limiter, locked",
    TRADE_DEFAULT: "trade default",
}


def baseline_points(trade_default: Coordinates, plan: Baselines) -> list[tuple[str, Coordinates]]:
    """Every baseline point with the name of its family; the best of a family stands for it."""
    bare = trade_default.model_copy(update={c.name: 0.0 for c in SWITCHING})
    points = [(TRADE_DEFAULT, trade_default)]
    for family, share, softness in (
        (LIMITER_ONLY, 0.0, bare.clip_softness),
        (CLIP_AND_LIMIT, plan.clip_share, plan.clip_softness),
    ):
        for release in plan.release_ms:
            for lookahead in plan.lookahead_ms:
                update = {
                    "clip_share": share,
                    "clip_softness": softness,
                    "limiter_release_ms": release,
                    "limiter_lookahead_ms": lookahead,
                }
                points.append((family, bare.model_copy(update=update)))
    return points
