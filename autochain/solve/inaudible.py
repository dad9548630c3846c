"""A mix without any loudness, which nothing can bring anywhere."""

from autochain.audio.mix import Mix
from autochain.errors import AudioFileError
from autochain.measure.loudness import integrated_lufs, weighted_hops


def refuse_inaudible(mix: Mix) -> None:
    """Refuse a mix that has no loudness; quick, so that it can be asked before any output folder is made."""
    if integrated_lufs(weighted_hops(mix.samples, mix.rate_hz)) is None:
        raise inaudible(mix)


def inaudible(mix: Mix) -> AudioFileError:
    """What to say of it."""
    gate = "nothing above -70 LUFS, the gate of the loudness standard"
    return AudioFileError(f"{mix.file} has {gate}. Export the mix again, louder.")
