"""The open song as plain facts."""

from autochain.check.checked import Checked
from autochain.desk.facts import Known, SongFacts
from autochain.desk.open_song import OpenSong


def facts_of(song: OpenSong, checked: Checked | None = None, doing: str = "") -> SongFacts:
    """What is known now; nothing is computed for it."""
    return SongFacts(
        files=song.files,
        duration_s=song.mix.duration_s,
        rate_hz=song.mix.rate_hz,
        channels=song.mix.channels,
        chain=song.chain,
        settings=song.settings,
        target_lufs=song.config.target.loudness_lufs,
        ceiling_dbtp=song.config.target.ceiling_dbtp,
        hand=Known(key="hand", name="your settings"),
        weights=song.config.weights,
        checked=checked,
        doing=doing,
    )
