"""Passages: how many the trails of a month are, and the fewest animals that left them.

A count of trails is no count of animals. The page says how far the count goes as sign can be
linked otherwise, gives the fewest animals with the reason, and never says who it was.
"""

from __future__ import annotations

from typing import Final

from carnivore_sign.reports.content import Block, Heading, Paragraph
from carnivore_sign.reports.wording import count, listed, taxon_words
from carnivore_sign.trails import FewestAnimals, PassageSummary

#: Why two trails need two animals, without naming a trail or a place.
_REASONS: Final = {
    "apart": "some lie too far apart for one animal in the time between them",
    "size": "the feet on some differ in size by more than error allows",
    "side by side": "some run side by side the same way, as those of a female with young do",
}


def passage_blocks(
    passages: PassageSummary | None, taxon: str, *, named: bool
) -> tuple[Block, ...]:
    """Print how many passages the trails are, and the fewest animals.

    Parameters
    ----------
    passages : PassageSummary, optional
        From `summarise_passages`, of the trails of the month; nothing is printed without.
    taxon : str
        Key of `TAXA`.
    named : bool
        Whether the page may name trails and say how far apart they lie.

    Returns
    -------
    tuple of Block
    """
    if passages is None:
        return ()
    heading = Heading("How many passages, and the fewest animals")
    found = passages.passages
    if not found.best:
        words = taxon_words(taxon)
        told = f"No trail of the month is more likely than not that of {words.one}: none to count."
        return (heading, Paragraph(told))
    sentences = [_count_sentence(passages, taxon), _animals_sentence(passages.fewest, named=named)]
    if passages.followed:
        which = "It" if passages.followed == found.best == 1 else f"Of them, {passages.followed}"
        sentences.append(
            f"{which} {'was' if passages.followed == 1 else 'were'} followed by hand and "
            f"{'is' if passages.followed == 1 else 'are'} taken as walked."
        )
    if passages.undated:
        sentences.append(
            f"Of {passages.undated} of the {count(found.best, 'trail')} nothing on record says "
            "since when it can have lain there: no age was stated, and no clearing is known."
        )
    return (heading, Paragraph(" ".join(sentences)))


def _count_sentence(passages: PassageSummary, taxon: str) -> str:
    found, words = passages.passages, taxon_words(taxon)
    verb = "is" if found.best == 1 else "are"
    begin = f"{count(found.best, 'trail')} {verb} more likely {words.name} than not. "
    if found.low == found.high:
        return begin + (
            f"However their sign are linked, they are {count(found.best, 'passage')}. Trails "
            "that nobody found, and doubt about what left them, are not in that count."
        )
    return begin + (
        f"As their sign could be linked otherwise, they are between {found.low} and {found.high} "
        "passages. Trails that nobody found, and doubt about what left them, are not in that range."
    )


def _animals_sentence(fewest: FewestAnimals, *, named: bool) -> str:
    if fewest.count <= 1:
        return "One animal can have left them all; how many did is not known."
    told = fewest.sentence()
    if not named:
        kinds = [why for kind, why in _REASONS.items() if fewest.reasons["reason"].eq(kind).any()]
        told = f"At least {fewest.count} animals, if what was noted is right: {listed(kinds)}."
    return f"{told} How many more, and which animals they were, the trails do not tell."
