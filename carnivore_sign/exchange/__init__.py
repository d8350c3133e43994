"""Exchange: what a season holds, and what was computed from it, in open standards.

Takes a `Content`: the record of a season, what was computed from it, and for whom it is made.
Gives files that others read: a Darwin Core Archive, GeoJSON, GeoParquet, KML, GPX, and tables as
CSV with a dictionary of their columns. Does not compute anything, and never shows a reader more
than the pages made for that reader.
"""

from carnivore_sign.exchange.content import Content, layers_of, tables_of
from carnivore_sign.exchange.darwin_core import write_archive

__all__ = [
    "Content",
    "layers_of",
    "tables_of",
    "write_archive",
]
