"""Trails room: what the gait of each trail says about the taxon, whatever was recorded of it.

A trail was left by one animal in one going: its strides are not so many witnesses, but one.
Where prints were measured along it (in a plane, or with a tape) their gait speaks; where only
strides were noted, their middle does.
"""

from __future__ import annotations

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails.gait import GaitSequence
from carnivore_sign.trails.gaits import gait_likelihoods, stride_likelihoods


def gait_of_trails(
    members: pd.DataFrame, sign: pd.DataFrame, measured: GaitSequence | None = None
) -> pd.DataFrame:
    """Weigh what the gait of each trail says about the taxon.

    Parameters
    ----------
    members : DataFrame
        ``sign`` and ``trail``, as `link_trails` gives them.
    sign : DataFrame
        Columns of SIGN; ``stride_m`` is the full stride, and may be absent.
    measured : GaitSequence, optional
        From `gait_sequence`, each sequence named after the sign it was measured at. Of
        several on one trail the one with the most prints speaks.

    Returns
    -------
    DataFrame
        Natural log likelihood of each taxon (columns `TAXA`), index trail, in order of first
        appearance; zeros where nothing was recorded. To be added to what the prints say, which
        must not hold the stride as well.

    Raises
    ------
    InputError
        If a sequence was measured at a sign that is in no trail.

    Examples
    --------
    >>> members = pd.DataFrame({"sign": ["A", "B", "C"], "trail": ["T1", "T1", "T2"]})
    >>> sign = pd.DataFrame({"sign": ["A", "B", "C"], "stride_m": [0.94, 0.98, None]})
    >>> said = gait_of_trails(members, sign)
    >>> (said["puma"] - said["coyote"]).round(1).to_dict()
    {'T1': 0.9, 'T2': 0.0}
    """
    trail = members.set_index("sign")["trail"]
    names = pd.Index(trail.unique(), name="trail")
    said = pd.DataFrame(0.0, index=names, columns=list(TAXA))
    if "stride_m" in sign:
        stride = sign.set_index("sign")["stride_m"].astype(float)
        said = stride_likelihoods(stride.groupby(trail).median().reindex(names))
    if measured is None:
        return said
    of = measured.going.index
    strange = of[~of.isin(trail.index)]
    if len(strange):
        raise InputError(
            f"the gait '{strange[0]}' was measured at no sign of any trail",
            remedy="Name each sequence after the sign it was measured at.",
        )
    prints = measured.prints["sequence"].value_counts().reindex(of)
    longest = of[prints.argsort(kind="stable")[::-1]]
    longest = longest[~trail.loc[longest].duplicated().to_numpy()]
    told = gait_likelihoods(measured).loc[longest].set_axis(trail.loc[longest])
    said.loc[told.index] = told
    return said
