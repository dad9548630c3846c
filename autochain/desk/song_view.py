"""What the page of one song shows, part by part."""

from dataclasses import dataclass
from typing import Any

from autochain.desk.open_song import OpenSong


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A setting that can be turned."""

    name: str
    label: str
    unit: str
    value: Any
    low: float
    high: float
    step: float
    choices: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageView:
    """One stage of the chain."""

    name: str
    label: str
    fields: tuple[Field, ...]


def song_parts(song: OpenSong) -> dict[str, Any]:
    """All parts by their name."""
    return {"chain": chain_part(song)}


def chain_part(song: OpenSong) -> list[StageView]:
    """The stages in order."""
    return [
        StageView(
            name=name,
            label=song.chain.stages[name].label,
            fields=tuple(
                Field(
                    name=p.name,
                    label=p.label,
                    unit=p.unit,
                    value=own.value(p.name),
                    low=p.low,
                    high=p.high,
                    step=p.step,
                    choices=p.choices,
                )
                for p in song.chain.stages[name].parameters
            ),
        )
        for name, own in song.settings.items()
    ]
