"""One second-order all-pass section before the peak stages, at a few frequencies that were fixed by hand.

First-order sections were left out: they are the all-pass of one delay and one gain, and a search of these for the
least peak is claimed by a patent (US 11881829). The section is the package's own; nothing looks at peaks to choose it.
"""

import numpy as np

from autochain.audio.allpass import all_pass_section
from autochain.audio.mix import Samples
from wider.sound import RATE_HZ, Setting, filtered, plain


def _setting(freq_hz: float) -> Setting:
    section = np.asarray(all_pass_section(freq_hz, 0.7, RATE_HZ))

    def front(samples: Samples) -> Samples:
        return filtered(samples, section)

    return Setting(name=f"{freq_hz:g} Hz", play=plain, front=front)


SETTINGS = tuple(_setting(freq_hz) for freq_hz in (60.0, 400.0))
