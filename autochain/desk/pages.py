"""Pages and parts of pages from templates; what is put in is escaped."""

from typing import Any

from jinja2 import Environment, PackageLoader, select_autoescape

from autochain.sheet.words import CAUTION

_TEMPLATES = Environment(loader=PackageLoader("autochain.desk"), autoescape=select_autoescape(), trim_blocks=True)
_TEMPLATES.globals["caution"] = CAUTION


def rendered(template: str, **facts: Any) -> str:
    """The text of a template."""
    return _TEMPLATES.get_template(template).render(**facts)
