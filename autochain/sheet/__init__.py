"""The settings sheet: facts in a model, and its forms as Markdown and JSON."""

from autochain.sheet.as_json import to_json
from autochain.sheet.as_markdown import to_markdown
from autochain.sheet.build import build_sheet
from autochain.sheet.model import Sheet

__all__ = ["Sheet", "build_sheet", "to_json", "to_markdown"]
