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
    """How long something takes, in whole minutes: nothing finer is known before it is done; empty for less than one."""
    if seconds is None or seconds < 45.0:
        return ""
    minutes = round(seconds / 60.0)
    return "takes about a minute" if minutes == 1 else f"takes about {minutes} minutes"
