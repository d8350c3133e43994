"""Observing (simulate): which trails are found, and what is written of them and their prints.

A trail can be recorded on a walk if its anchor lies on the stretch walked and it was made after
the surface was last wiped and before the party came by; then it is noticed with probability
`notice`. The chance of finding at least one trail on a visit to a used unit is therefore
``1 - exp(-rate * km_days * notice)``, with the km walked and the days since the surface was
wiped.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.records.vocabularies import CHARACTERS, FEET, MEASURES, NOT_VISIBLE
from carnivore_sign.simulate.animals import TAKEN_FOR, WALK, draw_prints, draw_rows
from carnivore_sign.simulate.country import Country, shifted
from carnivore_sign.simulate.passages import CROSSING_SHARE
from carnivore_sign.simulate.settings import ObservingSettings, SeasonSettings, SurfaceSettings
from carnivore_sign.simulate.walks import course_m_of, last_cleared
from carnivore_sign.units import SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]

#: Chances of 1, 2, 3 and 4 places with sign along a noticed trail.
PLACES_ON_TRAIL = (0.45, 0.30, 0.17, 0.08)

#: Chances that a place holds scat, or (cats only) a scrape; else it holds tracks.
SCAT, SCRAPE = 0.06, 0.05
CATS = ("puma", "bobcat")

#: Chance that a thing is noted at all.
NOTED = {
    "name": 0.97, "confidence": 0.92, "age": 0.75, "direction": 0.85, "surface": 0.9,
    "stride": 0.6, "measure": 0.85, "foot": 0.75,
}  # fmt: skip

#: Error of a noted direction, degrees.
DIRECTION_SD_DEG = 8.0

#: Confidences that are stated, and how often each when the name is right and when it is wrong.
CONFIDENCES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
CONFIDENCE_IF_RIGHT = (0.04, 0.08, 0.16, 0.25, 0.30, 0.17)
CONFIDENCE_IF_WRONG = (0.15, 0.22, 0.28, 0.20, 0.12, 0.03)

#: Share of sign marked with a waypoint, and share that has no other position in the notebook.
MARKED, PLACED_BY_WAYPOINT = 0.65, 0.4

#: Remarks, and the chance of one.
REMARKS = (
    "in the wheel rut", "hoof prints over it", "low sun, clear edges", "edges crumbling",
    "along the bank", "brushed out after noting",
)  # fmt: skip
REMARK_SHARE = 0.25

#: How far the clearness of a whole print moves the chance of seeing each of its characters.
CLEARNESS_SPREAD = 0.25


def find_trails(
    pieces: pd.DataFrame,
    pace: tuple[FloatArray, FloatArray],
    start_s: float,
    passages: pd.DataFrame,
    cleared: dict[str, FloatArray],
    *,
    notice: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Find trails on one walk.

    Parameters
    ----------
    pieces : DataFrame
        As `pieces_walked` gives it.
    pace : (course_m, passed_s)
        As `draw_pace` gives it.
    start_s : float
        Start of the walk, seconds since 1970.
    passages : DataFrame
        As `draw_passages` gives it.
    cleared : dict
        Transect to the rising times at which it was wiped.
    notice : float
        Chance that a trail which can be recorded is noticed.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    DataFrame
        Places with sign, in the order of the walk: ``trail``, ``transect``, ``along_m``,
        ``course_m``.
    """
    found = []
    for _, piece in pieces.iterrows():
        here = passages[passages["transect"].eq(piece["transect"])]
        here = here[here["anchor_m"].between(piece["low_m"], piece["high_m"])]
        passed = start_s + np.interp(course_m_of(piece, here["anchor_m"]), *pace)
        since = last_cleared(cleared[piece["transect"]], passed)
        there = (here["made_s"] > since) & (here["made_s"] < passed)
        here = here[there.to_numpy()]
        here = here[rng.random(len(here)) < notice]
        places = _places(here, piece["low_m"], piece["high_m"], rng)
        found.append(places.assign(course_m=course_m_of(piece, places["along_m"])))
    table = pd.concat(found, ignore_index=True)
    return table.sort_values("course_m", kind="stable", ignore_index=True)


