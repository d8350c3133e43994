"""Fingerprints: whether two frames of a table hold the same rows, whatever file they were in."""

from __future__ import annotations

import hashlib

import numpy as np
import pandas as pd
import shapely

from carnivore_sign.records.check import conform
from carnivore_sign.records.schema import Table


def fingerprint(frame: pd.DataFrame, table: Table) -> str:
    """Return a hash of the rows of a table, in their order: values, what is missing, positions.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        Rows of `table`; the index does not count.
    table : Table
        Its schema.

    Returns
    -------
    str
        SHA-256 in hexadecimal digits. Equal for equal rows, on any machine.

    Examples
    --------
    >>> from carnivore_sign.records.tables import SETTLED
    >>> rows = pd.DataFrame({"receipt": ["a1"], "set_aside_no": [4]})
    >>> fingerprint(rows, SETTLED) == fingerprint(rows.set_axis([9]), SETTLED)
    True
    >>> fingerprint(rows, SETTLED) == fingerprint(rows.assign(set_aside_no=5), SETTLED)
    False
    """
    frame = conform(frame, table)
    digest = hashlib.sha256(f"{table.name} {len(frame)}".encode())
    for column in table.columns:
        if frame[column.name].isna().all():
            continue  # a column that came with a later version leaves older rows as they were
        digest.update(column.name.encode())
        digest.update(_bytes_of(frame[column.name], column.kind))
    if table.geometry:
        shapes = shapely.to_wkb(frame["geometry"].to_numpy(), byte_order=1)
        digest.update(_joined([shape or b"" for shape in shapes]))
    return digest.hexdigest()


def _bytes_of(values: pd.Series, kind: str) -> bytes:
    """Return a column as bytes: little-endian numbers, or words with their lengths."""
    missing = values.isna().to_numpy()
    if kind in ("number", "probability"):
        numbers = values.to_numpy(dtype="<f8", na_value=np.nan)
        return np.where(missing, np.nan, numbers + 0.0).astype("<f8").tobytes()
    if kind == "text":
        words = values.where(~missing, "").to_numpy(dtype=object)
        return missing.tobytes() + _joined(
            [str(word).encode("utf-8", "surrogatepass") for word in words]
        )
    if kind == "time":
        moments = values.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[ms]")
        return (
            np.where(missing, 0, moments.astype("<i8")).astype("<i8").tobytes() + missing.tobytes()
        )
    return values.fillna(0).to_numpy(dtype="<i8").tobytes() + missing.tobytes()


def _joined(parts: list[bytes]) -> bytes:
    lengths = np.fromiter(map(len, parts), dtype="<i8", count=len(parts))
    return lengths.tobytes() + b"".join(parts)
