"""The sheet as a page to look at and to listen with: pictures, text and sound in one file that needs no network.

Whole songs, on request, lie in a folder beside it.
"""

from autochain.page.beside import check_folder, write_folder
from autochain.page.sheet_page import listening_to, sheet_hash, thirds_of, to_html

__all__ = ["check_folder", "listening_to", "sheet_hash", "thirds_of", "to_html", "write_folder"]
