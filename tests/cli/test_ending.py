"""A run that is ended from outside ends, wherever it is just then."""

import signal
import sys
import time
from collections.abc import Iterator

import pytest

from autochain.cli.ending import ended_in_order
from autochain.errors import TerminatedError

LONG_S = 10.0


@pytest.fixture(autouse=True)
def _ctrl_c_is_heard() -> Iterator[None]:
    """What is started in the background of a shell begins with it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


class _SignalledWhileDeleted:
    """What Python raises while it deletes an object goes no further: 'Exception ignored in'."""

    def __init__(self, number: signal.Signals) -> None:
        self._number = number

    def __del__(self) -> None:
        signal.raise_signal(self._number)
        for _ in range(100):  # the handler runs between two steps of this
            pass


@pytest.mark.parametrize(("number", "error"), [(signal.SIGTERM, TerminatedError), (signal.SIGINT, KeyboardInterrupt)])
def test_a_signal_is_not_lost_while_an_object_is_deleted(number: signal.Signals, error: type[BaseException],
                                                         capsys: pytest.CaptureFixture[str]) -> None:  # fmt: skip
    def run() -> None:
        with ended_in_order():
            one = _SignalledWhileDeleted(number)
            del one
            while time.monotonic() - began < LONG_S:
                time.sleep(0.001)

    began = time.monotonic()
    with pytest.raises(error):
        run()
    assert time.monotonic() - began < LONG_S
    assert capsys.readouterr().err == ""


def test_other_lost_exceptions_are_told_as_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    told = []
    monkeypatch.setattr(sys, "unraisablehook", told.append)

    class Broken:
        def __del__(self) -> None:
            raise ValueError("broken")

    with ended_in_order():
        one = Broken()
        del one
    assert [lost.exc_type for lost in told] == [ValueError]
    assert sys.unraisablehook == told.append
