"""The rotation, decided once for a search on the excerpts."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix
from autochain.config.model import Target
from autochain.measure.loudness import loud_hops
from autochain.measure.measurement import Measurement
from autochain.prepare.symmetry import Rotation, choose_rotation
from autochain.search.excerpts import Span
from autochain.units import db_to_linear

# A limiter alone loses about this much loudness at usual targets; only places the threshold.
_EXPECTED_LOSS_DB = 1.5
_SPLICE_HOPS = 15


def rotation_on(
    spans: Sequence[Span], mix: Mix, before: Measurement, mix_hops: npt.NDArray[np.float64], target: Target
) -> Rotation:
    """Decide the rotation on the excerpts, at the level where a limiter alone would begin to work.

    Parameters
    ----------
    spans
        The excerpts.
    mix, before, mix_hops
        The mix, its measurement, and its K-weighted power per 10 ms hop.
    target
        What the master must reach.
    """
    assert before.integrated_lufs is not None
    hop = round(mix.rate_hz / 100)
    joined = np.concatenate([mix.samples[s.start_hop * hop : s.stop_hop * hop] for s in spans])
    loud = loud_hops(mix_hops, before.integrated_lufs)
    flags = []
    for span in spans:
        flag = loud[span.start_hop : span.stop_hop].copy()
        flag[:_SPLICE_HOPS] = flag[-_SPLICE_HOPS:] = False  # rotation filters hear across a splice
        flags.append(flag)
    louder_db = target.loudness_lufs - (target.heard_lufs(before) or before.integrated_lufs)
    threshold_db = target.ceiling_dbtp - louder_db - _EXPECTED_LOSS_DB
    return choose_rotation(joined, mix.rate_hz, np.concatenate(flags), db_to_linear(threshold_db))
