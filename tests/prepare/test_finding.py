"""What a finding may claim."""

import pytest

from autochain.prepare.finding import Finding


@pytest.mark.parametrize("certainty", ["likely", "doubtful"])
def test_a_doubt_never_sends_a_mix_back(certainty):
    with pytest.raises(ValueError, match=f"click: a finding that is {certainty} cannot send a mix back"):
        Finding(code="click", text="", suggestion="", value=1.0, unit="", certainty=certainty, sends_back=True)
