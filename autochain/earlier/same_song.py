"""Whether a mix is the one that an earlier sheet is for, or a revision of its song."""

from autochain.audio.mix import Mix
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import SheetError
from autochain.measure.fingerprint import SAME_SONG, band_powers, read_fingerprint, similarity


def another_song(sheet: EarlierSheet, mix: Mix) -> str | None:
    """What to say where the mix is not plausibly the sheet's song; None where it is, or the sheet does not tell.

    Raises
    ------
    SheetError
        The sheet's `mix.course` is none.
    """
    if sheet.mix_sha256 == mix.sha256 or not sheet.fingerprint:
        return None
    try:
        fingerprint = read_fingerprint(sheet.fingerprint)
    except ValueError as error:
        raise SheetError(f"{sheet.file}: mix.course cannot be read ({error}). Take it out.") from None
    alike = similarity(fingerprint, band_powers(mix.samples, mix.rate_hz))
    if alike >= SAME_SONG:
        return None
    return (
        f"{mix.file} seems to be another song than the one {sheet.file} is for: from second to second their levels "
        f"move alike by {max(0.0, alike):.2f} (1 is the same, a revised mix has {SAME_SONG:g} or more)."
    )


def refuse_other_mix(sheet: EarlierSheet, mix: Mix) -> None:
    """Refuse a sheet that was made for another file."""
    if sheet.mix_sha256 != mix.sha256:
        raise SheetError(
            f"{sheet.file} is for another mix than {mix.file} "
            f"(SHA-256 {sheet.mix_sha256[:12]}, not {mix.sha256[:12]}). "
            f"For a revised mix run suggest --around; another version of the song goes in with --alternate."
        )
