"""Exchange: what a season holds, and what was computed from it, in open standards.

Takes a `Content`: the record of a season, what was computed from it, and for whom it is made.
Gives files that others read: a Darwin Core Archive, GeoJSON, GeoParquet, KML, GPX, and tables as
CSV with a dictionary of their columns. Does not compute anything, and never shows a reader more
than the pages made for that reader.
"""

from carnivore_sign.exchange.content import Content, layers_of, tables_of, withheld_words
from carnivore_sign.exchange.darwin_core import write_archive
from carnivore_sign.exchange.data_package import read_package, write_package
from carnivore_sign.exchange.geojson import write_geojson
from carnivore_sign.exchange.gpx import write_transects_gpx
from carnivore_sign.exchange.kml import write_kml
from carnivore_sign.exchange.metadata import Publisher
from carnivore_sign.exchange.parquet import write_geoparquet

__all__ = [
    "Content",
    "Publisher",
    "layers_of",
    "read_package",
    "tables_of",
    "withheld_words",
    "write_archive",
    "write_geojson",
    "write_geoparquet",
    "write_kml",
    "write_package",
    "write_transects_gpx",
]
