"""What was seen at the carcasses of one loss, as log likelihoods of the causes.

Bleeding under the skin is the gate. Where it was looked for and there was none, the animal was
dead when it was bitten: bites, feeding, covering, dragging and tracks then tell who fed on it,
not what it died of, and are not weighed.

Characters of one carcass stray together, and so do carcasses of one loss. A sum over n of them
is multiplied by 1 / (1 + (n - 1) rho), with n counted by how much each says; for normal
witnesses of equal power and equal correlation this is exact, elsewhere a working choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.causes import (
    CAUSE_ORDER,
    CHARACTER_NAMES,
    NUMBERS_KILLED,
    STATES,
    CauseEvidence,
    FloatArray,
)
from carnivore_sign.records.vocabularies import CARCASS_CHARACTERS, NOT_VISIBLE

#: The character that opens or shuts the gate.
GATE: Final = "bleeding"

#: Odds between two causes from which a character is held to speak for one of them.
SPEAKS: Final = 2.0


@dataclass(frozen=True, eq=False)
class CarcassWeights:
    """What each character says of the causes.

    Attributes
    ----------
    by_character : DataFrame
        Index character, a column per cause: log likelihood relative to the best cause,
        pooled over the carcasses that show it. A row for each character that was seen
        and weighed.
    seen : DataFrame
        ``character``, ``state`` (in words), ``carcasses``: every character that was noted,
        weighed or not.
    total : Series
        Log likelihood of the causes from all of them together, tempered; index `CAUSES`.
        Zero where nothing was seen.
    gate_shut : bool
        Whether bleeding was looked for and none was found.
    contradictions : tuple of str
        Sentences: where one character speaks for one cause and another against it.
    """

    by_character: pd.DataFrame
    seen: pd.DataFrame
    total: pd.Series
    gate_shut: bool
    contradictions: tuple[str, ...]

    @property
    def anything_seen(self) -> bool:
        """Whether anything but the number of animals lost was noted."""
        return bool(self.seen["character"].ne("number_killed").any())

    @property
    def unseen(self) -> tuple[str, ...]:
        """Characters that were not seen, in the order of the tables."""
        noted = set(self.seen["character"])
        return tuple(name for name in (*STATES, "canine_spacing") if name not in noted)


def weigh_carcasses(
    carcasses: pd.DataFrame, *, killed: int | None, evidence: CauseEvidence
) -> CarcassWeights:
    """Weigh what was seen at the carcasses of one loss.

    Parameters
    ----------
    carcasses : DataFrame
        Rows of CARCASSES of one incident; none is allowed.
    killed : int or None
        Animals lost, as recorded.
    evidence : CauseEvidence
        The working values.

    Returns
    -------
    CarcassWeights
        What each character says of each cause, and what was not seen.

    Raises
    ------
    InputError
        If a state is not known, or a spacing is not above 0.

    Examples
    --------
    >>> from carnivore_sign.incidents import load_cause_evidence
    >>> seen = pd.DataFrame({"incident": ["I1"], "carcass": ["1"], "bleeding": ["none"]})
    >>> weigh_carcasses(seen, killed=1, evidence=load_cause_evidence()).gate_shut
    True
    """
    told: dict[str, FloatArray] = {}
    seen: list[tuple[str, str, int]] = []
    for name in CARCASS_CHARACTERS:
        states = _noted(carcasses, name)
        if states:
            rows = [STATES[name].index(state) for state in states]
            told[name] = _pooled(evidence.log_tables[name][rows], evidence)
            words = ", ".join(dict.fromkeys(states)).replace("_", " ")
            seen.append((name, words, len(states)))
    spacings_mm = _upper_spacings_mm(carcasses)
    if spacings_mm:
        told["canine_spacing"] = _pooled(evidence.log_spacing(spacings_mm), evidence)
        words = ", ".join(f"{value:g} mm" for value in spacings_mm)
        seen.append(("canine_spacing", words, len(spacings_mm)))
    if killed is not None and killed > 0:
        state = [name for name, least in NUMBERS_KILLED.items() if killed >= least][-1]
        row = STATES["number_killed"].index(state)
        told["number_killed"] = evidence.log_tables["number_killed"][row]
        seen.append(("number_killed", str(killed), max(1, len(carcasses))))
    gate = set(_noted(carcasses, GATE))
    shut = gate == {"none"}
    weighed = {name: row for name, row in told.items() if not shut or name == GATE}
    beside = {name: row for name, row in weighed.items() if name != GATE}
    return CarcassWeights(
        by_character=pd.DataFrame.from_dict(weighed, orient="index", columns=list(CAUSE_ORDER)),
        seen=pd.DataFrame(seen, columns=["character", "state", "carcasses"]),
        total=_together(weighed, evidence),
        gate_shut=shut,
        contradictions=(
            *_contradictions(beside),
            *(["Some carcasses bled under the skin and some did not."] if len(gate) > 1 else []),
        ),
    )


def _noted(carcasses: pd.DataFrame, name: str) -> list[str]:
    """List the states of a character, carcass by carcass, where it was seen."""
    if name not in carcasses:
        return []
    noted = [state for state in carcasses[name] if state != NOT_VISIBLE and not pd.isna(state)]
    strange = [state for state in noted if state not in STATES[name]]
    if strange:
        raise InputError(
            f"'{strange[0]}' is not a state of {name}",
            remedy=f"Use one of {', '.join(STATES[name])}, or {NOT_VISIBLE}.",
        )
    return noted


def _upper_spacings_mm(carcasses: pd.DataFrame) -> list[float]:
    """List the spacings that are known to be of upper canines; there are no figures for lower."""
    if "canine_spacing_mm" not in carcasses or "canine_jaw" not in carcasses:
        return []
    pairs = zip(carcasses["canine_spacing_mm"], carcasses["canine_jaw"], strict=True)
    known = [float(value) for value, jaw in pairs if not pd.isna(value) and jaw == "upper"]
    if any(value <= 0 for value in known):
        raise InputError(
            "a spacing of canines must be above 0 mm",
            remedy="Give the distance between the tips of the two canines in millimetres.",
        )
    return known


def _pooled(weights: FloatArray, evidence: CauseEvidence) -> FloatArray:
    """Pool a character over the carcasses of one loss, which are one night's work: (causes,)."""
    kept = effective_share(np.ones(len(weights)), evidence.constant("rho_carcasses"))
    return np.asarray(weights.sum(axis=0) * kept)


