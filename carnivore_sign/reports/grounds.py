"""Grounds: what a call rests on - which sign, named as what by whom, and with which prints.

A naming is one person's judgement. Where no print of a trail was noted, its probability rests
on that word alone, and the pages say so.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    FOUND_LIKELY_FROM,
    MEASURES,
    NOT_VISIBLE,
    TAXA,
)

#: Said wherever a call rests on a naming and on no print.
ON_WORD: Final = "the observer's word alone"


def with_grounds(
    trails: pd.DataFrame, members: pd.DataFrame, sign: pd.DataFrame, prints: pd.DataFrame
) -> pd.DataFrame:
    """Add to trails what each rests on.

    Parameters
    ----------
    trails : DataFrame
        TRAILS.
    members : DataFrame
        ``sign`` and ``trail``.
    sign, prints : DataFrame
        SIGN and PRINTS.

    Returns
    -------
    DataFrame
        `trails` with ``kinds`` (of sign, in words), ``named`` (as what and by whom; missing
        where nobody named it), ``on_word`` (bool: it was named, and neither a character nor
        a size was noted), ``stride_m`` (median of the full strides noted, metres) and
        ``strides`` (how many were).

    Examples
    --------
    >>> trails = pd.DataFrame({"trail": ["T1"]})
    >>> members = pd.DataFrame({"trail": ["T1"], "sign": ["A"]})
    >>> sign = pd.DataFrame({"sign": ["A"], "kind": "scat", "named_as": "puma", "observer": "Ida"})
    >>> told = with_grounds(trails, members, sign, pd.DataFrame({"sign": []}))
    >>> told["kinds"].item(), told["named"].item(), told["on_word"].item()
    ('scat', 'puma (Ida)', True)
    """
    wanted = ["sign", "kind", "named_as", "observer", "stride_m"]
    known = pd.DataFrame(sign).reindex(columns=wanted).astype({"sign": "object"})
    rows = members[["sign", "trail"]].astype("object").merge(known, on="sign", how="left")
    measured = rows["sign"].isin(_signs_with_prints(prints)) | rows["stride_m"].notna()
    rows = rows.assign(measured=measured, named=_named(rows))
    by = rows.groupby("trail", sort=False)
    told = pd.DataFrame(
        {
            "kinds": _joined(rows, "kind"),
            "named": _joined(rows, "named"),
            "on_word": by["named_as"].count().gt(0) & ~by["measured"].any(),
            "stride_m": by["stride_m"].median(),
            "strides": by["stride_m"].count(),
        }
    )
    trail = trails["trail"].astype("object")
    return trails.assign(
        kinds=trail.map(told["kinds"]),
        named=trail.map(told["named"]),
        stride_m=trail.map(told["stride_m"]).astype(float),
        strides=trail.map(told["strides"]).fillna(0).astype(int),
        on_word=trail.map(told["on_word"]).eq(True).to_numpy(dtype=bool),
    )


def segments_on_word(detections: pd.DataFrame, trails: pd.DataFrame, taxon: str) -> frozenset[str]:
    """Return the segments that count as found only if observers' bare words are counted.

    Parameters
    ----------
    detections : DataFrame
        DETECTIONS of one month.
    trails : DataFrame
        From `with_grounds`.
    taxon : str
        Key of `TAXA`.

    Returns
    -------
    frozenset of str
        Their names.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign.reports.grounds import with_grounds
    >>> trails = with_grounds(analysis.trails, analysis.members, analysis.sign, analysis.prints)
    >>> march = analysis.detections[analysis.detections["period"].eq("2026-03")]
    >>> segments_on_word(march, trails, "puma") <= set(analysis.segments["segment"])
    True
    """
    on_word = detections["trail"].isin(trails.loc[trails["on_word"], "trail"])
    every = _found(detections, taxon)
    shown = _found(detections[~on_word.to_numpy(dtype=bool)], taxon).reindex(every.index)
    bare = every.ge(FOUND_LIKELY_FROM) & ~shown.ge(FOUND_LIKELY_FROM)
    return frozenset(map(str, every.index[bare.to_numpy(dtype=bool)]))


def _found(detections: pd.DataFrame, taxon: str) -> pd.Series:
    """Probability that one trail found on each segment was the taxon's."""
    missed = np.log1p(-detections[taxon_column(taxon)].astype(float).clip(upper=1 - 1e-15))
    return -np.expm1(missed.groupby(detections["segment"].astype("object")).sum())


def _signs_with_prints(prints: pd.DataFrame) -> pd.Series:
    """Names of the sign of which a print shows a character or a size."""
    noted = prints[[name for name in (*CHARACTERS, *MEASURES) if name in prints]]
    shown = (noted.notna() & noted.ne(NOT_VISIBLE)).any(axis=1).to_numpy(dtype=bool)
    return prints.loc[shown, "sign"].astype("object")


def _named(rows: pd.DataFrame) -> pd.Series:
    whose = (" (" + rows["observer"].astype("object") + ")").fillna("")
    return rows["named_as"].map(TAXA).astype("object") + whose


def _joined(rows: pd.DataFrame, column: str) -> pd.Series:
    """Join the different texts of each trail by commas, in their order; index trail."""
    once = rows[["trail", column]].dropna().drop_duplicates()
    several = once.duplicated("trail", keep=False).to_numpy(dtype=bool)
    joined = once[several].groupby("trail", sort=False)[column].agg(", ".join)
    return pd.concat([once[~several].set_index("trail")[column], joined])
