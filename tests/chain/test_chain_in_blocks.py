"""A sound through the chain in blocks, and stage by stage."""

import numpy as np

from autochain.chain import chain
from autochain.chain.settings import NOTHING_SET
from autochain.demo import make_demo


def test_blocks_give_the_samples_and_traces_of_whole_stages() -> None:
    samples = np.ascontiguousarray(make_demo("dense_rock", 44100, 10.0, 1)[: 5 * 44100 + 77], dtype=np.float32)
    settings = chain.DEFAULT.checked({name: {} for name in chain.STAGES if name not in ("equaliser", "tone")})
    settings = settings.with_("drive", gain_db=9.0)
    settings = settings.with_("output", fade_in_ms=30.0, fade_out_ms=400.0, trim_db=-0.3)
    for stages in (None, chain.DEFAULT.leading, ("drive", "clipper", "limiter")):
        parts = chain.DEFAULT.render(samples, 44100, settings, stages=stages)
        # Who wants to see every stage gets each over the whole sound.
        whole = chain.DEFAULT.render(samples, 44100, settings, stages=stages, observe=lambda *_: None)
        assert np.array_equal(parts.samples, whole.samples)
        assert list(parts.traces) == list(whole.traces)
        for name, trace in whole.traces.items():
            assert np.array_equal(parts.traces[name].max_db, trace.max_db), name
    assert chain.DEFAULT.render(samples, 44100, NOTHING_SET).samples is samples  # no stage, no copy
