"""Card: a scale card with rulers and four corner marks, true to size on paper.

The marks are the corners of a square. Photographed with it, a print can be measured although
the camera was not straight above: the tracing page takes out the tilt by the four marks.
"""

from __future__ import annotations

from typing import Any, Final

from carnivore_sign.field.cautions import FIELD_CAUTIONS
from carnivore_sign.field.paper import Paper, render_page

#: Side of the square of the four marks, of the window for the print, and of the whole card, mm.
SQUARE_MM: Final = 140.0
WINDOW_MM: Final = 120.0
CARD_MM: Final = 172.0
#: Length of the bars to be checked with a ruler.
CHECK_MM: Final = 100.0
CHECK_INCHES: Final = 4.0


def scale_card(*, paper: Paper = "a4") -> bytes:
    """Return the scale card as a PDF of one page.

    Parameters
    ----------
    paper : {'a4', 'letter'}
        The paper. The card on it is of the same size.

    Returns
    -------
    bytes
        The PDF; `write_page` writes it.

    Examples
    --------
    >>> scale_card()[:5]
    b'%PDF-'
    """
    content: dict[str, Any] = {
        "title": "Scale card for prints",
        "square_mm": SQUARE_MM,
        "window_mm": WINDOW_MM,
        "card_mm": CARD_MM,
        "check_mm": CHECK_MM,
        "check_inches": CHECK_INCHES,
        "steps": [
            "Print at 100 % (actual size, no fitting to the page), on stiff paper.",
            "Check both bars below with a steel ruler. If they are off, the card is of no use.",
            "Cut along the outer line, and cut out the window.",
            "Lay it flat around the print, or beside it; never on it. No part of it may bend.",
            "Photograph from straight above, all four marks in the picture, in even light.",
            f"Measure: carnivore-sign trace PHOTO, scale by the corners of a square of "
            f"{SQUARE_MM:.0f} mm, click the four marks clockwise.",
        ],
        "caution": FIELD_CAUTIONS["puma"],
    }
    return render_page("card.typ", content, paper=paper)
