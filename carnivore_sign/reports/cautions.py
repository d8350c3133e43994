"""Cautions: the one place where the usual cautions stand, each with where it comes from.

What an agency or the law asks for differs from place to place; these hold everywhere and
hand the decision to those whose it is. None of them speaks of acting against an animal.
"""

from __future__ import annotations

from typing import Final, Literal

from carnivore_sign.reports.content import Caution

_AGENCIES: Final = "State wildlife agencies' pages on losses of livestock; common practice."
_PUMA: Final = "Wildlife agencies' and parks' pages on meeting a puma; common practice."

SCENE: Final = Caution(
    "Leave the scene as it is",
    "Keep people, dogs and stock out. Do not move the carcass. Cover tracks with a pot or a "
    "bucket. Photograph everything with a scale beside it before wind, rain or sun change it.",
    _AGENCIES,
)
AGENCY: Final = Caution(
    "Call the wildlife agency at once",
    "Its people examine the carcass and the place, and it is theirs to say what caused the "
    "loss. Compensation often depends on their finding.",
    _AGENCIES,
)
LAW: Final = Caution(
    "Local law and licensed practice decide",
    "Large carnivores are protected in many places. What may be done, by whom and with which "
    "permit, is for the agency and the law where you are. Nothing on these pages is a permit, "
    "or a reason for one.",
    _AGENCIES,
)
SAFETY: Final = Caution(
    "Keep safe near pumas",
    "A puma may be near a fresh carcass or a cache. Go in company and in daylight, and keep "
    "children and dogs away. If you meet one: face it, look large, speak firmly, back away. "
    "Never run. Fight back if it attacks.",
    _PUMA,
)
HYGIENE: Final = Caution(
    "Wear gloves for scat and carcasses",
    "They can carry rabies, tularaemia, plague and tapeworms. Wear gloves and a mask, do not "
    "breathe dust from scat, and wash afterwards. A biologist died of plague in 2007 after "
    "examining a dead puma without protection.",
    "Health and wildlife agencies' pages; the case: Wong et al. 2009, Clinical Infectious "
    "Diseases 49:e33 (from memory).",
)
GUARDING: Final = Caution(
    "Guard and pen what is left",
    "Bring stock in at night, into a closed pen or shed. Keep lambing close to people. Guarding "
    "dogs, lights and fladry help for a time. Remove carcasses and what draws scavengers, once "
    "the agency has seen them.",
    "Agricultural extension bulletins; common practice.",
)
READING: Final = Caution(
    "Sign is read by people",
    "Dog and puma prints overlap in size and shape. A probability on these pages holds what "
    "was written down, and no more. Keep photographs with a scale of every trail that matters.",
    "Common practice, no source.",
)
PLACES: Final = Caution(
    "Think before passing this on",
    "Maps of large carnivores can harm them, and a parcel belongs to someone. Share exact "
    "places only with those who need them.",
    "Chapman 2020, Current Best Practices for Generalizing Sensitive Species Occurrence Data, "
    "GBIF.",
)

_READERS: Final = {
    "manager": (READING, LAW, HYGIENE, SAFETY, PLACES),
    "landowner": (SCENE, AGENCY, LAW, SAFETY, HYGIENE, GUARDING),
}


def cautions_for(reader: Literal["manager", "landowner"]) -> tuple[Caution, ...]:
    """Return the cautions that a report for `reader` prints, in order.

    Parameters
    ----------
    reader : {"manager", "landowner"}
        For whom.

    Returns
    -------
    tuple of Caution
        In the order in which they are printed.

    Examples
    --------
    >>> len(cautions_for("landowner")) > 0
    True
    """
    return _READERS[reader]
