"""Grids: a datum that has no ellipsoid cannot carry a UTM zone."""

from __future__ import annotations

import pytest

from carnivore_sign.intake import grids

SITE = (
    'ENGCRS["A building site",EDATUM["Its corner"],CS[Cartesian,2],AXIS["x",east],'
    'AXIS["y",north],LENGTHUNIT["metre",1]]'
)


def test_a_system_without_an_ellipsoid_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(grids.DATUMS, "SITE", SITE)
    with pytest.raises(grids.Unreadable, match="SITE has no ellipsoid"):
        grids._projection(11, True, "SITE")
