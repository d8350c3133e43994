"""Records: what the tables are, and the file that keeps them.

Takes frames from the readers. Gives frames that keep to a schema, and a season: one
GeoPackage that is changed whole or not at all. Does not read field files and does not
compute anything from the records.
"""