def _together(weighed: Mapping[str, FloatArray], evidence: CauseEvidence) -> pd.Series:
    """Add up the characters, tempered; the gate stands beside the rest and is not tempered."""
    none = np.zeros(len(CAUSE_ORDER))
    rest = [row for name, row in weighed.items() if name != GATE]
    strength = np.array([row.max() - row.min() for row in rest])
    kept = effective_share(strength, evidence.constant("rho_characters"))
    total = weighed.get(GATE, none) + kept * sum(rest, none)
    return pd.Series(total - total.max(), index=list(CAUSE_ORDER))


def effective_share(strength: FloatArray, rho: float) -> float:
    """Return what is kept of a sum of correlated witnesses: 1 / (1 + (n - 1) rho).

    Parameters
    ----------
    strength : ndarray, shape (witnesses,)
        How far apart each holds the causes; n = (sum s)^2 / sum s^2.
    rho : float
        Their correlation within a cause.

    Examples
    --------
    >>> round(effective_share(np.array([2.0, 2.0, 0.0]), 0.5), 3)
    0.667
    """
    squares = float((strength**2).sum())
    count = float(strength.sum()) ** 2 / squares if squares > 0 else 1.0
    return 1.0 / (1.0 + max(count - 1.0, 0.0) * rho)


def _contradictions(weighed: Mapping[str, FloatArray]) -> list[str]:
    """Name pairs of characters of which each speaks against the cause that the other favours."""
    told = []
    for (first, one), (second, other) in combinations(weighed.items(), 2):
        best, rival = int(one.argmax()), int(other.argmax())
        if min(one[best] - one[rival], other[rival] - other[best]) > np.log(SPEAKS):
            told.append(
                f"{CHARACTER_NAMES[first].capitalize()} speaks rather for {_named(best)}, "
                f"{CHARACTER_NAMES[second]} rather for {_named(rival)}."
            )
    return told


def _named(place: int) -> str:
    cause = CAUSE_ORDER[place]
    words = {"not_predation": "no predator", "other_predator": "another predator"}
    return words.get(cause, f"a {cause}")
