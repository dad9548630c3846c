"""Words and signs that the desk's pages share."""

from markupsafe import Markup

# A shape of its own for each, so that no state is told by colour alone; the words stand beside it.
_SHAPES = {
    "ready": '<circle cx="8" cy="8" r="5.5" class="full"/>',
    "usable": '<circle cx="8" cy="8" r="5.5"/><path d="M8 2.5a5.5 5.5 0 0 1 0 11z" class="full"/>',
    "revisit": '<path d="M8 2l6.5 12h-13z" class="full"/>',
    "waiting": '<path d="M2 8h12"/>',
}
SIGNS = {
    name: Markup(f'<svg class="sign {name}" viewBox="0 0 16 16" aria-hidden="true">{shape}</svg>')
    for name, shape in _SHAPES.items()
}


def takes_words(seconds: float | None) -> str:
    """How long something takes, as one says it."""
    if seconds is None:
        return "some minutes"
    if seconds < 20.0:
        return "some seconds"
    if seconds < 45.0:
        return "half a minute"
    minutes = max(1, round(seconds / 60.0))
    return "about a minute" if minutes == 1 else f"about {minutes} minutes"
