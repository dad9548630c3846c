"""Settings as the engineer reads them."""

from collections.abc import Iterable

from autochain.chain.chain import STAGES
from autochain.chain.parameter import Parameter
from autochain.chain.settings import OUTPUT, StageSettings, Value
from autochain.sheet.model import StageEntry
from autochain.units import number


def value_text(parameter: Parameter, value: Value) -> str:
    """Value with its unit, at the precision of the steps that a hand sets."""
    if isinstance(value, str):
        return value
    if parameter.off is not None and value == parameter.off:
        return "off"
    decimals = 0
    while decimals < 6 and abs(round(value, decimals) - value) > 1e-9:
        decimals += 1
    if parameter.scale == "linear" and 0.1 <= parameter.step < 1.0:
        decimals = max(1, decimals)
    return number(value, parameter.unit, decimals)


def setting_text(parameter: Parameter, value: Value) -> str:
    """One setting: label, value, unit."""
    return f"{parameter.label} {value_text(parameter, value)}"


def lock_names(entry: StageEntry) -> Iterable[str]:
    """Names that `--lock` takes, without their stage; what the chain sets by itself has none."""
    names = (parameter.name for quiet in (False, True) for parameter, _ in shown_settings(entry, quiet=quiet))
    return (name for name in names if (entry.stage, name) != (OUTPUT, "trim_db"))


def shown_settings(entry: StageEntry, *, quiet: bool) -> Iterable[tuple[Parameter, Value]]:
    """Settings that mean something beside the others; with `quiet`, those that go without saying."""
    stage = STAGES[entry.stage]
    values = StageSettings(entry.settings)
    for name, value in values.items():
        parameter = stage.parameter(name)
        goes_without_saying = parameter.quiet and value == parameter.default
        if stage.applies(values, name) and goes_without_saying == quiet:
            yield parameter, value
