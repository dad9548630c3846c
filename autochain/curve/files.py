"""Names of what a curve writes."""

from autochain.curve.sheets import KINDS
from autochain.curve.targets import name_of


def stem_of(mix_stem: str, target_lufs: float) -> str:
    """Name of one point's sheet without its ending: `song.at-9.0`."""
    return f"{mix_stem}.at{name_of(target_lufs)}"


def names(mix_stem: str, targets_lufs: tuple[float, ...]) -> list[str]:
    """Everything that may be written."""
    own = [f"{mix_stem}.curve.{kind}" for kind in ("md", "html", "json", "csv")]
    return own + [f"{stem_of(mix_stem, t)}.sheet.{kind}" for t in targets_lufs for kind in KINDS]
