"""The player of the page: what it says, its controls, and its sound."""

import json
from collections.abc import Iterator

from autochain.document.blocks import Block, Heading, Paragraph, Part, Player
from autochain.document.shell import address
from autochain.page.listening import Listening
from autochain.sheet.words import CAUTION
from autochain.units import number

# In reach wherever one reads: what plays, which version, where, and what the difference is.
_BAR = (
    '<div class="player" role="group" aria-label="Player"><button type="button" id="play">play</button>'
    '<span id="versions"></span><output id="state" aria-live="off"></output>'
    '<input type="range" id="where" min="0" value="0" step="0.1" aria-label="place in the sound">'
    '<p id="note" class="soft" hidden>Suggestion minus mix, 12 dB quieter. It sounds worse than it is; a rotation '
    "leaves most of the song in it. It shows where to listen, not how good it is.</p></div>"
)
_CHOICES = (
    '<p><label>level of the page <input type="range" id="volume" min="-60" max="0" step="1" value="-20"> '
    '<output id="level">-20 dB</output></label><label><input type="checkbox" id="loop"{}> repeat this place</label></p>'
    '<p>'
    '<button type="button" id="hide">hide the names</button>'
    '<span id="hidden" hidden><button type="button" id="prefer">I prefer what plays now</button>'
    '<button type="button" id="reveal">show the names</button></span>'
    '<button type="button" id="save">save my choices</button> <output id="revealed"></output></p>'
)
_KEYS = (
    '<p class="soft">Keys: <kbd>space</kbd> plays and pauses, <kbd>1</kbd>, <kbd>2</kbd> and so on switch, '
    "<kbd>left</kbd> and <kbd>right</kbd> go a second back and on. Times in boxes play from there{}.</p>"
)


def player(listening: Listening, mix: str, sheet: str, folder: str | None) -> Iterator[Block]:
    """Everything of it.

    Parameters
    ----------
    listening
        What it plays.
    mix, sheet
        SHA-256 of both, by which the page knows its choices and its sound.
    folder
        Name of the folder beside the page that holds the sound; None where the page itself does.
    """
    data = {
        "rate_hz": listening.rate_hz,
        "frames": listening.frames,
        "block_frames": listening.block_frames,
        "sha256": mix,
        "sheet": sheet,
        "choices_file": "listening-choices.json",
        "folder": None if folder is None else address(folder),
        "windows": [{"start": w.start_s, "stop": w.stop_s, "at": w.at_s} for w in listening.windows],
        "sounds": [{"name": sound.name, "gain_db": sound.gain_db} for sound in listening.sounds],
        "flac": None if folder is not None else listening.block(0),
    }
    # "</" would end the element that holds it.
    packed = json.dumps(data, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    yield Part([Heading("Listen", mark="listen"), Paragraph(CAUTION, role="soft")], role="listen")
    # Of no part: it stays in sight as long as what it stands in.
    yield Player(_BAR)
    yield Part(
        [
            Player(_CHOICES.format(" checked" if folder is None else "")),
            Paragraph(f"{_equal(listening, folder)} The page starts quietly; bring its level up slowly.", role="soft"),
            Player(_KEYS.format("; the page holds no sound of the others" if len(listening.held) > 1 else "")),
            Player(f'<script type="application/json" id="sound">{packed}</script>'),
        ],
        role="listen",
    )


def _equal(listening: Listening, folder: str | None) -> str:
    """What was done to make the versions equally loud, and where they are not."""
    whole = folder is not None or len(listening.windows) == 1
    turned = ", ".join(
        f"{sound.name} {number(-sound.gain_db, 'dB')}" for sound in listening.sounds if sound.gain_db < -0.05
    )
    told = f"All versions are equally loud over {'the whole song' if whole else 'these excerpts'}"
    told += f"; turned down: {turned}." if turned else "."
    if len(listening.windows) > 1 and listening.apart_lu >= 0.1:
        told += f" In a single place mix and suggestion are up to {number(listening.apart_lu, 'LU')} apart."
    return told