def _places(
    trails: pd.DataFrame, low_m: float, high_m: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw the places at which sign of each trail is noted: its anchor, and up to three more."""
    chances = np.tile(np.asarray(PLACES_ON_TRAIL), (len(trails), 1))
    count = 1 + draw_rows(chances, rng)
    count = np.where(trails["crosses"].to_numpy(dtype=bool), np.minimum(count, 2), count)
    places = trails.loc[trails.index.repeat(count)]
    start = places["from_m"].clip(lower=low_m).to_numpy()
    end = places["to_m"].clip(upper=high_m).to_numpy()
    along = start + rng.random(len(places)) * (end - start)
    first = ~places.index.duplicated()
    along = np.where(first, places["anchor_m"].to_numpy(), along)
    return pd.DataFrame(
        {
            "trail": places.index.to_numpy(dtype=object),
            "transect": places["transect"].to_numpy(),
            "along_m": along.astype(float),
        }
    )


def write_notes(
    places: pd.DataFrame,
    passages: pd.DataFrame,
    country: Country,
    settings: SeasonSettings,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Write the notebook: one row per place with sign, with what the observer made of it.

    Parameters
    ----------
    places : DataFrame
        ``trail``, ``transect``, ``along_m``, ``course_m``, ``time_s``, ``log``,
        and ``observers`` (tuple).
    passages : DataFrame
        As `draw_passages` gives it.
    country : Country
        Gives positions and surfaces.
    settings : SeasonSettings
        Error rates and noise.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    DataFrame
        The columns of the notebook besides ``lon``, ``lat``, ``marked`` (a waypoint marks it),
        ``log``, ``trail``, ``animal``, ``taxon`` and ``made_s``. Indexed by sign (``S001``).
    """
    order = ["time_s", "log", "course_m"]
    sign = places.sort_values(order, kind="stable", ignore_index=True)
    sign.index = pd.Index([f"S{n:03d}" for n in range(1, len(sign) + 1)], name="sign")
    truth = passages.reindex(sign["trail"]).set_axis(sign.index)
    sign = sign.assign(**{name: truth[name] for name in ("animal", "taxon", "made_s")})
    sign["kind"] = _kinds(sign["taxon"], rng)
    sign = sign.join(_name_trails(sign, settings.observing, rng))
    track = sign["kind"].eq("track").to_numpy()
    sign = sign.join(_ages(sign, settings.observing, rng))
    direction = truth["direction_deg"] + DIRECTION_SD_DEG * rng.standard_normal(len(sign))
    sign["direction_deg"] = np.mod(direction, 360.0).where(track & _noted("direction", sign, rng))
    sign["surface"] = sign["transect"].map(country.surface_of).astype(object)
    sign["surface"] = sign["surface"].where(_noted("surface", sign, rng), None)
    stride = truth["stride_m"] * (
        1 + settings.observing.stride_error * rng.standard_normal(len(sign))
    )
    sign["stride_m"] = stride.where(track & _noted("stride", sign, rng))
    remark = np.asarray(REMARKS, dtype=object)[rng.integers(len(REMARKS), size=len(sign))]
    remarked = rng.random(len(sign)) < REMARK_SHARE
    sign["notes"] = pd.Series(remark, index=sign.index).where(remarked, None)
    return _place_sign(sign, country, settings, rng)


def _noted(what: str, sign: pd.DataFrame, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    return rng.random(len(sign)) < NOTED[what]


def share_with_tracks(taxon: str) -> float:
    """Chance that tracks are among the sign noted of a trail, and not scat or scrapes alone.

    Rates of trails per km-day count trails with tracks, so that the truth behind such a rate is
    the rate of passage times the chance of being noticed times this.

    Parameters
    ----------
    taxon : str
        One of `TAXA`.

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> round(share_with_tracks("puma"), 3), round(share_with_tracks("dog"), 3)
    (0.946, 0.972)
    """
    other = SCAT + (SCRAPE if taxon in CATS else 0.0)
    places = np.arange(1, len(PLACES_ON_TRAIL) + 1)
    along = float(np.dot(PLACES_ON_TRAIL, other**places))
    across = float(np.dot(PLACES_ON_TRAIL, other ** np.minimum(places, 2)))
    return 1.0 - (1.0 - CROSSING_SHARE) * along - CROSSING_SHARE * across


def _kinds(taxon: pd.Series, rng: np.random.Generator) -> npt.NDArray[np.object_]:
    draw = rng.random(len(taxon))
    scrape = taxon.isin(CATS).to_numpy() & (draw > 1 - SCRAPE)
    return np.where(draw < SCAT, "scat", np.where(scrape, "scrape", "track")).astype(object)


def _name_trails(
    sign: pd.DataFrame, observing: ObservingSettings, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw who noted each trail and what they called it; one judgement for its whole length."""
    trails = sign.drop_duplicates(["trail"]).set_index("trail")
    writer = [party[int(rng.integers(len(party)))] for party in trails["observers"]]
    wrong = rng.random(len(trails)) < observing.naming_error
    taken = [
        list(TAKEN_FOR[taxon])[int(draw_rows(np.array([[*TAKEN_FOR[taxon].values()]]), rng)[0])]
        for taxon in trails["taxon"]
    ]
    named = np.where(wrong, np.asarray(taken, dtype=object), trails["taxon"].to_numpy(object))
    chances = np.where(wrong[:, None], CONFIDENCE_IF_WRONG, CONFIDENCE_IF_RIGHT)
    confidence = np.asarray(CONFIDENCES)[draw_rows(chances, rng)]
    has_name = _noted("name", trails, rng)
    has_confidence = has_name & _noted("confidence", trails, rng)
    judged = pd.DataFrame(
        {
            "observer": writer,
            "named_as": pd.Series(named, index=trails.index).where(has_name, None),
            "confidence": np.where(has_confidence, confidence, np.nan),
        },
        index=trails.index,
    )
    return judged.reindex(sign["trail"]).set_axis(sign.index)


def _ages(
    sign: pd.DataFrame, observing: ObservingSettings, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw stated windows of age in half hours: around the true age, or beside it in error."""
    age = ((sign["time_s"] - sign["made_s"]) / SECONDS_PER_HOUR).clip(lower=0.0).to_numpy()
    count = len(age)
    low, high = age * rng.uniform(0.4, 0.9, count), age * rng.uniform(1.1, 1.9, count) + 0.5
    wrong = rng.random(count) < observing.age_error
    older = rng.random(count) < 0.5
    low = np.where(wrong & older, 1.2 * age + 1.0, np.where(wrong, 0.3 * age, low))
    high = np.where(wrong & older, 2.2 * age + 2.0, np.where(wrong, 0.8 * age, high))
    noted = _noted("age", sign, rng)
    low = np.where(noted, np.floor(2 * low) / 2, np.nan)
    high = np.where(noted, np.where(wrong, np.floor(2 * high), np.ceil(2 * high)) / 2, np.nan)
    return pd.DataFrame({"age_min_h": low, "age_max_h": high}, index=sign.index)


def _place_sign(
    sign: pd.DataFrame, country: Country, settings: SeasonSettings, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw the noted position of each sign, and how it was kept: waypoint, notebook or both."""
    lon, lat = np.empty(len(sign)), np.empty(len(sign))
    for name, path in country.paths.items():
        here = sign["transect"].eq(name).to_numpy()
        lon[here], lat[here] = path.at(sign["along_m"].to_numpy()[here])
    error = settings.walking.noise_sd_m * rng.standard_normal((2, len(sign)))
    beside = 1.5 * rng.standard_normal((2, len(sign)))
    lon, lat = shifted(lon, lat, *(error + beside))
    kept = rng.random(len(sign))
    by_waypoint = kept < PLACED_BY_WAYPOINT
    return sign.assign(
        lon=np.round(lon, 6),
        lat=np.round(lat, 6),
        marked=kept < MARKED,
        waypoint=sign.index.to_series().astype(object).where(by_waypoint, None),
    )


def note_prints(
    sign: pd.DataFrame,
    animals: pd.DataFrame,
    states: dict[str, FloatArray],
    country: Country,
    settings: SeasonSettings,
    *,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Note two to five prints at each place with tracks.

    Returns
    -------
    prints : DataFrame
        As noted: ``sign``, ``print_no``, ``foot``, the `MEASURES` in mm, the `CHARACTERS`.
    true : DataFrame
        The same prints as the feet made them, row for row, with ``animal`` and ``taxon``.
    """
    tracks = sign[sign["kind"].eq("track")]
    count = rng.integers(2, 6, size=len(tracks))
    rows = tracks.loc[tracks.index.repeat(count)]
    number = rows.groupby(level=0, sort=False).cumcount().to_numpy()
    first = np.repeat(rng.integers(len(WALK), size=len(tracks)), count)
    foot = np.asarray(WALK, dtype=object)[(first + number) % len(WALK)]
    owner = animals.index.get_indexer(rows["animal"])
    true = draw_prints(owner, foot, animals, states, rng)
    keys = pd.DataFrame({"sign": rows.index.to_numpy(dtype=object), "print_no": number + 1})
    ground = rows["transect"].map(country.surface_of).to_numpy(dtype=object)
    seen = see_prints(true, ground, settings, rng)
    seen.insert(0, "foot", _note_feet(foot, settings.observing, rng))
    true.insert(0, "foot", foot)
    true["animal"], true["taxon"] = rows["animal"].to_numpy(), rows["taxon"].to_numpy()
    return keys.join(seen), keys.join(true)


def see_prints(
    true: pd.DataFrame,
    ground: npt.NDArray[np.object_],
    settings: SeasonSettings,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Put prints on the ground and in front of an observer: hidden, misread, mismeasured."""
    observing = settings.observing
    surfaces = [settings.surfaces.get(word, SurfaceSettings()) for word in ground]
    swelling = np.array([surface.size_factor for surface in surfaces])
    clearness = rng.uniform(-CLEARNESS_SPREAD, CLEARNESS_SPREAD, len(true))
    noted = {}
    for name in MEASURES:
        measured = true[name].to_numpy() * swelling
        measured = measured + observing.measure_sd_mm * rng.standard_normal(len(true))
        kept = rng.random(len(true)) < NOTED["measure"]
        noted[name] = np.where(kept, np.round(np.maximum(measured, 1.0), 1), np.nan)
    for name, words in CHARACTERS.items():
        chance = np.array([surface.seen.get(name, surface.otherwise) for surface in surfaces])
        visible = rng.random(len(true)) < np.clip(chance + clearness * (chance > 0), 0, 1)
        read = _misread(true[name].to_numpy(dtype=object), words, observing.misread, rng)
        noted[name] = np.where(visible, read, NOT_VISIBLE)
    return pd.DataFrame(noted)


def _misread(
    words: npt.NDArray[np.object_],
    possible: tuple[str, ...],
    chance: float,
    rng: np.random.Generator,
) -> npt.NDArray[np.object_]:
    """Replace words by another possible one, with the given chance."""
    place = pd.Index(possible).get_indexer(words)
    wrong = rng.random(len(words)) < chance
    step = rng.integers(1, len(possible), size=len(words)) if len(possible) > 1 else 0
    return np.asarray(possible, dtype=object)[np.where(wrong, place + step, place) % len(possible)]


def _note_feet(
    foot: npt.NDArray[np.object_], observing: ObservingSettings, rng: np.random.Generator
) -> npt.NDArray[np.object_]:
    read = _misread(foot, FEET, observing.misread, rng)
    noted = rng.random(len(foot)) < NOTED["foot"]
    return pd.Series(read).where(noted, None).to_numpy(dtype=object)
